"""Which readings of a run say something of a rail's trim, and from which side each setpoint was reached."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.plan.trim_levels import is_trim_level
from cornerrun.results.records import Outcome, Reading, VisitRecord

__all__ = ["Direction", "TrimReading", "TrimReadings", "rail_trim_readings", "readings_of", "trim_readings"]

Direction = Literal["up", "down"]

# What is no settled reading, or one that two instruments contradict, says nothing of the trim.
_USABLE = {Outcome.PASS, Outcome.FAIL_VOLTAGE, Outcome.FAIL_FUNCTIONAL}


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimReading:
    """One reading of the meter at a setpoint; ``direction`` is None where nobody knows from where it was reached."""

    reading: Reading
    at_s: float
    setpoint_v: float
    reference_v: float
    direction: Direction | None


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimReadings:
    """The readings that count, in order of time. ``excluded`` counts those that cannot be used.

    ``is_characterised``: they are those of the plan's characterisation, whose order keeps drift apart from level;
    ``others`` counts usable readings at other corners, which then do not count.
    """

    readings: tuple[TrimReading, ...]
    excluded: int
    others: int
    is_characterised: bool


def trim_readings(plan: Plan, visits: Sequence[VisitRecord], kept: frozenset[int]) -> dict[str, TrimReadings]:
    """Choose the readings of every rail, by name; ``kept`` holds the ordinals of the visits that are not void."""
    return {rail.name: rail_trim_readings(rail, visits, kept) for rail in plan.rails}


def rail_trim_readings(rail: Rail, visits: Sequence[VisitRecord], kept: frozenset[int]) -> TrimReadings:
    """Choose the readings of one rail; ``kept`` holds the ordinals of the visits that are not void."""
    found: list[TrimReading] = []
    excluded = 0
    inside = _characterised(rail.name, visits)
    chosen: list[bool] = []
    last_v: float | None = None
    side: Direction | None = None
    for place, reading in readings_of(rail.name, visits):
        record = visits[place]
        setpoint_v = reading.setpoint_v
        if setpoint_v:
            side = _side(rail, reading.level, setpoint_v, last_v, side)
            last_v = setpoint_v
        if reading.reference_v is None:
            continue
        if record.visit.ordinal not in kept or reading.outcome not in _USABLE or not setpoint_v:
            excluded += 1
            continue
        found.append(
            TrimReading(
                reading=reading,
                at_s=record.visit.start_s,
                setpoint_v=setpoint_v,
                reference_v=reading.reference_v,
                direction=side,
            )
        )
        chosen.append(place in inside)
    if not any(chosen):
        return TrimReadings(readings=tuple(found), excluded=excluded, others=0, is_characterised=False)
    own = tuple(item for item, is_chosen in zip(found, chosen, strict=True) if is_chosen)
    return TrimReadings(readings=own, excluded=excluded, others=len(found) - len(own), is_characterised=True)


def _side(rail: Rail, level: str, setpoint_v: float, last_v: float | None, side: Direction | None) -> Direction | None:
    """Tell from which side a setpoint was reached.

    Margin registers are loaded at nominal only, so a level is reached from nominal, or from the other side of it:
    above nominal always from below. Only nominal is reached from both; a rail that stays there keeps its side.
    """
    if level != NOMINAL:
        return "up" if rail.levels.get(level, setpoint_v) > rail.nominal_v else "down"
    if last_v is None or last_v == setpoint_v:
        return side
    return "up" if last_v < setpoint_v else "down"


def _characterised(rail: str, visits: Sequence[VisitRecord]) -> frozenset[int]:
    """Find the places of the rail's own setpoints, and of nominal between two of them."""
    is_swept = [False] * len(visits)
    for place, reading in readings_of(rail, visits):
        is_swept[place] = is_trim_level(reading.level)
    if not any(is_swept):
        return frozenset()
    last = len(visits) - 1
    between = {
        place
        for place, record in enumerate(visits)
        if record.visit.is_control and 0 < place < last and is_swept[place - 1] and is_swept[place + 1]
    }
    return frozenset(between | {place for place, own in enumerate(is_swept) if own})


def readings_of(rail: str, visits: Sequence[VisitRecord]) -> Iterator[tuple[int, Reading]]:
    """Find the reading of a rail in every visit that has one, with the place of the visit."""
    hint = 0
    for place, record in enumerate(visits):
        readings = record.readings
        # Visits read their rails in one order: looking there first spares a search through all of them.
        if hint >= len(readings) or readings[hint].rail != rail:
            found = next((index for index, item in enumerate(readings) if item.rail == rail), None)
            if found is None:
                continue
            hint = found
        yield place, readings[hint]
