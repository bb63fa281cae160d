"""Move rails in bursts, and wait for each burst to settle while every rail is watched."""

from collections.abc import Iterable, Mapping, Sequence
from types import MappingProxyType

from cornerrun.bench.ports import RailPower
from cornerrun.clock import Clock
from cornerrun.corners.model import RailLevel
from cornerrun.plan.model import NOMINAL, Plan, Rail
from cornerrun.run.journal import Journal
from cornerrun.run.progress import SettleProgress
from cornerrun.run.settling import Detector, SettleResult, State
from cornerrun.run.supervisor import Supervisor

__all__ = ["Mover"]

_GRAIN_S = 1e-9  # chosen: the rounding of sums of times


class Mover:
    """Know the level of every rail, move rails, and tell how each got there.

    ``levels`` holds commanded rails and those that track them; one whose move failed is taken out, since nobody knows
    where it is. Rails that hardware makes follow a moved rail settle with it where they have telemetry. ``conditions``
    tells the level that each condition is at, at any time.
    """

    def __init__(
        self,
        *,
        plan: Plan,
        power: RailPower,
        supervisor: Supervisor,
        clock: Clock,
        journal: Journal,
        conditions: Mapping[str, str] = MappingProxyType({}),
    ) -> None:
        self._conditions = conditions
        self._power = power
        self._supervisor = supervisor
        self._clock = clock
        self._journal = journal
        self._rails = {rail.name: rail for rail in plan.rails}
        self._followers: dict[str, list[str]] = {}
        for rail in plan.rails:
            if rail.tracks is not None:
                self._followers.setdefault(rail.tracks.rail, []).append(rail.name)
        self._pace_s = 0.0
        self.levels: dict[str, str] = dict.fromkeys((rail.name for rail in plan.rails if rail.is_moved), NOMINAL)

    def off_nominal(self) -> int:
        """Count the rails that are held away from nominal, or lost."""
        return sum(1 for rail in self._rails.values() if rail.is_moved and self.levels.get(rail.name) != NOMINAL)

    def with_followers(self, rails: Iterable[str]) -> tuple[str, ...]:
        """Add to rails those that hardware makes follow them, directly or through others."""
        found = dict.fromkeys(rails)
        waiting = list(found)
        while waiting:
            for follower in self._followers.get(waiting.pop(), ()):
                if follower not in found:
                    found[follower] = None
                    waiting.append(follower)
        return tuple(found)

    def move(self, burst: Sequence[RailLevel]) -> None:
        """Command one burst."""
        targets = {item.rail: item.level for item in burst}
        moved = {rail: self._level_of(rail, targets) for rail in self.with_followers(targets)}
        for rail in moved:
            self.levels.pop(rail, None)
        self._power.move(burst)
        self.levels.update(moved)

    def settle(self, rails: Iterable[str]) -> Mapping[str, SettleResult]:
        """Wait until each of the rails that have telemetry has settled at its level, or has timed out."""
        commanded_at_s = self._clock.now_s()
        detectors = {
            rail: self._detector(self._rails[rail], commanded_at_s) for rail in rails if rail in self._power.scan_s
        }
        waiting = dict(detectors)
        while waiting:
            self._feed(waiting)
            done = [rail for rail, detector in waiting.items() if detector.state is not State.WAITING]
            for rail in done:
                del waiting[rail]
            if done:
                self._journal.tell(SettleProgress(settled=len(detectors) - len(waiting), moved=len(detectors)))
        return {rail: self._result(rail, detector) for rail, detector in detectors.items()}

    def settle_at_nominal(self) -> tuple[SettleResult, ...]:
        """Take every rail as commanded to nominal just now, and see each that ever moves settle there."""
        self.levels = dict.fromkeys((rail.name for rail in self._rails.values() if rail.is_moved), NOMINAL)
        return tuple(self.settle(self.levels).values())

    def target_v(self, rail: str) -> float:
        """The voltage that a rail should have at the level it is held at; nominal if that is unknown."""
        found = self._rails[rail]
        return found.levels.get(self.levels.get(rail, NOMINAL), found.nominal_v)

    def _level_of(self, rail: str, targets: Mapping[str, str]) -> str:
        tracks = self._rails[rail].tracks
        if rail in targets or tracks is None:
            return targets[rail]
        return self._level_of(tracks.rail, targets)

    def _detector(self, rail: Rail, commanded_at_s: float) -> Detector:
        target_v = self.target_v(rail.name)
        settle = rail.settle_in(self._conditions)
        return Detector(
            target_v=target_v,
            band_v=settle.band_ratio * abs(target_v),
            stable_for_s=settle.stable_for_s,
            timeout_s=settle.timeout_s,
            scan_s=self._power.scan_s[rail.name],
            commanded_at_s=commanded_at_s,
        )

    def _feed(self, waiting: Mapping[str, Detector]) -> None:
        """Wait for the next conversion that counts, read, and feed the detectors.

        Rails that will be due by the time that the bus gets to them are read in the same go: they were read one after
        the other before, so they come due one after the other as well.
        """
        due = sorted((detector.next_at(), rail) for rail, detector in waiting.items())
        self._supervisor.wait_until(due[0][0])
        at_s = self._clock.now_s() + _GRAIN_S
        batch: list[str] = []
        for next_s, rail in due:
            last = self._supervisor.last(rail)
            if last is not None and last.read_at_s >= next_s:
                # The watch has just read it.
                waiting[rail].feed(last.read_at_s, last.voltage_v)
            elif next_s <= at_s + len(batch) * self._pace_s:
                batch.append(rail)
        if not batch:
            return
        readings = self._supervisor.read(batch)
        for reading in readings:
            waiting[reading.rail].feed(reading.read_at_s, reading.voltage_v)
        if len(readings) > 1:
            self._pace_s = (readings[-1].read_at_s - readings[0].read_at_s) / (len(readings) - 1)

    def _result(self, rail: str, detector: Detector) -> SettleResult:
        return SettleResult(
            rail=rail,
            target_v=self.target_v(rail),
            state=detector.state,
            settle_s=detector.settle_s,
            mean_v=detector.mean_v,
            samples=detector.samples,
            is_stable_elsewhere=detector.is_stable_elsewhere(),
            trace=detector.trace,
        )
