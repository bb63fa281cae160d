"""What the text report says of rails: margins, accuracy, drift."""

from cornerrun.report.rail_nouns import Margin, TrimSummary
from cornerrun.report.summary_model import Summary
from cornerrun.report.text_table import percent, plus_minus, table
from cornerrun.stats.interval import Interval
from cornerrun.units import Kind, show

__all__ = ["accuracy_lines", "drift_lines", "margin_lines", "rail_lines"]

_WIDTH = 108
_SHORT = 8


def margin_lines(summary: Summary, *, is_full: bool) -> list[str]:
    """List the smallest distance of a measured voltage to a limit, worst first."""
    shown = summary.margins if is_full else summary.margins[:_SHORT]
    if not shown:
        return ["no settled voltage was measured"]
    header = ["rail", "limit", "corner", "measured", "distance", "of target", "sigma", "by"]
    lines = table(header, [_margin_row(item) for item in shown], width=_WIDTH)
    if len(shown) < len(summary.margins):
        lines.append(f"and {len(summary.margins) - len(shown)} more that lie further from their limits")
    return lines


def _margin_row(item: Margin) -> list[str]:
    distance = show(item.distance_v, Kind.VOLTAGE, digits=4)
    if item.expanded_v is not None:
        distance = plus_minus(item.distance_v, item.expanded_v, scale=1e3, unit="mV")
    return [
        item.rail,
        f"{item.limit}, {item.side}",
        item.corner,
        show(item.measured_v, Kind.VOLTAGE, digits=6),
        distance,
        percent(item.distance_ratio),
        "-" if item.distance_sigma is None else _sigma(item.distance_sigma),
        item.measured_by,
    ]


def _sigma(distance: float) -> str:
    return f"{distance:.1f}" if abs(distance) < 100 else f"{distance:.0f}"


def accuracy_lines(summary: Summary, *, is_full: bool) -> list[str]:
    """List trim accuracy with its expanded uncertainty; rails that are never commanded only in the full text."""
    items = [item for item in summary.trim if is_full or item.status != "not commanded"]
    if not items:
        return []
    shown = items
    if not is_full:
        # What is not shown to meet its claim always stands; of the others as many as fit, the least accurate first.
        doubtful = [item for item in items if item.claim not in ("met", "no claim")]
        settled = sorted((item for item in items if item not in doubtful), key=_inaccuracy, reverse=True)
        shown = doubtful + settled[: max(0, _SHORT - len(doubtful))]
    header = ["rail", "n", "worst error (95 %)", "gain error (95 %)", "offset (95 %)", "repeatability", "claim", "is"]
    lines = table(header, [_accuracy_row(item) for item in shown], width=_WIDTH)
    if len(shown) < len(items):
        lines.append(f"and {len(items) - len(shown)} more that are more accurate")
    return lines


def _inaccuracy(item: TrimSummary) -> float:
    worst = item.worst_error
    return abs(worst.estimate) if worst is not None and worst.estimate is not None else 0.0


def _accuracy_row(item: TrimSummary) -> list[str]:
    if item.status != "measured":
        return [item.rail, str(item.n), item.status, "-", "-", "-", _claim(item), item.claim]
    return [
        item.rail,
        str(item.n),
        _share(item.worst_error),
        _share(item.gain_error),
        "-" if item.offset_v is None else _about(item.offset_v, 1e3, "mV"),
        "-"
        if item.repeatability_v is None or item.repeatability_v.estimate is None
        else show(item.repeatability_v.estimate, Kind.VOLTAGE, digits=3),
        _claim(item),
        item.claim,
    ]


def _claim(item: TrimSummary) -> str:
    return "-" if item.claim_ratio is None else show(item.claim_ratio, Kind.RATIO, digits=3)


def _share(interval: Interval | None) -> str:
    return "-" if interval is None else _about(interval, 100.0, "%")


def _about(interval: Interval, scale: float, unit: str) -> str:
    middle = interval.estimate if interval.estimate is not None else (interval.low + interval.high) / 2
    return plus_minus(middle, interval.half_width, scale=scale, unit=unit)


def drift_lines(summary: Summary, *, is_full: bool) -> list[str]:
    """List how far nominal moved over the run, the furthest first."""
    moved = sorted((item for item in summary.drift if item.n > 1), key=lambda item: -abs(item.largest_ratio))
    rows = [
        [
            item.rail,
            item.corner,
            str(item.n),
            show(item.largest_ratio, Kind.RATIO, digits=3),
            "not set" if item.limit_ratio is None else show(item.limit_ratio, Kind.RATIO, digits=3),
            "OUT" if item.is_out else "in",
            item.measured_by,
        ]
        for item in (moved if is_full else moved[:3])
    ]
    if not rows:
        return []
    return table(["rail", "corner", "n", "largest drift", "limit", "is", "by"], rows, width=_WIDTH)


def rail_lines(summary: Summary) -> list[str]:
    """List each rail: how it settled, what the supervisor saw, how its device measures."""
    rows = [
        [
            item.rail,
            show(item.nominal_v, Kind.VOLTAGE),
            f"{item.visits}",
            f"{item.moves}",
            "-" if item.longest_settle_s is None else show(item.longest_settle_s, Kind.TIME, digits=3),
            _seen(item.least_seen_v, item.greatest_seen_v),
            "-" if item.telemetry_error_v is None else _about(item.telemetry_error_v, 1e3, "mV"),
            f"{item.telemetry_error_n}",
        ]
        for item in summary.rails
    ]
    header = ["rail", "nominal", "visits", "moves", "longest settle", "seen", "telemetry error (95 %)", "n"]
    return table(header, rows, width=_WIDTH)


def _seen(least_v: float | None, greatest_v: float | None) -> str:
    if least_v is None or greatest_v is None:
        return "-"
    return f"{show(least_v, Kind.VOLTAGE)} to {show(greatest_v, Kind.VOLTAGE)}"
