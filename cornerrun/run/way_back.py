"""Bring the board back: to nominal and verified, else off. Nothing here listens to a stop flag."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager

from cornerrun.bench.ports import Baseline, SafeReturn
from cornerrun.clock import Clock
from cornerrun.errors import UnsafeState
from cornerrun.results.records import EndState
from cornerrun.run.journal import Journal
from cornerrun.run.moving import Mover
from cornerrun.run.sequence import Phase
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.settling import State
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import explain
from cornerrun.units import Kind, show

__all__ = ["WayBack"]

# Chosen: one failed exchange shall not power a board down, a second of the same kind is no accident. Off is the last
# resort, so a bus that is dead for seconds is waited for.
_PAUSES_S = (0.0,)
_PAUSES_TO_OFF_S = (0.0, 0.1, 0.3, 1.0, 3.0)


class WayBack:
    """The way to safety, in the order of the sequence table: nominal, verified, restored, verified; else off.

    ``tell_evidence`` is called before rails are turned off for want of a better end; it must not raise.
    Every step is tried again if it fails. Rails are watched all the way: a voltage beyond a hard limit on the way back
    ends off.
    """

    def __init__(
        self,
        *,
        safety: SafeReturn,
        mover: Mover,
        supervisor: Supervisor,
        sequence: PhaseSequence,
        clock: Clock,
        journal: Journal,
    ) -> None:
        self._safety = safety
        self._mover = mover
        self._supervisor = supervisor
        self._sequence = sequence
        self._clock = clock
        self._journal = journal
        self.tell_evidence: Callable[[BaseException], None] = lambda _: None

    @contextmanager
    def shielded(self) -> Iterator[None]:
        """Let a stop flag wait: a second Ctrl-C changes nothing."""
        before, self._supervisor.ignores_stop = self._supervisor.ignores_stop, True
        try:
            yield
        finally:
            self._supervisor.ignores_stop = before

    def to_nominal(self, return_order: Sequence[Sequence[str]]) -> None:
        """Bring every rail to nominal and see it settled there.

        Raises UnsafeState if a rail did not get there, and what the supervisor raises.
        """
        self._sequence.go(Phase.RETURN)
        with self.shielded():
            self._again("nominal", lambda: self._settle_at_nominal(return_order))

    def end(self, baseline: Baseline | None, return_order: Sequence[Sequence[str]]) -> tuple[EndState, str]:
        """Bring the board to nominal, restore the baseline if there is one, and verify; off if any of that fails.

        Returns where the board is, and why if it is not at nominal. Never raises.
        """
        with self.shielded():
            try:
                if self._sequence.phase is not Phase.RETURN:
                    self._sequence.go(Phase.RETURN)
                self._again("nominal", lambda: self._settle_at_nominal(return_order))
                self._sequence.go(Phase.RESTORE)
                if baseline is not None:
                    self._again("the baseline", lambda: self._safety.restore(baseline))
                    self.verify_nominal()
                self._sequence.go(Phase.ENDED)
            except BaseException as error:  # whatever it was, the board comes first
                why = f"the board could not be brought back to nominal: {explain(error)}"
                self._journal.note("error", why)
                # A device that shut a rail down has made it safe: what it says of that is read before it is turned off.
                self.tell_evidence(error)
                state, trouble = self.turn_off()
                return state, f"{why}; {trouble}" if trouble else why
            return EndState.NOMINAL, ""

    def turn_off(self) -> tuple[EndState, str]:
        """Turn every rail off. Returns where the board is, and why if that is unknown. Never raises."""
        if self._sequence.phase is not Phase.OFF:
            self._sequence.go(Phase.OFF)
        with self.shielded():
            try:
                self._again("off", self._safety.turn_off, _PAUSES_TO_OFF_S)
            except BaseException as error:  # there is nothing left to try but to say so
                why = f"the rails could not be turned off: {explain(error)}; remove the input power by hand"
                self._journal.note("error", why)
                return EndState.UNKNOWN, why
        self._journal.note("warning", "every rail was turned off")
        return EndState.OFF, ""

    def _settle_at_nominal(self, return_order: Sequence[Sequence[str]]) -> None:
        self._safety.to_nominal(return_order)
        self.verify_nominal()

    def verify_nominal(self) -> None:
        """See every moved rail settled at nominal. Raises UnsafeState, and what the supervisor raises."""
        results = self._mover.settle_at_nominal()
        late = [result for result in results if result.state is not State.SETTLED]
        if late:
            raise UnsafeState(
                "; ".join(
                    f"{result.rail} reads {_shown(result.mean_v)}, nominal is {show(result.target_v, Kind.VOLTAGE)}"
                    for result in late
                )
            )

    def _again(self, where: str, act: Callable[[], None], pauses_s: Sequence[float] = _PAUSES_S) -> None:
        """Do a thing; if it fails, pause and do it again, as often as there are pauses."""
        for pause_s in pauses_s:
            try:
                act()
            except BaseException as error:  # a bug in one attempt is no reason not to try once more
                self._journal.note("warning", f"the way to {where} failed and is tried again: {explain(error)}")
                self._clock.sleep_until(self._clock.now_s() + pause_s, interruptible=False)
            else:
                return
        act()


def _shown(voltage_v: float | None) -> str:
    return "nothing" if voltage_v is None else show(voltage_v, Kind.VOLTAGE)
