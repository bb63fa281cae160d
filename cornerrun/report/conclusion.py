"""What a run allows to be said, and how sure its numbers are: the words that a reviewer signs."""

from cornerrun.plan.model import Demonstrate, Plan
from cornerrun.report.summary_checks import criterion_text
from cornerrun.report.summary_model import Summary
from cornerrun.results.records import RunResult
from cornerrun.units import Kind, show

__all__ = ["conclusion", "uncertainty_statement"]

_SAID = {
    RunResult.PASS: "met every criterion of the plan",
    RunResult.FAIL: "did not meet the criteria of the plan",
    RunResult.INCONCLUSIVE: "neither met nor failed the criteria of the plan: questions stay open",
    RunResult.INCOMPLETE: "was not tested as the plan asks: the run is incomplete",
    RunResult.INVALID: "was not shown to do anything: the run is invalid",
}


def conclusion(summary: Summary, plan: Plan) -> tuple[str, ...]:
    """Say what was shown, of what, within which range; and what was not."""
    header, tally, coverage = summary.header, summary.tally, summary.coverage
    said = [
        (
            f"Board {header.serial}, {header.board_name} revision {header.board_revision}, {_SAID[summary.result]}: "
            f"{summary.why}."
        ),
        (
            f"This holds for {tally.corners_run} of the {tally.corners_planned} corners that the plan asks for, at the "
            f"levels {_levels(plan)}, with {coverage.pairs_met} of {coverage.pairs_possible} pairs of levels of two "
            "rails met together. It says nothing of levels, combinations, conditions and times beyond these."
        ),
    ]
    if plan.conditions:
        told = [f"{item.name} at {', '.join(item.levels)}" for item in plan.conditions]
        said.append(f"Conditions: {'; '.join(told)}.")
    if summary.not_tested:
        said.append(f"{len(summary.not_tested)} things were asked for and not tested; they are listed below.")
    said.append("One board was tested: nothing is said of the share of boards that pass.")
    if header.is_simulated:
        said.append("The bench was SIMULATED: nothing is said of any real board.")
    if summary.attempts:
        said.append(
            f"This plan was run on this board {len(summary.attempts)} times before; those runs count as attempts."
        )
    return tuple(said)


def uncertainty_statement(summary: Summary, plan: Plan) -> tuple[str, ...]:
    """Say how intervals and uncertainties were found."""
    criterion = plan.criteria.checks
    said = [
        (
            "Intervals of the probability that a trial passes are exact (Clopper-Pearson), two-sided at 95 %, of "
            "trials on this board at this corner."
        ),
        f"Checks that name no criterion of their own: {criterion_text(criterion)}"
        + (", by the one-sided bound." if isinstance(criterion, Demonstrate) else "."),
        (
            "Trim errors are reference readings less set-points as decoded from the device's words. Expanded "
            "uncertainties are at 95 %, by the effective degrees of freedom (JCGM 100:2008, annex G): scatter of "
            "repeated readings and the meter's specification, whose error does not average out."
        ),
    ]
    for item in summary.instruments:
        record = item.record
        if record.reading_ratio is None:
            said.append(f"{record.name} ({record.identity}): no specification is stated, so no claim can be met by it.")
            continue
        limits = f"{show(record.reading_ratio, Kind.RATIO)} of reading"
        if record.range_ratio is not None:
            limits += f" + {show(record.range_ratio, Kind.RATIO)} of range"
        meant = f"coverage factor {record.coverage:g}" if record.coverage else "limits of a rectangular distribution"
        said.append(f"{record.name} ({record.identity}): {limits}, {meant}; calibration {item.calibration}.")
    if not summary.instruments:
        said.append("No reference meter: voltages are the devices' own telemetry, and accuracy is not measured.")
    if plan.criteria.trim_claim_ratio is not None:
        said.append(
            f"The claim of {show(plan.criteria.trim_claim_ratio, Kind.RATIO)} is met only where the error and its "
            "expanded uncertainty together stay within it at every set-point."
        )
    return tuple(said)


def _levels(plan: Plan) -> str:
    names = dict.fromkeys(level for rail in plan.rails for level in rail.levels)
    return ", ".join(names)
