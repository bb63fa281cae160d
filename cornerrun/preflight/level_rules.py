"""Levels against hard limits, against the device's own limits, and against the steps of its words."""

from collections.abc import Iterator

from cornerrun.plan.trim_levels import is_trim_level
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Subject
from cornerrun.preflight.levels import LevelRow, RailLevels
from cornerrun.preflight.places import level_subject
from cornerrun.preflight.reach import reach
from cornerrun.units import Kind, show

__all__ = ["hard_limits", "quantisation"]

_COARSE = 0.1  # chosen: a tenth of the margin lost to rounding is worth a word
_SLACK_V = 1e-9  # chosen: the rounding of a difference of two floats, far below any register's step


def hard_limits(facts: Facts) -> Iterator[Finding]:
    """Whether every level, as encoded, keeps inside the hard limits: off by the rail's accuracy, with ripple and steps.

    The guard of a run judges accuracy alone; the voltage that a load sees is judged here.
    """
    for found in facts.levels:
        limits = found.rail.hard_limits
        for row in found.rows:
            subject = level_subject(facts, "hard limits", found.rail, row.level)
            if row.verdict == "beyond hard limit":
                numbers = f"{row.level} at {_volts(row.setpoint_v)}{_encoded(row)}, off by "
                numbers += f"{show(found.rail.accuracy_ratio, Kind.RATIO)}, crosses the hard limits of "
                numbers += f"{_volts(limits.min_v)} to {_volts(limits.max_v)} by {_volts(-row.headroom_v)}"
                yield subject.error(numbers, "choose a smaller margin")
                continue
            for sign, limit_v in ((1, limits.max_v), (-1, limits.min_v)):
                worst = reach(found.rail, row.setpoint_v, sign)
                beyond_v = (worst.fast_v - limit_v) * sign
                if beyond_v > _SLACK_V:
                    numbers = f"{row.level} at {_volts(row.setpoint_v)}{_encoded(row)} may come to "
                    numbers += f"{_volts(worst.fast_v)} ({worst.parts}), beyond the hard limit of {_volts(limit_v)} by "
                    numbers += _volts(beyond_v)
                    yield subject.error(numbers, "choose a smaller margin, or calm the supply")


def quantisation(facts: Facts) -> Iterator[Finding]:
    """Whether the steps of the device's words leave the levels what they are meant to be."""
    unknown: dict[str, list[str]] = {}
    for found in facts.levels:
        if not found.rail.is_commanded:
            continue
        if found.page_format is None and found.rail.power is not None:
            unknown.setdefault(found.rail.power.device, []).append(found.rail.name)
        yield from _words(facts, found)
    for device, rails in unknown.items():
        numbers = f"codes of {len(rails)} rails of {device} are not known: nothing says its VOUT_MODE"
        subject = Subject(rule="quantisation", position=facts.position("devices", device))
        yield subject.note(numbers, "write 'vout_mode' at the device, or name a simulated bench")


def _words(facts: Facts, found: RailLevels) -> Iterator[Finding]:
    rail, seen = found.rail, dict[int, str]()
    for row in found.rows:
        if row.verdict == "not encodable":
            advice = "check 'vout_mode'; the device's words do not hold this voltage"
            yield level_subject(facts, "quantisation", rail, row.level).error(f"{row.level}: {row.why}", advice)
        if row.word is None or row.error_v is None:
            continue
        same = seen.setdefault(row.word, row.level)
        # In relative mode nominal is a voltage and the others are ratios: their words say nothing of each other.
        is_comparable = found.is_ratio(same) == found.is_ratio(row.level)
        # A setpoint of the characterisation may be a level that the rail has anyway: one voltage, named twice.
        is_twin = is_trim_level(row.level) and rail.levels[same] == rail.levels[row.level]
        if same != row.level and is_comparable and not is_twin:
            numbers = f"{row.level} and {same} have the same code, 0x{row.word:04X}"
            advice = "choose levels at least one step apart"
            yield level_subject(facts, "quantisation", rail, row.level).error(numbers, advice)
        elif row.error_share is not None and row.error_share > _COARSE:
            numbers = f"{row.level} at {_volts(row.target_v)} becomes {_volts(row.decoded_v or 0.0)}: rounding takes "
            numbers += f"{show(row.error_share, Kind.RATIO, digits=3)} of the margin"
            advice = "choose a level that is a whole number of steps, or a finer VOUT_MODE"
            yield level_subject(facts, "quantisation", rail, row.level).warning(numbers, advice)


def _encoded(row: LevelRow) -> str:
    return "" if row.word is None else f" (code 0x{row.word:04X})"


def _volts(value_v: float) -> str:
    return show(value_v, Kind.VOLTAGE)
