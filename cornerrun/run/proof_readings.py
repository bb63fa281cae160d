"""What every rail reads, by its device and by the meter, while nobody knows yet whether the meter is wired right."""

from collections.abc import Mapping
from dataclasses import dataclass

from cornerrun.bench.ports import Voltmeter
from cornerrun.clock import Clock
from cornerrun.errors import InstrumentError
from cornerrun.run.supervisor import Supervisor

__all__ = ["ProofReadings", "Seen"]

_SWEEPS = 3  # chosen: the mean of so many conversions stands against noise


@dataclass(frozen=True, kw_only=True, slots=True)
class Seen:
    """Voltages by rail: the mean of a few conversions of its own device, and the reading of the meter."""

    telemetry_v: Mapping[str, float]
    reference_v: Mapping[str, float]


class ProofReadings:
    """Measure all rails. ``unreadable`` says why the meter gives no reading of a rail; those are then left alone.

    A reading of the meter beyond a hard limit powers nothing down here: until the proof has passed, it may be that of
    another rail. Each device's own readings are watched as ever.
    """

    def __init__(
        self, *, meter: Voltmeter | None, scan_s: Mapping[str, float], supervisor: Supervisor, clock: Clock
    ) -> None:
        self._meter = meter
        self._scan_s = max(scan_s.values(), default=0.0)
        self._supervisor = supervisor
        self._clock = clock
        self.unreadable: dict[str, str] = {}

    def measure(self) -> Seen:
        """Measure every rail. Raises what the supervisor raises."""
        self._supervisor.begin("proof")
        references = self._references()
        rails = self._supervisor.rails
        self._supervisor.read(rails)
        for _ in range(_SWEEPS - 1 if rails else 0):
            self._supervisor.wait_until(self._clock.now_s() + self._scan_s)
            self._supervisor.read(rails)
        telemetry = {rail: mean.mean_v for rail in rails if (mean := self._supervisor.mean(rail)) is not None}
        self._supervisor.take_ranges()
        return Seen(telemetry_v=telemetry, reference_v=references)

    def _references(self) -> Mapping[str, float]:
        if self._meter is None:
            return {}
        rails = [rail for rail in self._meter.rails if rail not in self.unreadable]
        if not rails:
            return {}
        try:
            return self._fetch(self._meter, rails)
        except InstrumentError:
            return self._one_by_one(self._meter, rails)

    def _one_by_one(self, meter: Voltmeter, rails: list[str]) -> Mapping[str, float]:
        found: dict[str, float] = {}
        for rail in rails:
            try:
                found |= self._fetch(meter, [rail])
            except InstrumentError as error:
                self.unreadable[rail] = str(error)
        if not found:
            raise InstrumentError(f"the meter reads no rail at all: {next(iter(self.unreadable.values()))}")
        return found

    def _fetch(self, meter: Voltmeter, rails: list[str]) -> dict[str, float]:
        self._supervisor.wait_until(meter.start(rails))
        return {reading.rail: reading.reading_v for reading in meter.fetch()}
