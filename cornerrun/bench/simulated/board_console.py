"""The text console of a simulated board: a banner once it is up, a few words that it knows, silence where lost."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from cornerrun.bench.simulated.board import passes
from cornerrun.bench.simulated.board_life import SimulatedBoard
from cornerrun.bench.simulated.timeline import Timeline
from cornerrun.clock import Clock
from cornerrun.errors import CheckError

__all__ = ["BoardConsole"]

_LONGEST = 200
_HELP = "known are: status, temperature, check NAME, reboot"


@dataclass(frozen=True, kw_only=True, slots=True)
class _Reading:
    best_v: float


@dataclass(frozen=True, kw_only=True, slots=True)
class _Inside:
    """What the board knows of itself: true voltages."""

    readings: Mapping[str, _Reading]
    conditions: Mapping[str, float]
    trial: int
    seed: int
    serial: str
    board: Mapping[str, str] = field(default_factory=dict)
    visit: int = -1


class BoardConsole:
    """A text link with the board's console at its other end; lines come by themselves, too."""

    def __init__(
        self,
        board: SimulatedBoard,
        *,
        clock: Clock,
        timeline: Timeline,
        seed: int,
        voltages_v: Callable[[float], Mapping[str, float]],
        conditions: Callable[[], Mapping[str, float]],
    ) -> None:
        self._board = board
        self._clock = clock
        self._timeline = timeline
        self._seed = seed
        self._voltages_v = voltages_v
        self._conditions = conditions
        self._trials = 0
        console = board.settings.console
        self._latency_s = 0.0 if console is None else console.latency

    @property
    def has_answer(self) -> bool:
        """Whether a line waits that can be heard."""
        return self._board.has_console(self._clock.now_s()) and bool(self._board.lines)

    def write(self, message: str, /) -> None:
        self._clock.charge(self._latency_s)
        if self._board.has_console(self._clock.now_s()):
            self._board.lines.append(self._answer(" ".join(message[:_LONGEST].split())))

    def read(self, timeout_s: float, /) -> str:
        deadline_s = self._clock.now_s() + timeout_s
        while not self.has_answer:
            now_s = self._clock.now_s()
            if now_s >= deadline_s:
                raise TimeoutError("no line in time")
            # What is due next may bring the board up.
            next_s = min(max(self._timeline.next_s, now_s), deadline_s)
            self._clock.sleep_until(next_s, interruptible=False)
            self._timeline.run_until(self._clock.now_s())
        return self._board.lines.popleft()

    def clear(self) -> None:
        self._board.lines.clear()

    def close(self) -> None:
        """Nothing to give back: the board goes on."""

    def _answer(self, command: str) -> str:
        word, _, rest = command.partition(" ")
        now_s = self._clock.now_s()
        if word == "status" and not rest:
            return f"up for {now_s - (self._board.truth(now_s).up_since_s or 0.0):.1f} s"
        if word == "temperature" and not rest:
            degc = self._board.junction_degc(now_s)
            return "no sensor" if degc is None else f"{degc:.2f}"
        if word == "check" and rest:
            return self._check(rest, now_s)
        if word == "reboot" and not rest:
            self._board.restart(now_s)
            return "going down"
        return f"? {_HELP}"

    def _check(self, name: str, now_s: float) -> str:
        self._trials += 1
        inside = _Inside(
            readings={rail: _Reading(best_v=volts) for rail, volts in self._voltages_v(now_s).items()},
            conditions=self._conditions(),
            trial=self._trials,
            seed=self._seed,
            serial=self._board.serial,
            board=self._board.begin_check(name, now_s),
        )
        self._board.end_check(name, now_s)
        try:
            return f"{name}: {'pass' if passes(self._board.settings, name, inside) else 'fail'}"
        except CheckError as error:
            return f"? {error}"
