"""What a bench file may say of a meter beyond the common fields: the keys of its ``settings``."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches

from cornerrun.errors import PlanError, UnitError
from cornerrun.plan.bench_file import Instrument, ReferenceChannel
from cornerrun.plan.model import Rail
from cornerrun.units import Kind, quantity, show

__all__ = ["MeterOptions", "meter_options", "probed_rail", "ranges_of", "reference_ranges"]

# The usual decades; from memory. An instrument takes the argument of CONFigure as the largest voltage to be expected
# and chooses its own range that holds it.
_DECADES_V = (0.1, 1.0, 10.0, 100.0, 1000.0)
_KEYS = ("rail", "ranges", "aperture", "set_up", "backend", "baud")


@dataclass(frozen=True, kw_only=True, slots=True)
class MeterOptions:
    """Settings of a meter, read.

    ``rail`` is the rail that a single probe is on. ``ranges_v`` are the instrument's ranges, rising.
    ``has_fixed_aperture`` says that it has but one, which the bench file states. ``set_up`` are messages of the
    maker's own, sent after the function has been configured.
    """

    rail: str | None
    ranges_v: tuple[float, ...]
    has_fixed_aperture: bool
    set_up: tuple[str, ...]


def meter_options(instrument: Instrument) -> MeterOptions:
    """Read the settings of a meter.

    ``rail: VDD_CORE``; ``ranges: 200 mV, 2 V, 20 V``; ``aperture: fixed``; ``set_up: INP:IMP:AUTO ON |
    CAL:ZERO:AUTO ON``. ``backend`` and ``baud`` are the link's.

    Raises:
        PlanError: a key is unknown, or a range is no voltage.

    """
    given = instrument.settings
    for key in given:
        if key not in _KEYS:
            near = get_close_matches(key, _KEYS, n=1)
            hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(_KEYS)}"
            raise PlanError(f"instruments.{instrument.name}.settings: unknown key {key!r}; {hint}")
    if given.get("aperture", "fixed") != "fixed":
        raise PlanError(
            f"instruments.{instrument.name}.settings.aperture: {given['aperture']!r} is unknown; write 'fixed', or "
            "leave it out and give `nplc`"
        )
    return MeterOptions(
        rail=given.get("rail"),
        ranges_v=_ranges(instrument.name, given["ranges"]) if "ranges" in given else _DECADES_V,
        has_fixed_aperture="aperture" in given,
        set_up=tuple(text.strip() for text in given.get("set_up", "").split("|") if text.strip()),
    )


def _ranges(name: str, text: str) -> tuple[float, ...]:
    try:
        ranges_v = tuple(sorted(quantity(part, Kind.VOLTAGE) for part in text.split(",")))
    except UnitError as error:
        raise PlanError(f"instruments.{name}.settings.ranges: {error}") from error
    if ranges_v[0] <= 0:
        raise PlanError(f"instruments.{name}.settings.ranges: a range is positive; write it like '200 mV, 2 V, 20 V'")
    return ranges_v


def probed_rail(instrument: Instrument, rails: Sequence[Rail]) -> str:
    """Tell which rail a single probe is on: the one that the settings name, or the only one.

    Raises:
        PlanError: nothing says which, or the plan has no such rail.

    """
    named = instrument.settings.get("rail")
    known = [rail.name for rail in rails]
    if named is None and len(known) == 1:
        return known[0]
    if named is None:
        raise PlanError(
            f"instruments.{instrument.name}: nothing says which rails it reaches; add `channels: {{{known[0]}: 101}}` "
            f"to the bench file, or `settings: {{rail: {known[0]}}}` to the instrument where one probe is on one rail"
        )
    if named not in known:
        near = ", ".join(known)
        raise PlanError(f"instruments.{instrument.name}.settings.rail: the plan has no rail {named!r}; it has {near}")
    return named


def ranges_of(instrument: Instrument, ranges_v: Sequence[float], rails: Sequence[Rail]) -> Mapping[str, float]:
    """Choose a fixed range for each rail: the smallest that holds all its hard limits, or the bench file's.

    Raises:
        PlanError: no range is large enough.

    """
    chosen: dict[str, float] = {}
    for rail in rails:
        largest_v = max(abs(rail.hard_limits.max_v), abs(rail.hard_limits.min_v))
        candidates = [instrument.range_v] if instrument.range_v is not None else ranges_v
        fitting = [range_v for range_v in candidates if range_v >= largest_v]
        if not fitting:
            raise PlanError(
                f"instruments.{instrument.name}: rail {rail.name} may show {show(largest_v, Kind.VOLTAGE)}, beyond the "
                f"range of {show(max(candidates), Kind.VOLTAGE)}; give it a larger `range`, or none"
            )
        chosen[rail.name] = fitting[0]
    return chosen


def reference_ranges(
    instrument: Instrument, ranges_v: Sequence[float], references: Mapping[str, ReferenceChannel]
) -> Mapping[str, float]:
    """Choose a fixed range for each reference: the smallest that holds its voltage and bounds, or the bench file's.

    Raises:
        PlanError: no range is large enough.

    """
    chosen: dict[str, float] = {}
    for name, reference in references.items():
        largest_v = abs(reference.value_v) + reference.within_v
        candidates = [instrument.range_v] if instrument.range_v is not None else ranges_v
        fitting = [range_v for range_v in candidates if range_v >= largest_v]
        if not fitting:
            raise PlanError(
                f"instruments.{instrument.name}.references: the {reference.name} may show "
                f"{show(largest_v, Kind.VOLTAGE)}, beyond the range of {show(max(candidates), Kind.VOLTAGE)}"
            )
        chosen[name] = fitting[0]
    return chosen
