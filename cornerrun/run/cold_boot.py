"""Keep a board off while a condition changes, and turn it on where that has got to."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from cornerrun.clock import Clock
from cornerrun.run.journal import Journal
from cornerrun.run.power_cycling import NotReady, PowerCycling
from cornerrun.run.sequence import WAYS, Phase, Trouble
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import Alarmed, explain, trouble_of
from cornerrun.units import Kind, show

__all__ = ["COLD_BOOT", "ColdBoot"]

COLD_BOOT = "cold boot"
"""Under which name a board that does not become ready stands among the checks of a visit."""


class ColdBoot:
    """Turn the board off and on by the plan's ``power_up``. These cycles do not count among those that it allows.

    ``verify`` brings the rails to nominal and sees them there; ``shielded`` lets a stop flag wait.
    """

    def __init__(
        self,
        *,
        cycling: PowerCycling,
        verify: Callable[[], None],
        supervisor: Supervisor,
        clock: Clock,
        journal: Journal,
    ) -> None:
        self._cycling = cycling
        self._verify = verify
        self._supervisor = supervisor
        self._clock = clock
        self._journal = journal
        self._is_off = False

    @contextmanager
    def off(self) -> Iterator[None]:
        """Turn the board off; if what is done meanwhile ends the visit, it is turned on again before that is told.

        So the way back finds it as ever, and brings it to nominal. It stays off where trouble wants it off.
        """
        self._is_off = True
        try:
            self._cycling.turn_off()
            yield
        except BaseException as error:
            if self._is_off and WAYS[trouble_of(error)].first is Phase.RETURN:
                self._on_again()
            raise

    def wait_until(self, deadline_s: float) -> None:
        """Let time pass, watching what can be watched of a board that is off."""
        if self._cycling.has_devices_while_off:
            self._supervisor.wait_until(deadline_s)
            return
        self._clock.sleep_until(deadline_s)
        if self._clock.stop.reason is not None and not self._supervisor.ignores_stop:
            trouble = Trouble.GUARDIAN if self._clock.stop.is_fault else Trouble.STOP
            raise Alarmed(trouble, self._clock.stop.reason)

    def turn_on(self, where: str) -> None:
        """Turn the board on, see its rails at nominal, and wait until it is ready.

        Raises:
            NotReady: it does not show that it is ready. Its rails are at nominal.
            UnsafeState: a rail did not come up. What the supervisor raises.

        """
        began_s = self._clock.now_s()
        self._is_off = False
        self._cycling.turn_on()
        self._verify()
        if not self._cycling.is_ready():
            raise NotReady(f"the board did not become ready after it was turned on {where}")
        took = show(self._clock.now_s() - began_s, Kind.TIME, digits=3)
        self._journal.note("note", f"cold boot {where}: the board is ready after {took}")

    def _on_again(self) -> None:
        before, self._supervisor.ignores_stop = self._supervisor.ignores_stop, True
        self._is_off = False
        try:
            self._cycling.turn_on()
        except Exception as error:
            self._journal.note("error", f"the board, off for a cold boot, could not be turned on: {explain(error)}")
        finally:
            self._supervisor.ignores_stop = before
