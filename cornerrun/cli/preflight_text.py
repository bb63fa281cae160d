"""What preflight has found, as lines for a terminal and as JSON."""

import re
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from pathlib import Path

from cornerrun.cli.budget_text import budget_lines
from cornerrun.errors import Problem
from cornerrun.preflight.budget import Budget, why_not
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding
from cornerrun.preflight.levels import LevelRow
from cornerrun.report.text_table import one_line

__all__ = ["preflight_json", "preflight_lines"]

_SHAPES = {"error": "■ ERROR", "warning": "▲ WARNING", "note": "○ note"}
_VERDICT_SHAPES = {"ok": "●", "beyond hard limit": "■", "not encodable": "■"}
_NUMBER_AND_UNIT = re.compile(r"(\d) (%|ppm|[mµk]?V|[mµ]?s|min|degC)(?![A-Za-z])")
_INDENT = " " * 10
_HEAD = ("rail", "level", "target", "code", "setpoint", "rounding", "of margin", "room", "verdict")
_RIGHT = frozenset(("target", "setpoint", "rounding", "of margin", "room"))
_DISPENSABLE = ("rounding", "room")  # what a narrow terminal does without: the shares and the verdict say enough


def preflight_lines(
    facts: Facts,
    found: Sequence[Finding],
    *,
    budget: Budget | None = None,
    bench_missing: Path | None = None,
    width: int = 100,
) -> Iterator[str]:
    """Lay out what preflight has found in at most ``width`` columns, as far as names allow."""
    plan, bench = facts.plan, facts.bench_file
    yield one_line(f"{plan.title} ({plan.board.name}, revision {plan.board.revision})")
    for source in plan.sources:
        yield f"{source.role:<7}{source.path}"
    if bench is not None:
        yield f"bench  {_shortest(bench.source.path)} ({bench.kind.upper()}, {bench.station})"
    elif bench_missing is not None:
        yield f"bench  {_shortest(bench_missing)} is not here: looked at without it"
    else:
        yield "bench  none named: looked at without one"
    if facts.values.rails:
        count = len(facts.values.rails)
        yield f"device formats and limits of {count} rails: {_shortest(Path(facts.values.source))}"
    yield ""
    yield from _wrapped(
        "Levels: what is asked for, the device's code, what that code means (setpoint), what rounding takes of it, and "
        "the room that is left to the nearer hard limit once accuracy is taken off, as a share of nominal's.",
        width,
        "",
    )
    yield ""
    yield from _table([row for rail in facts.levels for row in rail.rows], width)
    yield ""
    if budget is not None:
        yield from budget_lines(budget, width)
    else:
        yield from _wrapped(f"How long a run takes is not reckoned: {why_not(facts)}.", width, "")
    yield ""
    for alike in _grouped(found):
        item, rails = alike[0], [entry.rail for entry in alike if entry.rail]
        yield f"{_SHAPES[item.severity]:<10}{item.rule}  {item.position}"
        if rails:
            yield from _wrapped(", ".join(rails), width, _INDENT)
        yield from _wrapped(item.numbers, width, _INDENT)
        yield from _wrapped(f"→ {item.advice}", width, _INDENT)
    yield ""
    yield _verdict(found)


def preflight_json(
    *,
    problems: Sequence[Problem] = (),
    facts: Facts | None = None,
    found: Sequence[Finding] = (),
    budget: Budget | None = None,
) -> dict[str, object]:
    """Write what preflight has found as JSON data; ``ready`` says whether a run could start."""
    rows = [row for rail in facts.levels for row in rail.rows] if facts is not None else []
    return {
        "ready": facts is not None and not problems and all(item.severity != "error" for item in found),
        "problems": [{**asdict(problem), "path": str(problem.path)} for problem in problems],
        "findings": [asdict(item) for item in found],
        "levels": [asdict(row) for row in rows],
        "corners": len(facts.selection.corners) if facts is not None else None,
        "visits": len(facts.steps) if facts is not None else None,
        "budget": asdict(budget) if budget is not None else None,
    }


def _grouped(found: Sequence[Finding]) -> list[list[Finding]]:
    """Put findings together that say the same of several rails."""
    groups: dict[Finding, list[Finding]] = {}
    for item in found:
        groups.setdefault(replace(item, rail=""), []).append(item)
    return list(groups.values())


def _shortest(path: Path) -> Path:
    """Show a path from here where it lies below."""
    here = Path.cwd()
    return path.relative_to(here) if path.is_absolute() and path.is_relative_to(here) else path


def _verdict(found: Sequence[Finding]) -> str:
    counts = {severity: sum(item.severity == severity for item in found) for severity in _SHAPES}
    errors, warnings = counts["error"], counts["warning"]
    said = f"{errors} error{'' if errors == 1 else 's'}, {warnings} warning{'' if warnings == 1 else 's'}, "
    said += f"{counts['note']} note{'' if counts['note'] == 1 else 's'}"
    return f"{said}: {'a run would stop here' if errors else 'a run can start'}"


def _table(rows: Sequence[LevelRow], width: int) -> Iterator[str]:
    cells = [_cells(row) for row in rows]
    columns = list(range(len(_HEAD)))
    for name in _DISPENSABLE:
        if _width(cells, columns) > width:
            columns.remove(_HEAD.index(name))
    widths = {i: max(len(line[i]) for line in (_HEAD, *cells)) for i in columns}
    before = ""
    for line in (_HEAD, tuple("-" * widths.get(i, 0) for i in range(len(_HEAD))), *cells):
        # A rail is named once, at its first level.
        shown = ("" if line[0] == before else line[0], *line[1:])
        before = line[0]
        yield "  ".join(
            shown[i].rjust(widths[i]) if _HEAD[i] in _RIGHT else shown[i].ljust(widths[i]) for i in columns
        ).rstrip()


def _width(cells: Sequence[Sequence[str]], columns: Sequence[int]) -> int:
    return sum(max(len(line[i]) for line in (_HEAD, *cells)) + 2 for i in columns) - 2


def _cells(row: LevelRow) -> tuple[str, ...]:
    is_derived = row.word is None and row.decoded_v is not None
    return (
        one_line(row.rail),
        one_line(row.level),
        f"{row.target_v:.4f} V",
        "follows" if is_derived else "-" if row.word is None else f"0x{row.word:04X}",
        "-" if row.decoded_v is None else f"{row.decoded_v:.5f} V",
        "-" if row.error_v is None else f"{row.error_v * 1e3:+.3f} mV",
        "-" if row.error_share is None else f"{row.error_share * 100:.2f} %",
        f"{row.headroom_share * 100:.1f} %",
        f"{_VERDICT_SHAPES.get(row.verdict, '○')} {row.verdict}",
    )


def _wrapped(text: str, width: int, indent: str) -> list[str]:
    """Wrap a text, a number and its unit never parted."""
    joined = _NUMBER_AND_UNIT.sub("\\1\u00a0\\2", text)
    lines = textwrap.wrap(
        joined, width, initial_indent=indent, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False
    )
    return [line.replace("\u00a0", " ") for line in lines]
