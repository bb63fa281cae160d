"""Levels against hard limits, against the device's own limits, and against the steps of its words."""

from collections.abc import Iterator, Mapping

from cornerrun.plan.model import NOMINAL, Rail
from cornerrun.plan.trim_levels import is_trim_level
from cornerrun.preflight.facts import Facts
from cornerrun.preflight.finding import Finding, Severity, Subject
from cornerrun.preflight.levels import LevelRow, RailLevels
from cornerrun.units import Kind, show

__all__ = ["device_limits", "hard_limits", "quantisation"]

_COARSE = 0.1  # chosen: a tenth of the margin lost to rounding is worth a word
_Sides = Mapping[str, tuple[Severity, str]]
_HIGH_SIDE: _Sides = {
    "vout_max": ("error", "the device would clamp there, in silence"),
    "ov_fault": ("error", "the device would shut the rail down"),
    "ov_warn": ("warning", "the device would warn"),
}
_LOW_SIDE: _Sides = {
    "vout_min": ("error", "the device would clamp there, in silence"),
    "uv_fault": ("error", "the device would shut the rail down"),
    "uv_warn": ("warning", "the device would warn"),
    "power_good_off": ("warning", "power good would go away, and whatever waits for it"),
}


def hard_limits(facts: Facts) -> Iterator[Finding]:
    """Whether every level, as encoded and off by the rail's accuracy, keeps inside the hard limits."""
    for found in facts.levels:
        for row in found.rows:
            if row.verdict == "beyond hard limit":
                limits = found.rail.hard_limits
                numbers = f"{row.level} at {_volts(row.setpoint_v)}{_encoded(row)}, off by "
                numbers += f"{show(found.rail.accuracy_ratio, Kind.RATIO)}, crosses the hard limits of "
                numbers += f"{_volts(limits.min_v)} to {_volts(limits.max_v)} by {_volts(-row.headroom_v)}"
                yield _subject(facts, "hard limits", found.rail, row.level).error(numbers, "choose a smaller margin")


def quantisation(facts: Facts) -> Iterator[Finding]:
    """Whether the steps of the device's words leave the levels what they are meant to be."""
    unknown: dict[str, list[str]] = {}
    for found in facts.levels:
        if not found.rail.is_commanded:
            continue
        if found.mode is None and found.rail.power is not None:
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
            yield _subject(facts, "quantisation", rail, row.level).error(f"{row.level}: {row.why}", advice)
        if row.word is None or row.error_v is None:
            continue
        same = seen.setdefault(row.word, row.level)
        # In relative mode nominal is a voltage and the others are ratios: their words say nothing of each other.
        is_comparable = found.mode is None or not found.mode.is_relative or NOMINAL not in (same, row.level)
        # A setpoint of the characterisation may well be a level that the rail has anyway: the same voltage, twice named.
        is_twin = is_trim_level(row.level) and rail.levels[same] == rail.levels[row.level]
        if same != row.level and is_comparable and not is_twin:
            numbers = f"{row.level} and {same} have the same code, 0x{row.word:04X}"
            advice = "choose levels at least one step apart"
            yield _subject(facts, "quantisation", rail, row.level).error(numbers, advice)
        elif row.error_share is not None and row.error_share > _COARSE:
            numbers = f"{row.level} at {_volts(row.target_v)} becomes {_volts(row.decoded_v or 0.0)}: rounding takes "
            numbers += f"{show(row.error_share, Kind.RATIO, digits=3)} of the margin"
            advice = "choose a level that is a whole number of steps, or a finer VOUT_MODE"
            yield _subject(facts, "quantisation", rail, row.level).warning(numbers, advice)


def device_limits(facts: Facts) -> Iterator[Finding]:
    """Whether a level comes to a limit that the device keeps, as far as the plan states them."""
    for found in facts.levels:
        rail = found.rail
        for row in found.rows:
            for sides, sign in ((_HIGH_SIDE, 1.0), (_LOW_SIDE, -1.0)):
                reached_v = row.setpoint_v * (1.0 + sign * rail.accuracy_ratio)
                hit = next((n for n in sides if n in rail.device_limits and _is_at(reached_v, n, sign, rail)), None)
                if hit is None:
                    continue
                severity, consequence = sides[hit]
                numbers = f"{row.level}, off by its accuracy, comes to {_volts(reached_v)}, and {hit} is "
                numbers += f"{_volts(rail.device_limits[hit])}: {consequence}"
                advice = f"move {row.level} or {hit}"
                yield _subject(facts, "device limits", rail, row.level).finding(severity, numbers, advice)


def _is_at(reached_v: float, name: str, sign: float, rail: Rail) -> bool:
    return (reached_v - rail.device_limits[name]) * sign >= 0


def _encoded(row: LevelRow) -> str:
    return "" if row.word is None else f" (code 0x{row.word:04X})"


def _volts(value_v: float) -> str:
    return show(value_v, Kind.VOLTAGE)


def _subject(facts: Facts, rule: str, rail: Rail, level: str) -> Subject:
    field = "nominal" if level == NOMINAL else "margin" if level in ("high", "low") else "levels"
    return Subject(rule=rule, rail=rail.name, position=facts.position("rails", rail.name, field, level))
