import io
import itertools
from datetime import UTC, datetime

from cornerrun.cli.progress import listening
from cornerrun.corners.model import Corner, Step
from cornerrun.results.records import EndState, Outcome, RunResult, Visit, VisitRecord
from cornerrun.run.progress import (
    CheckProgress,
    ConditionProgress,
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


def ended(outcome, reason="", ordinal=0):
    visit = Visit(
        ordinal=ordinal,
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
        ended(Outcome.PASS, ordinal=1),
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
        "visit 0  ■ fail-functional  all low: march: 3 of 30 trials failed  [1.25 s, 1 of 2]",
        "warning: a retry [red]",
        "visit 1  ● pass  all low  [1.25 s, 2 of 2]",
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


def on_the_way(condition, reading, left_s, *, unit="degC", target=70.0):
    return ConditionProgress(condition=condition, unit=unit, level="hot", target=target, reading=reading, left_s=left_s)


def test_a_pipe_hears_once_of_each_condition_that_changes():
    stream = io.StringIO()
    with listening(stream) as listener:
        run = a_run()
        listener.tell(run[0])
        for event in (
            on_the_way("ambient", 25.04, 720.0),
            on_the_way("ambient", 43.13, 400.0),
            on_the_way("input", None, None, unit="V", target=13.2),
            run[-2],
        ):
            listener.tell(event)
    assert stream.getvalue().splitlines()[1:3] == [
        "ambient to hot: 25.04 degC of 70 degC, ramp for another 12 min 00 s",
        "input to hot: 13.2 V",
    ]


def test_a_terminal_shows_where_a_condition_is_until_the_rails_move():
    stream = Terminal()
    with listening(stream) as listener:
        for event in (*a_run()[:2], on_the_way("ambient", 43.13, 400.0)):
            listener.tell(event)
        listener.live.refresh() if hasattr(listener, "live") else None
        shown = stream.getvalue()
    assert "ambient to hot: 43.13 degC of 70 degC" in shown
