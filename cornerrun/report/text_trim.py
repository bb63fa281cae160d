"""Trim accuracy as text: one statement a rail, then what it stands on, then boards together."""

from collections.abc import Iterable

from cornerrun.report.rail_nouns import TrimSummary
from cornerrun.report.text_table import one_line, plus_minus, table
from cornerrun.report.trim_table import PooledRail, RunTrim, TrimTable
from cornerrun.stats.interval import Interval
from cornerrun.units import Kind, show

__all__ = ["to_text"]

_WIDTH = 118


def to_text(trim: TrimTable, *, is_full: bool = False) -> str:
    """Write runs one after the other, then what their boards show together; ``is_full`` adds setpoints and budgets."""
    parts = [_run(run, is_full=is_full) for run in trim.runs]
    if trim.pooled:
        parts.append(_pooled(trim, is_full=is_full))
    elif len(trim.runs) > 1 and trim.boards == 1:
        parts.append("All runs are of one board: they say nothing of other boards.")
    return "\n\n".join(parts) + "\n"


def _run(run: RunTrim, *, is_full: bool) -> str:
    lines = [
        one_line(f"{run.title}: board {run.serial}, run {run.run_id}, {run.started_utc:%Y-%m-%d %H:%M} UTC")
        + (", SIMULATED bench" if run.bench_kind == "simulated" else ""),
        "",
    ]
    measured = [item for item in run.trim if item.worst_error is not None]
    if not measured:
        return "\n".join([*lines, "Trim accuracy was not measured: no reference meter read a rail that is moved."])
    lines += [one_line(_statement(item)) for item in measured]
    lines += ["", *table(_HEAD, [_row(item) for item in measured], width=_WIDTH)]
    lines += ["", *table(_PARTS, [_parts(run, item) for item in measured], width=_WIDTH)]
    lines += ["", *_notes(run)]
    if is_full:
        for item in measured:
            lines += ["", *_setpoints(item)]
    return "\n".join(lines).rstrip()


def _statement(item: TrimSummary) -> str:
    factor = "" if item.coverage_factor is None else f" (95 %, k = {item.coverage_factor:.2f})"
    where = "" if item.worst_setpoint_v is None else f" at {show(item.worst_setpoint_v, Kind.VOLTAGE, digits=5)}"
    said = f"{item.rail}: {_share(item.worst_error)}{factor}{where}"
    if item.claim_ratio is None or item.claim == "no claim":
        return f"{said}; no accuracy is claimed"
    claim = show(item.claim_ratio, Kind.RATIO, digits=3)
    if item.claim_probability is None:
        return f"{said}; {claim} is {item.claim}: {item.claim_why}"
    verb = "meets" if item.claim == "met" else "does not meet"
    probability = item.claim_probability if item.claim == "met" else 1 - item.claim_probability
    return f"{said}, {verb} {claim} with probability {_probability(probability)}"


def _probability(probability: float) -> str:
    return "above 0.9999" if probability > 0.9999 else f"{probability:.4f}"


_HEAD = ["rail", "from", "to", "points", "n", "gain error (95 %)", "offset (95 %)", "worst error (95 %)", "claim", "is"]


def _row(item: TrimSummary) -> list[str]:
    return [
        item.rail,
        "-" if item.lowest_v is None else show(item.lowest_v, Kind.VOLTAGE, digits=5),
        "-" if item.highest_v is None else show(item.highest_v, Kind.VOLTAGE, digits=5),
        str(item.setpoints),
        str(item.n),
        _share(item.gain_error),
        _volts(item.offset_v),
        _share(item.worst_error),
        "-" if item.claim_ratio is None else show(item.claim_ratio, Kind.RATIO, digits=3),
        item.claim,
    ]


_PARTS = [
    "rail",
    "non-linearity",
    "lack of fit p",
    "hysteresis",
    "repeatability",
    "drift of nominal",
    "register step",
    "telemetry error",
]


def _parts(run: RunTrim, item: TrimSummary) -> list[str]:
    telemetry = next((rail for rail in run.telemetry if rail.rail == item.rail), None)
    return [
        item.rail,
        _range(item.nonlinearity_v),
        "-" if item.lack_of_fit_p is None else f"{item.lack_of_fit_p:.2g}",
        _volts(item.hysteresis_v),
        _range(item.repeatability_v),
        _volts(item.drift_v),
        "-" if item.step_v is None else show(item.step_v, Kind.VOLTAGE, digits=3),
        "-" if telemetry is None else _share(telemetry.worst_error),
    ]


def _notes(run: RunTrim) -> Iterable[str]:
    characterised = [item for item in run.trim if item.is_characterised]
    if characterised:
        others = max(item.others for item in characterised)
        apart = f"; readings at other corners ({others}) do not count" if others else ""
        yield f"Readings of the characterisation: passes up and down keep a steady drift out of gain{apart}."
    else:
        yield "No characterisation in this plan (`trim:`): readings of all corners count, in the order of the run."
    yield "Trim error is reference reading less setpoint, the volts that the register holds: its step is told apart."
    yield "Non-linearity is from the least squares line. Drift of nominal is told, never subtracted."
    declared = dict.fromkeys(name for item in run.trim for name in item.declared)
    if declared:
        yield one_line(f"Declared in the plan and counted in: {', '.join(declared)}.")
    if any(item.status == "measured" and item.meter_limit_v is None for item in run.trim):
        yield "The bench file states no uncertainty of the meter: the intervals hold scatter alone."


def _setpoints(item: TrimSummary) -> list[str]:
    rows = [
        [
            level.level,
            show(level.setpoint_v, Kind.VOLTAGE, digits=6),
            str(level.n),
            plus_minus(level.mean_error_v, level.expanded_v, scale=1e3, unit="mV"),
            plus_minus(level.mean_error_ratio, level.expanded_ratio, scale=100, unit="%"),
        ]
        for level in sorted(item.levels, key=lambda level: level.setpoint_v)
    ]
    budget = ", ".join(
        f"{row.name} {show(row.standard_v, Kind.VOLTAGE, digits=3)}"
        + ("" if row.degrees_of_freedom is None else f" ({row.degrees_of_freedom:g} degrees of freedom)")
        for row in item.budget
    )
    header = [f"{item.rail} at", "setpoint", "n", "error (95 %)", "of setpoint"]
    return [*table(header, rows, width=_WIDTH), one_line(f"standard uncertainties at the worst: {budget}")]


def _pooled(trim: TrimTable, *, is_full: bool) -> str:
    share = f"{trim.coverage * 100:g} % of boards with {trim.confidence * 100:g} % confidence"
    lines = [f"{trim.boards} boards together; the limits hold {share}, the meter's uncertainty included", ""]
    rows = [
        _pooled_row(rail, place)
        for rail in trim.pooled
        for place in (range(len(rail.levels)) if is_full else (rail.levels.index(rail.worst),))
    ]
    header = ["rail", "boards", "worst level", "mean", "least", "greatest", "limits for boards", "by", "claim", "is"]
    lines += table(header, rows, width=_WIDTH)
    lines += ["", *(one_line(f"{rail.rail}: {rail.claim}: {rail.claim_why}") for rail in trim.pooled)]
    return "\n".join(lines)


def _pooled_row(rail: PooledRail, place: int) -> list[str]:
    level = rail.levels[place]
    limits = "-"
    if level.low is not None and level.high is not None:
        limits = f"{level.low * 100:+.4f} to {level.high * 100:+.4f} %"
    return [
        rail.rail,
        str(level.boards),
        level.level,
        f"{level.mean * 100:+.4f} %",
        f"{level.least * 100:+.4f} %",
        f"{level.greatest * 100:+.4f} %",
        limits,
        "-" if level.tolerance is None else level.tolerance.method,
        "-" if rail.claim_ratio is None else show(rail.claim_ratio, Kind.RATIO, digits=3),
        rail.claim,
    ]


def _share(interval: Interval | None) -> str:
    return "-" if interval is None else _about(interval, 100.0, "%")


def _volts(interval: Interval | None) -> str:
    return "-" if interval is None else _about(interval, 1e3, "mV")


def _about(interval: Interval, scale: float, unit: str) -> str:
    middle = interval.estimate if interval.estimate is not None else (interval.low + interval.high) / 2
    return plus_minus(middle, interval.half_width, scale=scale, unit=unit)


def _range(interval: Interval | None) -> str:
    """Write what is not signed with its bounds: 2.1 (1.5 to 3.2) µV."""
    if interval is None or interval.estimate is None:
        return "-"
    return f"{interval.estimate * 1e6:.3g} ({interval.low * 1e6:.3g} to {interval.high * 1e6:.3g}) µV"
