"""The report as plain text for a terminal: no colour, so that it reads the same in a pipe, a mail or a log."""

from collections.abc import Iterable, Sequence
from textwrap import wrap

from cornerrun.report.summary_model import CheckCorner, CornerSummary, MetCombinations, Summary
from cornerrun.report.text_analysis import culprit_lines, number_lines, telemetry_lines
from cornerrun.report.text_conditions import condition_lines
from cornerrun.report.text_fault_trials import fault_trial_lines
from cornerrun.report.text_proof import configuration_lines, proof_lines
from cornerrun.report.text_rails import accuracy_lines, drift_lines, margin_lines, rail_lines
from cornerrun.report.text_table import one_line, percent, table
from cornerrun.results.records import Outcome
from cornerrun.units import Kind, show

__all__ = ["to_text"]

_WIDTH = 110


def to_text(summary: Summary, *, is_full: bool = False) -> str:
    """Write a summary as text: the answer first, then what limits it, then the numbers behind it.

    Only what a reader must act on is listed, worst first, and the count of the rest; ``is_full`` lists everything.
    """
    parts = [
        _head(summary),
        _section("Tested", _tested(summary)),
        _section("Failed", _failed(summary)),
        _section("Culprits", culprit_lines(summary, is_full=is_full)),
        _section("Checks: probability that a trial on this board passes", _checks(summary, is_full=is_full)),
        _section("Smallest distances to limits", margin_lines(summary, is_full=is_full)),
        _section("Smallest distances of checks' numbers to limits", number_lines(summary, is_full=is_full)),
        _section("Trim accuracy: reference reading less setpoint", accuracy_lines(summary, is_full=is_full)),
        _section("Telemetry: device reading less reference reading", telemetry_lines(summary, is_full=is_full)),
        _section("Control points", drift_lines(summary, is_full=is_full)),
        _section("Rails", rail_lines(summary) if is_full else []),
        _section("Corners", _corners(summary.corners) if is_full else []),
        _section("Conditions", condition_lines(summary, width=_WIDTH - 2, is_full=is_full)),
        _section("Wiring proof: each rail stepped alone", proof_lines(summary, width=_WIDTH - 2, is_full=is_full)),
        _section(
            "Provoked faults: which rails went down",
            fault_trial_lines(summary, width=_WIDTH - 2),
        ),
        _section("Configuration of the devices", configuration_lines(summary)),
        _section("Anomalies", _anomalies(summary, is_full=is_full)),
        _section("Not tested", _not_tested(summary, is_full=is_full)),
        _section("Cautions", _bullets(summary.cautions)),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _section(title: str, lines: Sequence[str]) -> str:
    return "\n".join([title, *(f"  {one_line(line)}".rstrip() for line in lines)]) if lines else ""


def _bullets(texts: Iterable[str]) -> list[str]:
    return [
        line for text in texts for line in wrap(one_line(text), _WIDTH - 4, initial_indent="- ", subsequent_indent="  ")
    ]


def _head(summary: Summary) -> str:
    header = summary.header
    kind = header.bench_kind.upper()
    lines = [
        *wrap(one_line(f"{summary.result.upper()}: {summary.why}"), _WIDTH, subsequent_indent="  "),
        f"Board left {summary.end_state_text}",
        *(
            line
            for override in summary.overrides
            for line in wrap(one_line(f"OVERRIDE: {override}"), _WIDTH, subsequent_indent="  ")
        ),
        "",
        f"{header.title}",
        f"board {header.board_name}, revision {header.board_revision}, serial {header.serial}",
        f"run {header.run_id} on {header.station}, {kind} bench, operator {header.operator or 'not named'}",
        f"started {header.started_utc:%Y-%m-%d %H:%M:%S} UTC"
        + (f", took {show(header.duration_s, Kind.TIME, digits=4)}" if header.duration_s is not None else ""),
    ]
    if summary.fault_trials:
        lines.append("faults were provoked in this run; see the cautions")
    if header.trail is not None:
        lines.append(f"audit trail {header.trail.links}:{header.trail.sha256}")
    return "\n".join(one_line(line) for line in lines)


def _tested(summary: Summary) -> list[str]:
    tally, cover = summary.tally, summary.coverage
    lines = [
        (
            f"{tally.corners_run} of {tally.corners_planned} corners, in {tally.done} of {tally.planned} planned "
            f"visits ({tally.control_points} control points)"
        ),
        (
            f"visits: {tally.passed} passed, {tally.failed} failed, {tally.in_trouble} in bench trouble, "
            f"{tally.skipped} skipped, {tally.void} void"
        ),
        (
            f"levels met {cover.levels_met} of {cover.levels_possible}; pairs of levels of two rails met "
            f"{cover.pairs_met} of {cover.pairs_possible}, high/low pairs {cover.high_low_pairs_met} of "
            f"{cover.high_low_pairs_possible}"
        ),
    ]
    if any(found.feasible for found in cover.combinations):
        lines.append(f"off nominal, of what the constraints leave: {', '.join(map(_met, cover.combinations))}")
    if tally.trials:
        lines.append(f"trials of checks: {tally.trials}, of which {tally.trial_failures} failed")
    return lines


def _met(found: MetCombinations) -> str:
    what = {1: "levels", 2: "pairs", 3: "triples"}[found.strength]
    return f"{what} {found.covered} of {found.feasible}"


def _failed(summary: Summary) -> list[str]:
    rows = [
        [corner.name, str(corner.outcome), f"{corner.passed_visits} of {corner.visits}", corner.reason]
        for corner in summary.corners
        if corner.outcome.is_product_failure or corner.outcome.is_bench_trouble
    ]
    return table(["corner", "outcome", "visits passed", "why"], rows, width=_WIDTH - 2) if rows else []


def _checks(summary: Summary, *, is_full: bool) -> list[str]:
    shown = [item for item in summary.checks if is_full or not item.decision.is_pass]
    shown.sort(key=lambda item: (item.pass_probability.estimate is None, item.pass_probability.estimate or 0.0))
    lines = []
    for total in summary.check_totals:
        decisions = ", ".join(f"{decision} at {count}" for decision, count in total.decisions.items()) or "never run"
        lines.append(
            f"{total.check}: {decisions} of {total.corners} corners; {total.failures} of {total.trials} trials failed"
            + (f", {total.no_verdict} gave no verdict" if total.no_verdict else "")
        )
    rows = [_check_row(item) for item in (shown if is_full else shown[:12])]
    if rows:
        lines += ["", *table(["check", "corner", "failed", "95 % interval", "decision"], rows, width=_WIDTH - 2)]
    if len(rows) < len(shown):
        lines.append(f"and {len(shown) - len(rows)} more that are not met")
    return lines


def _check_row(item: CheckCorner) -> list[str]:
    interval = item.pass_probability
    bounds = f"{percent(interval.low)} to {percent(interval.high)}" if item.trials else "not known"
    return [item.check, item.corner, f"{item.failures} of {item.trials}", bounds, str(item.decision)]


def _corners(corners: Sequence[CornerSummary]) -> list[str]:
    rows = [
        [
            corner.name,
            corner.scheme,
            str(corner.outcome),
            f"{corner.passed_visits} of {corner.visits}",
            "-" if corner.longest_settle_s is None else show(corner.longest_settle_s, Kind.TIME, digits=3),
        ]
        for corner in corners
    ]
    return table(["corner", "scheme", "outcome", "visits passed", "longest settle"], rows, width=_WIDTH - 2)


def _anomalies(summary: Summary, *, is_full: bool) -> list[str]:
    worth = [item for item in summary.anomalies if is_full or item.severity != "note"]
    texts = []
    for item in worth if is_full else worth[:15]:
        when = "over the run" if item.at_s is None else f"at {item.at_s:.3f} s"
        where = ", ".join(part for part in (item.corner, item.rail) if part)
        texts.append(f"{item.severity} {when}{f' ({where})' if where else ''}: {item.kind}: {item.text}")
    if len(texts) < len(worth):
        texts.append(f"and {len(worth) - len(texts)} more")
    return _bullets(texts)


def _not_tested(summary: Summary, *, is_full: bool) -> list[str]:
    items = summary.not_tested if is_full else summary.not_tested[:10]
    texts = [f"{item.what} {item.name}: {item.reason}" for item in items]
    skipped = sum(corner.outcomes.get(Outcome.SKIPPED, 0) for corner in summary.corners)
    if skipped:
        texts.append(f"{skipped} visits were skipped")
    if len(items) < len(summary.not_tested):
        texts.append(f"and {len(summary.not_tested) - len(items)} more")
    return _bullets(texts)
