"""Where a voltage that is known at every instant passes a level: looked for between landmarks, then halved."""

from collections.abc import Callable, Sequence

__all__ = ["first_crossing_s"]

_HALVINGS = 50  # a float's resolution of any interval between landmarks


def first_crossing_s(
    voltage_v: Callable[[float], float], level_v: float, marks_s: Sequence[float], *, is_rising: bool
) -> float | None:
    """Tell when the voltage is first past ``level_v``, coming from the other side; None if it is not up to the end.

    ``marks_s`` are times in order, from where the search begins; between two of them the voltage should run one way.
    """
    sign = 1.0 if is_rising else -1.0
    before_s, before = marks_s[0], sign * (voltage_v(marks_s[0]) - level_v)
    for after_s in marks_s[1:]:
        after = sign * (voltage_v(after_s) - level_v)
        if before <= 0.0 < after:
            return _halved(voltage_v, level_v, sign, before_s, after_s)
        before_s, before = after_s, after
    return None


def _halved(voltage_v: Callable[[float], float], level_v: float, sign: float, before_s: float, after_s: float) -> float:
    for _ in range(_HALVINGS):
        middle_s = 0.5 * (before_s + after_s)
        if not before_s < middle_s < after_s:
            break
        if sign * (voltage_v(middle_s) - level_v) > 0.0:
            after_s = middle_s
        else:
            before_s = middle_s
    return after_s
