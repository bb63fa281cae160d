"""A board that is not left at nominal latches its bench, calls somebody, and keeps other runs off."""

from dataclasses import replace

import pytest
from fake_bench import Rig

from cornerrun.bench.latch import LatchNote, clear_latch, latched, leave_latch
from cornerrun.errors import EXIT_UNSAFE, Latched
from cornerrun.plan.bench_file import Alarm
from cornerrun.results.records import EndState, Latch
from cornerrun.run.latching import call_alarm, refuse_if_latched

NOTE = LatchNote(run_id="ab12", store="other.sqlite", end_state="off", why="VDD above its hard limit")


def executable(path, text):
    path.write_text(text, encoding="utf-8")
    path.chmod(0o755)
    return path


@pytest.fixture
def bench_file(tmp_path):
    return replace(Rig().bench_file, directory=tmp_path)


def with_alarm(bench_file, command, timeout_s=30.0):
    return replace(bench_file, alarm=Alarm(command=command, timeout_s=timeout_s))


def test_a_run_on_a_latched_bench_is_refused_before_anything_is_asked_of_it():
    rig = Rig()
    rig.store.open_latches.append(
        Latch(bench_id="desk", run_id="ab12", end_state="off", why="a rail ran away", set_utc=rig.clock.utc_now())
    )
    with pytest.raises(Latched, match=r"left off by run ab12: a rail ran away.*cornerrun acknowledge") as caught:
        rig.run()
    assert caught.value.exit_code == EXIT_UNSAFE
    assert rig.log == []


def test_a_note_of_a_run_that_keeps_its_results_elsewhere_refuses_too(tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    rig = Rig()
    leave_latch("desk", NOTE)
    refuse_if_latched(rig.ports, rig.store)  # nobody else reaches a bench inside this process
    with pytest.raises(Latched, match=r"run ab12, kept in other\.sqlite"):
        refuse_if_latched(replace(rig.ports, is_private=False), rig.store)
    clear_latch("desk")
    refuse_if_latched(replace(rig.ports, is_private=False), rig.store)


def test_a_note_comes_back_as_it_was_left_and_goes_once(tmp_path):
    assert latched("desk", directory=tmp_path) is None
    leave_latch("desk", NOTE, directory=tmp_path)
    assert latched("desk", directory=tmp_path) == NOTE
    assert latched("another", directory=tmp_path) is None
    clear_latch("desk", directory=tmp_path)
    clear_latch("desk", directory=tmp_path)
    assert latched("desk", directory=tmp_path) is None


@pytest.mark.parametrize("content", ["", "[1]", "{", "null", "\udcff"])
def test_a_note_that_cannot_be_read_still_latches(tmp_path, content):
    leave_latch("desk", NOTE, directory=tmp_path)
    (path,) = tmp_path.iterdir()
    path.write_bytes(content.encode(errors="surrogateescape"))
    assert latched("desk", directory=tmp_path).end_state == "unknown"


def test_the_alarm_command_is_told_what_happened(bench_file, tmp_path):
    executable(tmp_path / "call.sh", '#!/bin/sh\necho "$1 $CORNERRUN_END_STATE $CORNERRUN_WHY" > called\n')
    assert call_alarm(with_alarm(bench_file, "./call.sh 'night shift'"), {"END_STATE": "off", "WHY": "hot"}) == ""
    assert (tmp_path / "called").read_text() == "night shift off hot\n"


@pytest.mark.parametrize(
    ("command", "told"),
    [
        ("./fails.sh", "ended with 3: no line"),
        ("./missing.sh", "there is no file"),
        ("no-such-program", "no command 'no-such-program' on the PATH"),
        ("./hangs.sh", "timed out after 0.2 seconds"),
        ("'unclosed", "No closing quotation"),
        ("''", "its command is empty"),
    ],
)
def test_an_alarm_that_fails_says_so_and_raises_nothing(bench_file, tmp_path, command, told):
    executable(tmp_path / "fails.sh", "#!/bin/sh\necho no line >&2\nexit 3\n")
    executable(tmp_path / "hangs.sh", "#!/bin/sh\nexec sleep 60\n")
    assert told in call_alarm(with_alarm(bench_file, command, timeout_s=0.2), {})


def test_without_an_alarm_nobody_is_called(bench_file):
    assert call_alarm(bench_file, {}) == ""


def test_a_run_that_ends_off_calls_the_alarm_and_says_when_that_failed(tmp_path):
    rig = Rig()
    executable(tmp_path / "call.sh", '#!/bin/sh\necho "$CORNERRUN_SERIAL $CORNERRUN_RUN" > called\nexit 1\n')
    rig.bench_file = with_alarm(replace(rig.bench_file, directory=tmp_path), "./call.sh")
    rig.at("fetch", 2, lambda board: board.outputs["CORE"].__setattr__("error_ratio", 0.06))
    end = rig.run()
    assert end.end_state is EndState.OFF
    assert "ended with 1" in end.why
    assert (tmp_path / "called").read_text() == f"00123 {end.run_id}\n"


def test_a_run_that_ends_at_nominal_calls_nobody(tmp_path):
    rig = Rig()
    rig.bench_file = with_alarm(replace(rig.bench_file, directory=tmp_path), "./missing.sh")
    end = rig.run()
    assert end.end_state is EndState.NOMINAL
    assert "alarm" not in end.why
