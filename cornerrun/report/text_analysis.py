"""What the text report says of culprits, of devices' telemetry, and of numbers near their limits."""

from collections.abc import Iterable
from textwrap import wrap

from cornerrun.report.analysis_nouns import CulpritSummary, RailTelemetry
from cornerrun.report.summary_model import NumberSummary, Summary
from cornerrun.report.text_table import one_line, plus_minus, table
from cornerrun.stats.interval import Interval
from cornerrun.units import Kind, show

__all__ = ["culprit_lines", "number_lines", "telemetry_lines"]

_WIDTH = 108
_SHORT = 5


def culprit_lines(summary: Summary, *, is_full: bool) -> list[str]:
    """Say, for each check that failed somewhere, who may be to blame, by what evidence, and what to run next."""
    lines: list[str] = []
    for item in summary.culprits:
        lines += ["", *_culprit(item, is_full=is_full)] if lines else _culprit(item, is_full=is_full)
    return lines


def _culprit(item: CulpritSummary, *, is_full: bool) -> list[str]:
    lines = [f"{item.what}: failed at {item.failing_corners} of {item.corners} corners"]
    for text in item.words:
        lines += wrap(one_line(text), _WIDTH - 2, initial_indent="- ", subsequent_indent="  ")
    if item.next_corner is not None and item.next_why:
        lines += wrap(
            one_line(f"run it next: {item.next_why}"), _WIDTH - 2, initial_indent="  ", subsequent_indent="  "
        )
    rows = [
        [_name(suspect.combination), f"{suspect.failing} of {suspect.failing_total}", "no"]
        for suspect in (item.suspects if is_full else item.suspects[:_SHORT])
    ]
    if rows and (is_full or item.suspects_total > 1):
        lines += table(["suspect", "in failing corners", "in a passing one"], rows, width=_WIDTH)
        if len(rows) < item.suspects_total:
            lines.append(f"and {item.suspects_total - len(rows)} more suspects")
    effects = [
        [
            f"{effect.rail} {effect.level}",
            f"{effect.failed_with} of {effect.n_with}",
            f"{effect.failed_without} of {effect.n_without}",
            _percent_points(effect.difference),
            f"{effect.holm:.2g}",
        ]
        for effect in item.effects
    ]
    if effects and is_full:
        header = ["rail at level", "failed with", "failed without", "difference (95 %)", f"p, for {len(item.effects)}"]
        lines += table(header, effects, width=_WIDTH)
    return lines


def _name(combination: Iterable[tuple[str, str]]) -> str:
    return " with ".join(f"{rail} {level}" for rail, level in combination)


def _percent_points(interval: Interval) -> str:
    return f"{interval.low * 100:+.0f} to {interval.high * 100:+.0f} %"


def telemetry_lines(summary: Summary, *, is_full: bool) -> list[str]:
    """List how well devices measure, by the meter: the worst rail of each, all rails in the full text."""
    rows = [
        _telemetry_row(device.device, rail)
        for device in summary.telemetry
        for rail in (device.rails if is_full else (device.worst,))
    ]
    if not rows:
        return []
    header = [
        "device",
        "rail",
        "n",
        "worst error (95 %)",
        "gain error (95 %)",
        "offset (95 %)",
        "plan says",
        "disputed",
    ]
    lines = table(header, rows, width=_WIDTH)
    others = sum(len(device.rails) - 1 for device in summary.telemetry)
    return lines if is_full or not others else [*lines, f"the worst rail of each device; {others} more measure better"]


def _telemetry_row(device: str, rail: RailTelemetry) -> list[str]:
    return [
        device,
        rail.rail,
        str(rail.n),
        _about(rail.worst_error, 100.0, "%"),
        "-" if rail.gain_error is None else _about(rail.gain_error, 100.0, "%"),
        "-" if rail.offset_v is None else _about(rail.offset_v, 1e3, "mV"),
        show(rail.accuracy_ratio, Kind.RATIO),
        str(rail.disputed),
    ]


def _about(interval: Interval, scale: float, unit: str) -> str:
    middle = interval.estimate if interval.estimate is not None else (interval.low + interval.high) / 2
    return plus_minus(middle, interval.half_width, scale=scale, unit=unit)


def number_lines(summary: Summary, *, is_full: bool) -> list[str]:
    """List the numbers of checks that come nearest to their limits."""
    # A count of errors that is always 0 stands at its limit of 0 and is not marginal.
    limited = [
        item for item in summary.numbers if item.distance is not None and (item.distance or item.least != item.greatest)
    ]
    shown = limited if is_full else limited[:_SHORT]
    if not shown:
        return []
    header = ["number", "check", "corner", "n", "worst", "limits", "distance", "sigma"]
    lines = table(header, [_number_row(item) for item in shown], width=_WIDTH)
    return lines if len(shown) == len(limited) else [*lines, f"and {len(limited) - len(shown)} more lie further away"]


def _number_row(item: NumberSummary) -> list[str]:
    low = "-" if item.limit_min is None else f"{item.limit_min:g}"
    high = "-" if item.limit_max is None else f"{item.limit_max:g}"
    # The end that lies nearer to its limit.
    worst = item.least
    if item.limit_max is not None and item.distance is not None and item.limit_max - item.greatest <= item.distance:
        worst = item.greatest
    return [
        item.number,
        item.check,
        item.corner,
        str(item.n),
        f"{worst:g}",
        f"{low} to {high}",
        "-" if item.distance is None else f"{item.distance:g}",
        "-" if item.distance_sigma is None else f"{item.distance_sigma:.1f}",
    ]
