"""Turn a board off and on again, in the plan's order, and wait until it is ready; as often as the plan allows."""

from collections.abc import Callable, Sequence

from cornerrun.bench.ports import FaultCapture, InputPower, RailPower, SafeReturn
from cornerrun.clock import Clock
from cornerrun.errors import CornerrunError, UnsafeState
from cornerrun.plan.model import Plan
from cornerrun.plan.power_up import PowerUp
from cornerrun.run.journal import Journal
from cornerrun.run.readiness import Readiness
from cornerrun.run.supervisor import Supervisor
from cornerrun.units import Kind, show

__all__ = ["NotReady", "PowerCycling"]

_LOOK_S = 0.2  # chosen: between two looks whether a board is ready
_RISE_LOOK_S = 0.01  # chosen: between two looks whether a rail is up


class NotReady(CornerrunError):
    """Say that a board did not become ready, however often it was turned off and on; it is at nominal all the same."""


class PowerCycling:
    """Power-cycle a board whose evidence is kept. ``used`` counts the cycles of a run.

    While rails are off or rise, that is no alarm; everything else is watched as ever. Where the input power is cut the
    devices are gone for a while: nothing can be watched then, and they are connected anew.
    """

    def __init__(
        self,
        *,
        plan: Plan,
        power_up: PowerUp,
        power: RailPower,
        safety: SafeReturn,
        faults: FaultCapture,
        supervisor: Supervisor,
        readiness: Readiness | None,
        input_power: InputPower | None,
        clock: Clock,
        journal: Journal,
    ) -> None:
        self._rails = {rail.name: rail for rail in plan.rails}
        self._power_up = power_up
        self._power = power
        self._safety = safety
        self._faults = faults
        self._supervisor = supervisor
        self._readiness = readiness
        self._input_power = input_power
        self._clock = clock
        self._journal = journal
        self.used = 0

    @property
    def is_left(self) -> bool:
        """Whether the plan allows another cycle."""
        return self.used < self._power_up.cycles

    def bring_up(self, verify: Callable[[], None]) -> None:
        """Cycle the board until it is ready; ``verify`` brings its rails to nominal and sees them there.

        Raises:
            NotReady: no cycle is left. The rails are where they were, or at nominal.
            UnsafeState: a rail did not go off or come up. What the supervisor and ``verify`` raise.

        """
        while self.is_left:
            self.used += 1
            which = f"power cycle {self.used} of {self._power_up.cycles}"
            began_s = self._clock.now_s()
            self._cycle()
            verify()
            if self.is_ready():
                took = show(self._clock.now_s() - began_s, Kind.TIME, digits=3)
                self._journal.note("note", f"{which}: the board is ready after {took}")
                return
            self._journal.note("warning", f"{which}: the board did not become ready in time")
        raise NotReady(
            f"the board does not become ready, and the plan allows no more than {self._power_up.cycles} power cycles "
            "a run; see to it by hand"
        )

    @property
    def has_devices_while_off(self) -> bool:
        """Whether the devices can be read while the board is off: not where its input power is cut."""
        return self._power_up.by != "input power"

    def turn_off(self) -> None:
        """Turn the board off: its rails against the plan's order, or its input power. UnsafeState if one stays on."""
        everyone = [rail for rail in self._rails if rail in self._supervisor.rails]
        self._supervisor.expect_rise(self._with_followers() if self.has_devices_while_off else everyone)
        if not self.has_devices_while_off:
            self._input().turn_off()
            return
        for rail in reversed(self._power_up.order):
            self._safety.turn_off([rail])

    def turn_on(self) -> None:
        """Turn the board on, and see every rail come up. UnsafeState if one does not."""
        if self._readiness is not None:
            self._readiness.begin()
        if not self.has_devices_while_off:
            self._input().turn_on()
            self._reconnect()
            self._await(self._supervisor.rails)
            return
        for rail in self._power_up.order:
            self._faults.turn_on([rail])
            self._await([rail])
        self._await(self._with_followers())

    def _cycle(self) -> None:
        self.turn_off()
        until_s = self._clock.now_s() + self._power_up.off_for_s
        if self.has_devices_while_off:
            self._supervisor.wait_until(until_s)
        else:
            # Nothing can be read meanwhile, so nothing is watched.
            self._clock.sleep_until(until_s, interruptible=False)
        self.turn_on()

    def _input(self) -> InputPower:
        if self._input_power is None:
            raise UnsafeState("this bench has no input power to cut; write 'input_power' in its file")
        return self._input_power

    def _reconnect(self) -> None:
        """Reach the devices again, once they have started."""
        deadline_s = self._clock.now_s() + self._longest_s
        while True:
            try:
                self._power.connect()
            except CornerrunError:
                if self._clock.now_s() >= deadline_s:
                    raise
                self._clock.sleep_until(self._clock.now_s() + _RISE_LOOK_S, interruptible=False)
            else:
                return

    def _await(self, rails: Sequence[str]) -> None:
        deadline_s = self._clock.now_s() + self._longest_s
        while not all(self._supervisor.is_up(rail) for rail in rails):
            if self._clock.now_s() >= deadline_s:
                late = ", ".join(rail for rail in rails if not self._supervisor.is_up(rail))
                raise UnsafeState(f"did not come up after a power cycle: {late}")
            self._clock.sleep_until(self._clock.now_s() + _RISE_LOOK_S, interruptible=False)
            self._supervisor.read([rail for rail in rails if rail in self._supervisor.rails])

    def is_ready(self) -> bool:
        """Wait until the board shows that it is ready; False if that takes longer than the plan allows."""
        ready = self._power_up.ready
        if self._readiness is None or ready is None:
            return True
        deadline_s = self._clock.now_s() + ready.timeout_s
        while (left_s := deadline_s - self._clock.now_s()) > 0.0:
            if self._readiness.is_ready(self._supervisor.tick, left_s):
                return True
            self._supervisor.wait_until(min(deadline_s, self._clock.now_s() + _LOOK_S))
        return False

    @property
    def _longest_s(self) -> float:
        return max(rail.longest_settle_s for rail in self._rails.values())

    def _with_followers(self) -> list[str]:
        cycled = set(self._power_up.order)
        followers = [name for name, rail in self._rails.items() if rail.tracks and rail.tracks.rail in cycled]
        return [rail for rail in (*self._power_up.order, *followers) if rail in self._supervisor.rails]
