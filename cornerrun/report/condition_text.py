"""What was set besides rails, in the words and units of a person: a chamber's ramp in kelvins a minute."""

from cornerrun.report.summary_conditions import ConditionStep, ConditionSummary
from cornerrun.units import Kind, kind_of, show

__all__ = ["CHANGE_HEADS", "KEPT_HEADS", "amount", "change_row", "kept_row"]

KEPT_HEADS = ("Condition", "Visits", "Farthest", "Changes", "Took", "Ramp asked", "Steepest", "Board off", "Left at")
CHANGE_HEADS = ("At", "Condition", "To", "Came from", "Reached", "Took", "Steepest", "Board", "Its sensor")


def kept_row(one: ConditionSummary) -> tuple[str, ...]:
    """Say how near a condition was kept, and what its changes took; a cell for each of `KEPT_HEADS`."""
    return (
        one.name,
        str(one.visits),
        _difference(one.farthest, one.unit),
        str(one.changes),
        show(one.changing_s, Kind.TIME, digits=3),
        _rate(one.ramp_per_s, one.unit),
        _rate(one.steepest_per_s, one.unit),
        show(one.off_s, Kind.TIME, digits=3) if one.off_s else "-",
        amount(one.left_at, one.unit),
    )


def change_row(step: ConditionStep) -> tuple[str, ...]:
    """Say how a change went; a cell for each of `CHANGE_HEADS`."""
    change = step.change
    return (
        f"{change.started_s:.1f} s",
        change.condition,
        f"{change.level or 'rest'} ({amount(change.target, change.unit)})",
        amount(change.came_from, change.unit),
        amount(change.reading, change.unit),
        show(change.took_s, Kind.TIME, digits=3),
        _rate(change.steepest_per_s, change.unit),
        "on" if change.is_board_on else "off",
        "-" if change.sensed is None else f"{change.sensed:.4g} degC ({change.sensor})",
    )


def amount(value: float | None, unit: str, *, digits: int = 4) -> str:
    """Write a value; a dash where there is none."""
    kind = kind_of(unit)
    if value is None:
        return "-"
    return f"{value:.{digits}g}" if kind is None else show(value, kind, digits=digits)


def _difference(value: float | None, unit: str) -> str:
    """Write a difference with its sign; a dash where there is none."""
    if value is None:
        return "-"
    if kind_of(unit) is Kind.TEMPERATURE:
        return f"{value:+.3g} K"
    text = amount(value, unit, digits=3)
    return text if value < 0 else f"+{text}"


def _rate(per_s: float | None, unit: str) -> str:
    """Write a speed: kelvins a minute, or units a second; a dash where there is none."""
    if per_s is None:
        return "-"
    if kind_of(unit) is Kind.TEMPERATURE:
        return f"{per_s * 60:.3g} K/min"
    return f"{amount(per_s, unit, digits=3)}/s"
