"""One sweep while the meter works, and the limits that the meter sees."""

import pytest
from fake_bench import THREE, Rig, a_plan, a_rail

from cornerrun.plan.model import Tracks
from cornerrun.run.journal import Journal
from cornerrun.run.measuring import Measurer
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import Alarmed


def _measurer(rig: Rig) -> Measurer:
    journal = Journal(rig.clock, rig)
    supervisor = Supervisor(
        plan=rig.plan, power=rig.board, faults=rig.board, clock=rig.clock, period_s=0.1, journal=journal
    )
    return Measurer(
        plan=rig.plan, power=rig.board, meter=rig.meter, supervisor=supervisor, clock=rig.clock, journal=journal
    )


def test_the_sweep_is_read_while_the_meter_works():
    rig = Rig()
    measured = _measurer(rig).measure(followers={}, settled_by_s=0.0)
    assert [name for name, *_ in rig.log] == ["meter", "read", "fetch"]
    assert set(measured.telemetry) == set(measured.references) == set(measured.means) == {"CORE", "DDR", "IO"}
    assert measured.telemetry["CORE"].current_a == 1.0


def test_without_a_meter_more_sweeps_a_conversion_apart_are_averaged():
    rig = Rig(has_meter=False)
    measured = _measurer(rig).measure(followers={}, settled_by_s=0.0, sweeps=4)
    assert measured.references == {}
    assert {mean.samples for mean in measured.means.values()} == {4}
    assert rig.clock.now_s() >= 0.06


def test_a_rail_without_telemetry_and_without_a_channel_is_in_neither():
    rails = (*THREE[:2], a_rail("VTT", 0.6, power=None, tracks=Tracks(rail="DDR", ratio=0.5)))
    rig = Rig(a_plan(rails))
    rig.meter._rails = ("CORE", "DDR")
    measured = _measurer(rig).measure(followers={"VTT": 0.6}, settled_by_s=1.0)
    assert "VTT" not in measured.telemetry
    assert "VTT" not in measured.references


def test_a_follower_that_never_follows_is_measured_until_its_time_is_over():
    rails = (*THREE[:2], a_rail("VTT", 0.6, power=None, tracks=Tracks(rail="DDR", ratio=0.5)))
    rig = Rig(a_plan(rails))
    measured = _measurer(rig).measure(followers={"VTT": 0.63}, settled_by_s=0.5)
    assert rig.log.count(("meter", ("VTT",))) > 5
    assert 0.5 <= rig.clock.now_s() < 0.6
    assert measured.references["VTT"].reading_v == pytest.approx(0.6)


def test_one_wild_reading_of_the_meter_does_not_take_the_board_down():
    rig = Rig()
    rig.at("meter", 1, lambda board: rig.meter.error_ratio.update(CORE=0.5))
    rig.at("meter", 2, lambda board: rig.meter.error_ratio.clear())
    measured = _measurer(rig).measure(followers={}, settled_by_s=0.0)
    assert ("meter", ("CORE",)) in rig.log
    assert "did not repeat: CORE reads 1.275 V" in rig.told[0].text
    assert measured.references["CORE"].reading_v == pytest.approx(0.85), "the wild reading is not kept"


def test_two_wild_readings_raise():
    rig = Rig()
    rig.meter.error_ratio["CORE"] = 0.5
    with pytest.raises(Alarmed, match=r"CORE reads 1.275 V on the reference meter"):
        _measurer(rig).measure(followers={}, settled_by_s=0.0)
