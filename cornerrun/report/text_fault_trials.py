"""What came of provoked faults, as plain text."""

from cornerrun.report.summary_model import Summary
from cornerrun.report.text_table import table
from cornerrun.results.fault_trial import FaultTrial, RailResponse
from cornerrun.units import Kind, show

__all__ = ["cell", "fault_trial_lines"]


def fault_trial_lines(summary: Summary, *, width: int) -> list[str]:
    """Write the matrix: a row a provoked fault, what every rail did, and below it the differences from the plan."""
    if not summary.fault_trials:
        return []
    rows = [
        [f"{trial.rail}, {trial.fault}", _result(trial), _within(trial), ", ".join(_cells(trial)) or "nothing"]
        for trial in summary.fault_trials
    ]
    lines = table(["fault of", "result", "asked", "went down after"], rows, width=width)
    for trial in summary.fault_trials:
        if trial.refused:
            lines.append(f"! {trial.rail}: {trial.refused}")
        lines += [f"! fault of {trial.rail}: {trouble}" for trouble in trial.troubles]
    return lines


def cell(item: RailResponse) -> str:
    """Say what one rail did: "12 ms", "12 ms, on again after 110 ms", or nothing where it stayed on."""
    if item.went_down_s is None:
        return ""
    back = "" if item.came_back_s is None else f", on again after {_time(item.came_back_s)}"
    return f"{_time(item.went_down_s)}{back}"


def _cells(trial: FaultTrial) -> list[str]:
    return [f"{item.rail} {cell(item)}" for item in trial.rails if item.went_down_s is not None]


def _result(trial: FaultTrial) -> str:
    if trial.refused:
        return "not provoked"
    return "as planned" if trial.is_as_planned else "DIFFERS"


def _within(trial: FaultTrial) -> str:
    must = ", ".join(item.rail for item in trial.rails if item.must_go_down)
    return f"{must or trial.rail} within {_time(trial.within_s)}, {trial.then}"


def _time(time_s: float) -> str:
    return show(time_s, Kind.TIME, digits=3)
