"""Measure every rail once a visit: by its own device and by the reference meter."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

from cornerrun.bench.abilities import WaitsForAPerson
from cornerrun.bench.ports import MeterReading, RailPower, Telemetry, Voltmeter
from cornerrun.clock import Clock
from cornerrun.plan.model import Plan, Rail
from cornerrun.run.journal import Journal
from cornerrun.run.sequence import Trouble
from cornerrun.run.supervisor import Mean, Supervisor
from cornerrun.run.trouble import Alarmed
from cornerrun.units import Kind, show

__all__ = ["Measured", "Measurer"]

_PERSON_S = 0.2  # chosen: between two looks whether a person has answered; the rails are watched meanwhile


@dataclass(frozen=True, kw_only=True, slots=True)
class Measured:
    """What was measured at a visit, by rail; a rail that nothing measures is in none of these.

    ``means`` are of every reading taken while the meter worked, so that both saw the same time; ``telemetry`` is the
    sweep that read everything else too.
    """

    telemetry: Mapping[str, Telemetry]
    means: Mapping[str, Mean]
    references: Mapping[str, MeterReading]


class Measurer:
    """Take one sweep of telemetry while the meter works through its channels."""

    def __init__(
        self,
        *,
        plan: Plan,
        power: RailPower,
        meter: Voltmeter | None,
        supervisor: Supervisor,
        clock: Clock,
        journal: Journal,
        conditions: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        self._conditions = conditions
        self._scan_s = power.scan_s
        self._meter = meter
        self._rails = {rail.name: rail for rail in plan.rails}
        self._reached = meter.rails if meter is not None else ()
        self._supervisor = supervisor
        self._clock = clock
        self._journal = journal

    def measure(self, *, followers: Mapping[str, float], settled_by_s: float, sweeps: int = 1) -> Measured:
        """Measure every rail.

        ``followers`` are rails that moved and have no telemetry, with their targets: nobody could tell when they had
        settled, so one outside its band is measured again until ``settled_by_s``. Where there is no meter, ``sweeps``
        readings of each rail, conversions apart, are taken.

        Raises Alarmed if the meter, twice, sees a rail beyond its hard limits.
        """
        done_s = self._meter.start(self._reached) if self._meter is not None and self._reached else None
        rails = self._supervisor.rails
        telemetry = {reading.rail: reading for reading in self._supervisor.read(rails, with_load=True)}
        for _ in range(sweeps - 1 if done_s is None and rails else 0):
            self._supervisor.wait_until(self._clock.now_s() + max(self._scan_s.values()))
            self._supervisor.read(rails)
        references = self._proven(self._fetch(done_s))
        while late := [rail for rail, target_v in followers.items() if self._is_late(references.get(rail), target_v)]:
            if self._clock.now_s() >= settled_by_s:
                break
            references |= self._again(late)
        means = {rail: mean for rail in rails if (mean := self._supervisor.mean(rail)) is not None}
        return Measured(telemetry=telemetry, means=means, references=references)

    def _fetch(self, done_s: float | None) -> dict[str, MeterReading]:
        if self._meter is None or done_s is None:
            return {}
        self._supervisor.wait_until(done_s)
        while isinstance(self._meter, WaitsForAPerson) and not self._meter.is_ready():
            self._supervisor.wait_until(self._clock.now_s() + _PERSON_S)
        return {reading.rail: reading for reading in self._meter.fetch()}

    def _again(self, rails: Sequence[str]) -> dict[str, MeterReading]:
        if self._meter is None:
            return {}
        return self._proven(self._fetch(self._meter.start(rails)))

    def _is_late(self, reference: MeterReading | None, target_v: float) -> bool:
        if reference is None:
            return False
        band_v = self._rails[reference.rail].settle_in(self._conditions).band_ratio * abs(target_v)
        return abs(reference.reading_v - target_v) > band_v

    def _proven(self, references: dict[str, MeterReading]) -> dict[str, MeterReading]:
        """Measure again what lies beyond a hard limit; one wild reading is no voltage, and is not kept."""
        outside = [name for name, reading in references.items() if _is_beyond(self._rails[name], reading)]
        if self._meter is None or not outside:
            return references
        # A rail that fell because a device shut down is found as a trip first.
        self._supervisor.read(self._supervisor.rails)
        again = self._fetch(self._meter.start(outside))
        still = [reading for reading in again.values() if _is_beyond(self._rails[reading.rail], reading)]
        if still:
            raise Alarmed(
                Trouble.HARD_LIMIT,
                "; ".join(_say(self._rails[reading.rail], reading) for reading in still),
                tuple(reading.rail for reading in still),
            )
        for name in outside:
            self._journal.note("warning", f"did not repeat: {_say(self._rails[name], references[name])}", name)
        return references | again


def _is_beyond(rail: Rail, reading: MeterReading) -> bool:
    return not rail.hard_limits.min_v <= reading.reading_v <= rail.hard_limits.max_v


def _say(rail: Rail, reading: MeterReading) -> str:
    limits = rail.hard_limits
    return (
        f"{rail.name} reads {show(reading.reading_v, Kind.VOLTAGE)} on the reference meter, hard limits "
        f"{show(limits.min_v, Kind.VOLTAGE)} to {show(limits.max_v, Kind.VOLTAGE)}"
    )
