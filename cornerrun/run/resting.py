"""Bring conditions to rest as the last thing of a whole run: the board at nominal, and watched."""

from collections.abc import Callable, Sequence

from cornerrun.results.condition_change import ConditionChange
from cornerrun.run.aftermath import Aftermath, Dealt
from cornerrun.run.climate import Climate
from cornerrun.run.sequence import Phase
from cornerrun.run.sequence import Sequence as PhaseSequence
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.way_back import WayBack

__all__ = ["Resting"]


class Resting:
    """Do what the plan wants done before anybody opens the chamber; ``keep`` takes what was changed."""

    def __init__(
        self,
        *,
        climate: Climate,
        way_back: WayBack,
        sequence: PhaseSequence,
        supervisor: Supervisor,
        aftermath: Aftermath,
        keep: Callable[[ConditionChange], None],
    ) -> None:
        self._climate = climate
        self._way_back = way_back
        self._sequence = sequence
        self._supervisor = supervisor
        self._aftermath = aftermath
        self._keep = keep

    def rest(self, return_order: Sequence[Sequence[str]]) -> Dealt | None:
        """Bring the board to nominal, then conditions to rest; tell how trouble on the way was dealt with, if any.

        Raises what the way to nominal does.
        """
        if not self._climate.must_rest:
            return None
        self._way_back.to_nominal(return_order)
        self._sequence.go(Phase.REST)
        self._supervisor.begin("rest")
        try:
            self._climate.rest()
        except BaseException as error:
            return self._aftermath.deal(error, visit=-1, moving=(), return_order=())
        finally:
            for change in self._climate.take_changes():
                self._keep(change)
        return None
