"""`cornerrun run --dry`: every step and every message of a run, from paper."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

from cornerrun.errors import PlanError
from cornerrun.report.text_table import one_line

if TYPE_CHECKING:
    from cornerrun.corners.model import Step
    from cornerrun.plan.bench_file import BenchFile
    from cornerrun.plan.model import Plan
    from cornerrun.preflight.paper.letters import Letter, Section

__all__ = ["dry_json", "dry_lines", "rehearsed"]


def rehearsed(plan: "Plan", bench_file: "BenchFile", steps: "Sequence[Step]") -> "tuple[Section, ...]":
    """Perform steps on paper and tell what would be sent. PlanError if they cannot be performed even there."""
    from cornerrun.preflight.facts import gather
    from cornerrun.preflight.paper.letters import Letters
    from cornerrun.preflight.paper.rehearsal import rehearse

    letters = Letters()
    rehearsal = rehearse(replace(gather(plan, bench_file, None), steps=tuple(steps)), letters)
    if rehearsal is None:
        raise PlanError("bench and plan do not fit each other: `cornerrun preflight` says how")
    if rehearsal.trouble:
        raise PlanError(f"the run does not come to its end on paper: {rehearsal.trouble}")
    return letters.whole()


def dry_lines(plan: "Plan", sections: "Sequence[Section]") -> Iterator[str]:
    """Write one line a message, repeated stretches folded."""
    from cornerrun.preflight.paper.letters import folded

    total = sum(len(section.letters) for section in sections)
    steps = sum(section.step is not None for section in sections)
    yield one_line(f"{plan.title}: {steps} steps, {total} messages, nothing was touched. Times are the estimate's.")
    for section in sections:
        yield ""
        yield section.title + _moves(section)
        for times, stretch in folded(section.letters):
            yield from (f"  {_line(letter)}" for letter in stretch)
            if times > 1:
                count = "message above" if len(stretch) == 1 else f"{len(stretch)} messages above"
                yield f"  {'':>10}  (the {count} {times - 1} times more)"


def dry_json(sections: "Sequence[Section]") -> list[dict[str, object]]:
    """Spell everything out, nothing folded."""
    return [
        {
            "title": section.title,
            "visit": section.step.ordinal if section.step is not None else None,
            "corner": section.step.corner.name if section.step is not None else None,
            "moves": [{item.rail: item.level for item in burst} for burst in section.step.moves]
            if section.step is not None
            else [],
            "messages": [
                {
                    "at_s": letter.at_s,
                    "to": letter.to,
                    "kind": letter.kind,
                    "page": letter.page,
                    "what": letter.what,
                    "data": letter.data,
                }
                for letter in section.letters
            ],
        }
        for section in sections
    ]


def _moves(section: "Section") -> str:
    if section.step is None or not section.step.moves:
        return ""
    bursts = (", ".join(f"{item.rail} {item.level}" for item in burst) for burst in section.step.moves)
    return f" (moves {'; then '.join(bursts)})"


def _line(letter: "Letter") -> str:
    page = f" page {letter.page}" if letter.page is not None else ""
    what = f"{letter.kind} {letter.what}" if letter.kind in {"read", "write"} else letter.what
    return f"{letter.at_s:>10.4f}  {letter.to}{page}: {what}" + (f" = {letter.data}" if letter.data else "")
