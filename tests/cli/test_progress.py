import io
import itertools
from datetime import UTC, datetime

from cornerrun.cli.progress import listening
from cornerrun.corners.model import Corner, Step
from cornerrun.results.records import EndState, Outcome, RunResult, Visit, VisitRecord
from cornerrun.run.progress import (
    CheckProgress,
    Notice,
    RunEnded,
    RunStarted,
    SettleProgress,
    StepStarted,
    VisitEnded,
)


class Terminal(io.StringIO):
    def isatty(self):
        return True


def ended(outcome, reason=""):
    visit = Visit(
        ordinal=0,
        corner="all low",
        repeat=0,
        is_control=False,
        outcome=outcome,
        reason=reason,
        started_utc=datetime(2026, 1, 1, tzinfo=UTC),
        start_s=1.0,
        end_s=2.25,
    )
    return VisitEnded(record=VisitRecord(visit=visit, readings=()), left_s=90.0)


def a_run():
    step = Step(
        ordinal=0, corner=Corner(name="all low", levels=()), repeat=0, is_control=False, moves=(), return_order=()
    )
    return [
        RunStarted(run_id="r1", steps=2),
        StepStarted(step=step, off_nominal=4),
        SettleProgress(settled=1, moved=4),
        CheckProgress(check="march [bold]", done=3, trials=30, failures=1),
        ended(Outcome.FAIL_FUNCTIONAL, "march: 3 of 30 trials failed"),
        Notice(severity="warning", text="a retry [red]"),
        ended(Outcome.PASS),
        RunEnded(run_id="r1", result=RunResult.FAIL, end_state=EndState.NOMINAL, why=""),
    ]


def told(stream):
    with listening(stream) as listener:
        for event in a_run():
            listener.tell(event)
    return stream.getvalue()


def test_a_pipe_gets_one_plain_line_a_visit():
    lines = told(io.StringIO()).splitlines()
    assert lines == [
        "run r1: 2 visits",
        "visit 1/2  ■ fail-functional  all low: march: 3 of 30 trials failed  [1.25 s]",
        "warning: a retry [red]",
        "visit 2/2  ● pass  all low  [1.25 s]",
    ]


def test_a_terminal_keeps_what_failed_and_takes_no_text_for_markup():
    text = told(Terminal())
    assert "■ fail-functional" in text
    assert "a retry [red]" in text


def test_a_reader_that_goes_away_stops_nothing():
    class Gone(io.StringIO):
        def write(self, text):
            raise BrokenPipeError

    with listening(Gone()) as listener:
        for event in itertools.chain(a_run(), a_run()):
            listener.tell(event)
