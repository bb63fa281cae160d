"""Configuration of the devices before and after a run: kept, and every difference told."""

from collections.abc import Callable, Sequence

from cornerrun.bench.ports import RegisterValue
from cornerrun.clock import Clock
from cornerrun.errors import BenchError
from cornerrun.plan.model import Plan
from cornerrun.results.bench_records import Snapshot
from cornerrun.results.codec import utc_text
from cornerrun.results.configuration import differences, fingerprint
from cornerrun.results.records import EndState
from cornerrun.run.journal import Journal

__all__ = ["Configuration"]


class Configuration:
    """Take a snapshot before the first write and one after the last, and compare them.

    ``read`` reads all registers of all devices; a bench that can't gives none, and then nothing is kept.
    """

    def __init__(
        self,
        *,
        plan: Plan,
        read: Callable[[], tuple[RegisterValue, ...]],
        keep: Callable[[Snapshot], None],
        clock: Clock,
        journal: Journal,
    ) -> None:
        self._plan = plan
        self._read = read
        self._keep = keep
        self._clock = clock
        self._journal = journal
        self._before: Snapshot | None = None
        self._is_resumed = False

    def resume(self, kept: Sequence[Snapshot]) -> None:
        """Take how the devices were found when the run began, in place of finding it out again."""
        self._before = next((one for one in kept if one.moment == "before"), None)
        self._is_resumed = True

    def before(self) -> None:
        """Keep how the devices were found. Raises what the bench and the store raise: nothing has been moved yet."""
        if self._before is not None:
            return
        registers = self._read()
        if registers:
            self._before = Snapshot(
                moment="before", at_utc=self._clock.utc_now(), sha256=fingerprint(registers), registers=registers
            )
            self._keep(self._before)

    def after(self, end_state: EndState) -> None:
        """Keep how the devices were left, and note each difference by rail and register.

        Raises StoreError; what can't be read is noted.
        """
        if self._before is None:
            return
        try:
            registers = self._read()
        except BenchError as error:
            self._journal.note("warning", f"the configuration after the run can't be read: {error}")
            return
        now = self._clock.utc_now()
        moment = f"after {utc_text(now)}" if self._is_resumed else "after"
        self._keep(Snapshot(moment=moment, at_utc=now, sha256=fingerprint(registers), registers=registers))
        # Rails that were turned off have been told so through OPERATION; where they are stands in the end state.
        but = ("OPERATION",) if end_state is not EndState.NOMINAL else ()
        for found in differences(self._before.registers, registers, self._plan, but=but):
            self._journal.note("warning", f"configuration changed: {found}", found.rail)
