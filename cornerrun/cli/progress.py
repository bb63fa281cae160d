"""What a person sees while a run goes on: a live panel on a terminal, plain lines elsewhere. Everything on stderr."""

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, TextIO

from cornerrun.report.looks import marked
from cornerrun.results.records import Outcome
from cornerrun.run.progress import (
    CheckProgress,
    ConditionProgress,
    Listener,
    Notice,
    ProgressEvent,
    RunEnded,
    RunStarted,
    SettleProgress,
    StepStarted,
    VisitEnded,
)
from cornerrun.units import Kind, kind_of, show

if TYPE_CHECKING:
    from rich.console import ConsoleRenderable, RichCast

__all__ = ["PlainLines", "listening"]


class _Tally:
    """What both listeners remember of the events so far."""

    def __init__(self) -> None:
        self.steps = 0
        self.done = 0
        self.outcomes: Counter[Outcome] = Counter()
        self.step: StepStarted | None = None
        self.settled: SettleProgress | None = None
        self.check: CheckProgress | None = None
        self.condition: ConditionProgress | None = None
        self.left_s: float | None = None

    def take(self, event: ProgressEvent) -> None:
        match event:
            case RunStarted():
                self.steps = event.steps
            case StepStarted():
                self.step, self.settled, self.check, self.condition = event, None, None, None
            case ConditionProgress():
                self.condition = event
            case SettleProgress():
                self.settled, self.condition = event, None
            case CheckProgress():
                self.check = event
            case VisitEnded():
                self.done += 1
                self.outcomes[event.record.visit.outcome] += 1
                self.left_s = event.left_s
            case Notice() | RunEnded():
                pass

    @property
    def counts(self) -> str:
        return ", ".join(f"{self.outcomes[outcome]} {outcome}" for outcome in Outcome if self.outcomes[outcome])

    @property
    def left(self) -> str:
        return "" if self.left_s is None else f"about {show(self.left_s, Kind.TIME, digits=2)} left"


def _visit_line(event: VisitEnded, tally: _Tally) -> str:
    visit = event.record.visit
    width = len(str(max(tally.steps - 1, 0)))
    reason = f": {visit.reason}" if visit.reason and visit.outcome is not Outcome.PASS else ""
    took = show(visit.end_s - visit.start_s, Kind.TIME, digits=3)
    name = f"{visit.corner} (control point)" if visit.is_control else visit.corner
    made = f"{took}, {tally.done} of {max(tally.steps, tally.done)}"
    return f"visit {visit.ordinal:>{width}}  {marked(visit.outcome)}  {name}{reason}  [{made}]"


def _condition_text(event: ConditionProgress) -> str:
    """Say where a condition is on its way: "ambient to hot: 43.1 degC of 70 degC, ramp for another 12 min 00 s"."""
    kind = kind_of(event.unit)

    def shown(value: float) -> str:
        return f"{value:.4g}" if kind is None else show(value, kind, digits=4)

    reading = "" if event.reading is None else f"{shown(event.reading)} of "
    left = "" if event.left_s is None else f", ramp for another {show(event.left_s, Kind.TIME, digits=2)}"
    return f"{event.condition} to {event.level or 'rest'}: {reading}{shown(event.target)}{left}"


class PlainLines:
    """One line a visit, for logs and pipes."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._tally = _Tally()
        self._told = ""

    def tell(self, event: ProgressEvent) -> None:
        self._tally.take(event)
        match event:
            case RunStarted():
                self._say(f"run {event.run_id}: {event.steps} visits")
            case ConditionProgress() if event.condition != self._told:
                self._told = event.condition
                self._say(_condition_text(event))
            case VisitEnded():
                self._told = ""
                left = f"; {self._tally.left}" if self._tally.done % 10 == 0 and self._tally.left else ""
                self._say(_visit_line(event, self._tally) + left)
            case Notice():
                self._say(f"{event.severity}: {event.text}")
            case _:
                pass

    def _say(self, line: str) -> None:
        try:
            self._stream.write(line + "\n")
            self._stream.flush()
        except (OSError, ValueError):
            # A log that nobody reads any more must not stop the way back to nominal.
            return


class _LivePanel:
    """The run at a glance, redrawn in place; lines worth keeping scroll above it."""

    def __init__(self, stream: TextIO) -> None:
        from rich.console import Console
        from rich.live import Live

        self._tally = _Tally()
        self.live = Live(
            console=Console(file=stream, highlight=False),
            refresh_per_second=8,
            transient=True,
            get_renderable=self._draw,
        )

    def tell(self, event: ProgressEvent) -> None:
        self._tally.take(event)
        match event:
            case VisitEnded() if event.record.visit.outcome is not Outcome.PASS:
                self.live.console.print(_visit_line(event, self._tally), markup=False)
            case Notice():
                self.live.console.print(f"{event.severity}: {event.text}", markup=False)
            case _:
                pass

    def _draw(self) -> "ConsoleRenderable | RichCast | str":
        from rich.progress_bar import ProgressBar
        from rich.table import Table
        from rich.text import Text

        tally = self._tally
        if tally.step is None:
            return Text("proving the bench ...")
        now = Table.grid(padding=(0, 3))
        now.add_row(Text(""), ProgressBar(total=max(tally.steps, 1), completed=tally.done, width=60))
        now.add_row(Text("corner"), Text(tally.step.step.corner.name, style="bold"))
        now.add_row(Text("rails"), Text(self._rails()))
        if tally.condition is not None:
            now.add_row(Text("condition"), Text(_condition_text(tally.condition)))
        if tally.check is not None:
            check = tally.check
            text = f"{check.check}: {check.done} of {check.trials} trials, {check.failures} failed"
            now.add_row(Text("check"), Text(text))
        counts = "; ".join(filter(None, (f"{tally.done} of {tally.steps}", tally.counts, tally.left)))
        now.add_row(Text("visits"), Text(counts))
        return now

    def _rails(self) -> str:
        step, settled = self._tally.step, self._tally.settled
        assert step is not None
        text = f"{step.off_nominal} off nominal"
        return f"{text}, {settled.settled} of {settled.moved} settled" if settled is not None else text


@contextmanager
def listening(stream: TextIO) -> Iterator[Listener]:
    """Show progress on ``stream`` while the block runs: live on a terminal, plain lines elsewhere."""
    if not stream.isatty():
        yield PlainLines(stream)
        return
    panel = _LivePanel(stream)
    with panel.live:
        yield panel
