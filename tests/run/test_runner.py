"""What is proven and kept before anything moves, and what a run's record holds."""

import pytest
from fake_bench import Rig, a_plan, raising

from cornerrun.errors import CheckError, DeviceRefused, InstrumentError, NotAtNominal
from cornerrun.plan.serial import plan_from_json
from cornerrun.run.progress import RunEnded, RunStarted, StepStarted, VisitEnded


@pytest.mark.parametrize(
    ("name", "error"),
    [
        ("connect", DeviceRefused("PM1: WRITE_PROTECT 0x80")),
        ("take_baseline", NotAtNominal("CORE is margined")),
    ],
)
def test_what_is_wrong_before_the_baseline_is_stored_is_raised_and_nothing_is_kept(name, error):
    rig = Rig()
    rig.at(name, 1, raising(error))
    with pytest.raises(type(error)):
        rig.run()
    assert rig.store.run is None
    assert "move" not in rig.board.counts


def test_checks_that_cannot_be_used_are_found_before_the_bench_is_touched_beyond_reading():
    class Broken:
        def prepare(self):
            raise CheckError("check 'march': no module named x")

    rig = Rig()
    rig.checks = Broken()
    with pytest.raises(CheckError, match="no module named x"):
        rig.run()
    assert set(rig.board.counts) <= {"connect", "take_baseline"}
    assert rig.store.run is None


def test_a_meter_that_does_not_identify_itself_stops_the_run_before_it_begins():
    rig = Rig()

    def fail():
        raise InstrumentError("meter: no answer to *IDN?")

    rig.meter.identify = fail
    with pytest.raises(InstrumentError, match="IDN"):
        rig.run()
    assert rig.store.run is None


def test_a_board_with_a_rail_off_before_the_run_is_refused_and_left_alone():
    rig = Rig()
    baseline = rig.board.take_baseline
    rig.board.trip("IO")
    rig.board.take_baseline = lambda: (setattr(rig.board.outputs["IO"], "is_on", True), baseline())[1]
    rig.at("read", 1, lambda board: board.trip("IO", STATUS_VOUT=0x10))
    end = rig.run()
    assert "off before the run: IO" in end.why
    assert end.exit_code == 3
    assert "move" not in rig.board.counts
    assert "to_nominal" not in rig.board.counts


def test_the_record_of_a_run_holds_all_that_a_report_needs():
    rig = Rig()
    end = rig.run(operator="night shift", seed=11, unit_data={"colour": "blue"}, run_id="abc123")
    run = rig.store.run
    assert end.run_id == run.run_id == "abc123"
    assert (run.serial, run.operator, run.seed) == ("00123", "night shift", 11)
    assert (run.bench_id, run.bench_kind, run.station) == ("desk", "simulated", "desk")
    assert run.devices == {"PM1": {"model": "PM8"}}
    assert run.instruments[0].identity == "none, DMM, 7, 1"
    assert (run.instruments[0].calibrated, run.instruments[0].reading_ratio) == ("2026-03-01", 35e-6)
    assert {(one.rail, one.level) for one in run.setpoints} == {
        (rail, level) for rail in ("CORE", "DDR", "IO") for level in ("nominal", "high", "low")
    }
    assert plan_from_json(run.plan_json) == rig.plan
    assert run.planned_visits == 11
    assert set(run.versions) >= {"cornerrun", "python"}
    assert [source.role for source in run.sources] == ["bench"]


def test_two_runs_have_different_names():
    assert Rig().run().run_id != Rig().run().run_id


def test_progress_tells_the_story_in_order():
    rig = Rig()
    rig.run()
    kinds = [type(event) for event in rig.told]
    assert kinds[0] is RunStarted
    assert kinds[-1] is RunEnded
    assert kinds.count(StepStarted) == kinds.count(VisitEnded) == 11
    left = [event.left_s for event in rig.told if isinstance(event, VisitEnded)]
    assert left[-1] == 0.0
    assert left[4] > 0.0


def test_the_same_seed_gives_the_same_run():
    first, second = Rig(), Rig()
    first.run(run_id="a")
    second.run(run_id="a")
    assert first.store.visits == second.store.visits


def test_a_plan_with_nothing_to_do_is_no_pass():
    rig = Rig(a_plan(schemes=()))
    end = rig.run(steps=())
    assert end.exit_code == 3
    assert rig.board.is_at_nominal
