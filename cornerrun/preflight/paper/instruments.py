"""Meter, conditions, checks and store on paper: each takes its time, and counts what wears."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from cornerrun.bench.ports import MeterIdentity, MeterReading
from cornerrun.clock import Clock
from cornerrun.plan.bench_file import Instrument
from cornerrun.plan.model import Check, Source
from cornerrun.preflight.paper.letters import Letter, Letters
from cornerrun.results.condition_change import ConditionChange
from cornerrun.results.records import Event, Intent, Outcome, Trial, VisitRecord
from cornerrun.run.checking import HookTrouble, Tick
from cornerrun.run.view import CheckView

__all__ = ["PaperCheckOutcome", "PaperChecks", "PaperKeeper", "PaperMeter"]

_TALK_S = 0.001  # chosen: a short SCPI message over Ethernet or USB
_SET_UP_MESSAGES = 12
_FETCH_MESSAGES = 2


class PaperMeter:
    """A Voltmeter that takes aperture, auto-zero and relay for each channel."""

    def __init__(
        self,
        *,
        instrument: Instrument,
        channels: Mapping[str, int],
        rails: Sequence[str],
        voltage_v: Callable[[str, float], float],
        clock: Clock,
        letters: Letters | None = None,
    ) -> None:
        self._letters = letters
        self._clock = clock
        self._voltage_v = voltage_v
        self._channels = channels
        self._rails = tuple(rails)
        # With auto-zero each reading is followed by one of a shorted input, as long again (common practice, no source).
        self._aperture_s = instrument.nplc / instrument.line_hz
        self._reading_s = self._aperture_s * (2 if instrument.autozero else 1)
        self._reading_s += instrument.relay_delay_s if channels else 0.0
        self._asked: tuple[str, ...] = ()
        self._done_s = 0.0
        self.closures = 0

    @property
    def rails(self) -> tuple[str, ...]:
        return self._rails

    def identify(self) -> MeterIdentity:
        self._clock.charge(_SET_UP_MESSAGES * _TALK_S)
        return MeterIdentity(maker="", model="", serial="", firmware="")

    def start(self, rails: Sequence[str]) -> float:
        self._asked = tuple(rails)
        self.closures += len(rails) if self._channels else 0
        if self._letters is not None:
            for rail in rails:
                channel = f"channel {self._channels[rail]}" if rail in self._channels else ""
                self._letters.add(
                    Letter(at_s=self._clock.now_s(), to="meter", kind="meter", what=f"measure {rail}", data=channel)
                )
        self._done_s = self._clock.now_s() + len(rails) * self._reading_s
        return self._done_s

    def fetch(self) -> tuple[MeterReading, ...]:
        self._clock.sleep_until(self._done_s)
        self._clock.charge(_FETCH_MESSAGES * _TALK_S)
        return tuple(
            MeterReading(
                rail=rail,
                channel=self._channels.get(rail, 0),
                read_at_s=self._done_s,
                reading_v=self._voltage_v(rail, self._done_s),
                range_v=0.0,
                aperture_s=self._aperture_s,
            )
            for rail in self._asked
        )

    def close(self) -> None:
        return


@dataclass(frozen=True, kw_only=True, slots=True)
class PaperCheckOutcome:
    """A check that passes."""

    outcome: Outcome = Outcome.PASS
    reason: str = ""
    trials: tuple[Trial, ...] = ()


class PaperChecks:
    """Checks that take the time that the plan says, and pass.

    On a simulated bench a reading of the rails delays the trial that it falls into, since both share one clock;
    elsewhere checks run in a process of their own.
    """

    def __init__(self, clock: Clock, *, shares_clock: bool, letters: Letters | None = None) -> None:
        self._letters = letters
        self._clock = clock
        self._shares_clock = shares_clock

    def prepare(self) -> tuple[Source, ...]:
        return ()

    def begin_run(self, view: CheckView, tick: Tick | None = None) -> Sequence[HookTrouble]:
        del view, tick
        return ()

    def run(
        self, check: Check, view: CheckView, tick: Tick | None = None, *, progress: Callable[[int, int], None] | None
    ) -> PaperCheckOutcome:
        del view, progress
        if self._letters is not None:
            trials = f"{check.trials} trial{'s' if check.trials != 1 else ''}"
            self._letters.add(Letter(at_s=self._clock.now_s(), to="check", kind="check", what=check.name, data=trials))
        if self._shares_clock:
            for _ in range(check.trials):
                self._pass(check.takes_s, tick)
        else:
            self._pass(check.takes_s * check.trials, tick)
        return PaperCheckOutcome()

    def end_run(self, view: CheckView, tick: Tick | None = None) -> Sequence[HookTrouble]:
        del view, tick
        return ()

    def _pass(self, duration_s: float, tick: Tick | None) -> None:
        if duration_s <= 0:
            return
        end_s = self._clock.now_s() + duration_s
        due_s = tick() if tick is not None else None
        while due_s is not None and due_s < end_s:
            self._clock.sleep_until(max(due_s, self._clock.now_s()))
            due_s = tick() if tick is not None else None
        self._clock.sleep_until(end_s)


@dataclass
class PaperKeeper:
    """Keeps the events of a rehearsal, so that whoever reads them knows why one went wrong, and what follows visits."""

    changes: list[ConditionChange] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)

    def intend(self, intent: Intent, finished: VisitRecord | None = None) -> None:
        """Keep nothing: a rehearsal is never taken up again."""

    def finish_visit(self, run_id: str, record: VisitRecord) -> None:
        """Keep nothing: the executor hands over every visit at the end."""

    def add_condition_change(self, run_id: str, change: ConditionChange) -> None:
        """Keep a change that belongs to no visit."""
        del run_id
        self.changes.append(change)

    def add_event(self, run_id: str, event: Event) -> None:
        """Keep an event."""
        del run_id
        self.events.append(event)
