"""Hold nominal until the board is warm: until what is measured there has stopped drifting."""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

from cornerrun.clock import Clock
from cornerrun.plan.trim_model import WarmUp
from cornerrun.run.journal import Journal
from cornerrun.run.measuring import Measurer
from cornerrun.run.supervisor import Supervisor
from cornerrun.units import Kind, show

__all__ = ["Drift", "DriftWatch", "Warming"]

_READINGS = 8  # chosen: a slope through so many is told from their noise well enough


@dataclass(frozen=True, kw_only=True, slots=True)
class Drift:
    """The rail that drifts most, and by how much over the time asked for, as a signed share of its voltage."""

    rail: str
    ratio: float


class DriftWatch:
    """Tell the drift of rails from readings: the slope of a line through the last ``over_s`` of them."""

    def __init__(self, *, over_s: float) -> None:
        self._over_s = over_s
        self._readings: deque[tuple[float, Mapping[str, float]]] = deque()

    def feed(self, at_s: float, voltages_v: Mapping[str, float]) -> Drift | None:
        """Take readings of one time; tell the largest drift, or None while they do not span the time asked for."""
        self._readings.append((at_s, voltages_v))
        while len(self._readings) > 2 and at_s - self._readings[1][0] >= self._over_s * (1 - 1e-9):
            self._readings.popleft()
        if at_s - self._readings[0][0] < self._over_s * (1 - 1e-9) or len(self._readings) < 3:
            return None
        times = [time_s for time_s, _ in self._readings]
        rails = [rail for rail in voltages_v if all(voltages.get(rail) for _, voltages in self._readings)]
        drifts = [Drift(rail=rail, ratio=self._ratio(times, rail)) for rail in rails]
        return max(drifts, key=lambda drift: abs(drift.ratio), default=None)

    def _ratio(self, times: list[float], rail: str) -> float:
        voltages = [reading[rail] for _, reading in self._readings]
        middle_s, middle_v = sum(times) / len(times), sum(voltages) / len(voltages)
        rise = sum((t - middle_s) * (v - middle_v) for t, v in zip(times, voltages, strict=True))
        slope_v_per_s = rise / sum((t - middle_s) ** 2 for t in times)
        return slope_v_per_s * self._over_s / abs(middle_v)


class Warming:
    """Measure nominal again and again until it drifts no more than the plan allows, or the plan's time is up."""

    def __init__(
        self, *, warm_up: WarmUp, measurer: Measurer, supervisor: Supervisor, clock: Clock, journal: Journal
    ) -> None:
        self._warm_up = warm_up
        self._measurer = measurer
        self._supervisor = supervisor
        self._clock = clock
        self._journal = journal

    def wait(self) -> None:
        """Wait, the rails watched. What came of it becomes an event; running out of time does not end the run."""
        asked, started_s = self._warm_up, self._clock.now_s()
        watch, drift = DriftWatch(over_s=asked.over_s), None
        while True:
            voltages = self._voltages()
            if not voltages:
                self._journal.note("warning", "nothing measures nominal: whether the board is warm cannot be told")
                return
            drift = watch.feed(self._clock.now_s(), voltages) or drift
            took_s = self._clock.now_s() - started_s
            said = self._say(drift)
            if drift is not None and abs(drift.ratio) <= asked.drift_ratio:
                self._journal.note("note", f"warm after {show(took_s, Kind.TIME, digits=3)} at nominal: {said}")
                return
            if took_s >= asked.timeout_s:
                self._journal.note("warning", f"not warm after {show(took_s, Kind.TIME, digits=3)} at nominal: {said}")
                return
            self._supervisor.wait_until(self._clock.now_s() + asked.over_s / (_READINGS - 1))

    def _voltages(self) -> Mapping[str, float]:
        measured = self._measurer.measure(followers={}, settled_by_s=self._clock.now_s())
        voltages = {rail: mean.mean_v for rail, mean in measured.means.items()}
        return voltages | {rail: reading.reading_v for rail, reading in measured.references.items()}

    def _say(self, drift: Drift | None) -> str:
        if drift is None:
            return "too few readings to tell its drift"
        over, allowed = show(self._warm_up.over_s, Kind.TIME), show(self._warm_up.drift_ratio, Kind.RATIO)
        moved = show(drift.ratio, Kind.RATIO, digits=2)
        return f"{drift.rail} drifts most, by {moved} in {over}, {allowed} is allowed"
