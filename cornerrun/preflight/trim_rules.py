"""Whether a device can move its output as far, and as finely, as the margins ask."""

from collections.abc import Iterator

from cornerrun.plan.model import NOMINAL
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding
from cornerrun.preflight.places import level_subject, rail_subject
from cornerrun.units import Kind, show

__all__ = ["authority"]

_COARSE = 0.1  # chosen: a tenth of the margin, as for the steps of a word


def authority(facts: Facts) -> Iterator[Finding]:
    """Whether |level - nominal| <= reach (1 - tolerance), and the trim's steps are finer than the settling band."""
    for found in facts.levels:
        rail, trim = found.rail, found.rail.supply.trim
        if not rail.is_commanded:
            continue
        nominal_v = found.row(NOMINAL).setpoint_v
        for row in found.rows:
            move_v = abs(row.setpoint_v - nominal_v)
            subject = level_subject(facts, "trim authority", rail, row.level)
            if trim.reach_v is not None and move_v > trim.reach_v * (1.0 - trim.tolerance_ratio) + 1e-12:
                sure_v = trim.reach_v * (1.0 - trim.tolerance_ratio)
                numbers = f"{row.level} asks for a move of {_volts(move_v)}, and the trim is sure to reach "
                numbers += f"{_volts(sure_v)} ({_volts(trim.reach_v)} less {show(trim.tolerance_ratio, Kind.RATIO)}): "
                numbers += "its converter would stand at its end and the rail would never settle"
                yield subject.error(numbers, "choose a smaller margin, or widen the trim's range in hardware")
            elif trim.step_v is not None and 0 < move_v * _COARSE < trim.step_v / 2:
                numbers = f"{row.level} is {_volts(move_v)} away, and one step of the trim is {_volts(trim.step_v)}: "
                numbers += f"its rounding may take {show(trim.step_v / 2 / move_v, Kind.RATIO, digits=3)} of the margin"
                yield subject.warning(numbers, "choose levels that are many steps away, or a finer trim")
        band_v = rail.settle.band_ratio * min(row.target_v for row in found.rows)
        if trim.step_v is not None and trim.step_v / 2 >= band_v:
            numbers = f"one step of the trim is {_volts(trim.step_v)}, and the band only {_volts(band_v)} to each side"
            advice = "widen the band: the rail may never settle"
            yield rail_subject(facts, "trim authority", rail, "settle", "band").error(numbers, advice)


def _volts(value_v: float) -> str:
    return show(value_v, Kind.VOLTAGE)
