"""Which readings of a run say something of a rail's trim, and from which side each setpoint was reached."""

from array import array
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress
from typing import Any, Literal, cast

from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.plan.trim_levels import is_trim_level
from cornerrun.results.packed import Packer, fields_of
from cornerrun.results.records import Outcome, Visit, VisitRecord

__all__ = ["Direction", "TrimReading", "TrimReadings", "trim_readings"]

Direction = Literal["up", "down"]

# What is no settled reading, or one that two instruments contradict, says nothing of the trim.
_USABLE = {Outcome.PASS, Outcome.FAIL_VOLTAGE, Outcome.FAIL_FUNCTIONAL}
_TOLD = ("level", "target_v", "setpoint_v", "reference_v", "reference_range_v", "outcome")


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimReading:
    """One reading of the meter at a setpoint; ``direction`` is None where nobody knows from where it was reached."""

    at_s: float
    level: str
    target_v: float
    setpoint_v: float
    reference_v: float
    direction: Direction | None


@dataclass(frozen=True, kw_only=True, slots=True)
class TrimReadings:
    """The readings that count, in order of time.

    ``left_out`` holds the ordinals of visits whose reading of the meter does not count, ``excluded`` tells how many of
    these cannot be used. ``is_characterised``: those that count are of the plan's characterisation, whose order keeps
    drift apart from level; ``others`` tells how many usable ones at other corners do not count therefore. ``range_v``
    is the largest range of the meter; 0 where no driver told it.
    """

    readings: Sequence[TrimReading]
    excluded: int
    others: int
    is_characterised: bool
    left_out: frozenset[int] = frozenset()
    range_v: float = 0.0


def trim_readings(plan: Plan, visits: Sequence[VisitRecord], kept: frozenset[int]) -> dict[str, TrimReadings]:
    """Choose the readings of every rail, by name; ``kept`` holds the ordinals of the visits that are not void."""
    choosers = {rail.name: _Chooser(rail) for rail in plan.rails}
    for place, record in enumerate(visits):
        is_kept = record.visit.ordinal in kept
        for rail, *told in fields_of(record.readings, "rail", *_TOLD):
            if rail in choosers:
                choosers[rail].take(place, record.visit, told, is_kept=is_kept)
    # One after the other is let go, so that what was gathered is not held twice.
    return {rail.name: choosers.pop(rail.name).chosen(visits) for rail in plan.rails}


class _Chooser:
    """Chooses among the readings of one rail, given in order of time."""

    def __init__(self, rail: Rail) -> None:
        self._rail = rail
        # Usable readings, field by field: of a million of them nothing else fits.
        self._places, self._ordinals = array("q"), array("q")
        self._at_s, self._target_v, self._setpoint_v = array("d"), array("d"), array("d")
        self._reference_v, self._range_v = array("d"), array("d")
        self._levels: list[str] = []
        self._directions: list[Direction | None] = []
        self._swept: set[int] = set()
        self._unusable: set[int] = set()
        self._excluded = 0
        self._last_v: float | None = None
        self._direction: Direction | None = None

    # Any: each field as a reading has it.
    def take(self, place: int, visit: Visit, told: Sequence[Any], *, is_kept: bool) -> None:
        """Take what the rail's reading of a visit, which stands at a place among all, told: the fields in `_TOLD`."""
        level, target_v, setpoint_v, reference_v, range_v, outcome = told
        if is_trim_level(level):
            self._swept.add(place)
        if setpoint_v:
            self._direction = _side(self._rail, level, setpoint_v, self._last_v, self._direction)
            self._last_v = setpoint_v
        if reference_v is None:
            return
        if not is_kept or outcome not in _USABLE or not setpoint_v:
            self._unusable.add(visit.ordinal)
            self._excluded += 1
            return
        self._places.append(place)
        self._ordinals.append(visit.ordinal)
        self._at_s.append(visit.start_s)
        self._levels.append(level)
        self._target_v.append(target_v)
        self._setpoint_v.append(setpoint_v)
        self._reference_v.append(reference_v)
        self._range_v.append(range_v or 0.0)
        self._directions.append(self._direction)

    def chosen(self, visits: Sequence[VisitRecord]) -> TrimReadings:
        """Choose: those of the characterisation alone where there are any."""
        inside = self._inside(visits)
        picked = [place in inside for place in self._places]
        is_characterised = any(picked)
        if not is_characterised:
            picked = [True] * len(picked)
        columns = (
            self._at_s,
            self._levels,
            self._target_v,
            self._setpoint_v,
            self._reference_v,
            self._directions,
        )
        others = {ordinal for ordinal, is_picked in zip(self._ordinals, picked, strict=True) if not is_picked}
        return TrimReadings(
            readings=Packer(TrimReading, alike=("target_v", "setpoint_v")).packed(
                [list(compress(cast("Sequence[object]", column), picked)) for column in columns]
            ),
            excluded=self._excluded,
            others=picked.count(False),
            is_characterised=is_characterised,
            left_out=frozenset(self._unusable | others),
            range_v=max(compress(self._range_v, picked), default=0.0),
        )

    def _inside(self, visits: Sequence[VisitRecord]) -> set[int]:
        """Find the places of the rail's own setpoints, and of nominal between two of them."""
        swept, last = self._swept, len(visits) - 1
        if not swept:
            return set()
        between = {
            place
            for place, record in enumerate(visits)
            if record.visit.is_control and 0 < place < last and place - 1 in swept and place + 1 in swept
        }
        return swept | between


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
