"""Waiting until nominal stops drifting: by slope, watched, with an end."""

import math

import pytest
from fake_bench import Rig

from cornerrun.plan.trim_model import WarmUp
from cornerrun.run.journal import Journal
from cornerrun.run.measuring import Measurer
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.warming import DriftWatch, Warming


def _drift_of(voltage, *, over_s=60.0, until_s=60.0, step_s=10.0):
    watch, found = DriftWatch(over_s=over_s), None
    for i in range(round(until_s / step_s) + 1):
        found = watch.feed(i * step_s, {"CORE": voltage(i * step_s), "IO": 1.8})
    return found


def test_a_steady_drift_is_told_as_a_share_over_the_time_asked_for():
    found = _drift_of(lambda t: 0.85 * (1 + 1e-5 * t))
    assert (found.rail, found.ratio) == ("CORE", pytest.approx(6e-4, rel=1e-3))


def test_nothing_is_told_before_the_time_asked_for_has_passed():
    assert _drift_of(lambda t: 0.85, until_s=50.0) is None


def test_only_the_last_stretch_counts():
    warm_late = _drift_of(lambda t: 0.85 * (1 - 0.01 * math.exp(-t / 30)), until_s=600.0)
    assert abs(warm_late.ratio) < 1e-6
    assert _drift_of(lambda t: 0.85 * (1 - 0.01 * math.exp(-t / 30)), until_s=60.0).ratio > 5e-3


def _warming(rig, warm_up):
    journal = Journal(rig.clock, rig)
    supervisor = Supervisor(
        plan=rig.plan, power=rig.board, faults=rig.board, clock=rig.clock, period_s=0.1, journal=journal
    )
    measurer = Measurer(
        plan=rig.plan, power=rig.board, meter=rig.meter, supervisor=supervisor, clock=rig.clock, journal=journal
    )
    return Warming(warm_up=warm_up, measurer=measurer, supervisor=supervisor, clock=rig.clock, journal=journal)


def test_a_board_that_stands_still_is_warm_after_the_time_asked_for():
    rig = Rig()
    _warming(rig, WarmUp(drift_ratio=1e-4, over_s=2.0, timeout_s=60.0)).wait()
    assert 2.0 <= rig.clock.now_s() < 3.0
    assert (rig.told[-1].severity, rig.told[-1].text[:4]) == ("note", "warm")


def test_a_board_that_never_stops_drifting_is_said_to_be_cold_and_the_run_goes_on():
    rig = Rig()
    meter_start = rig.meter.start

    def drifting(rails):
        rig.meter.error_ratio["DDR"] = 1e-3 * rig.clock.now_s()
        return meter_start(rails)

    rig.meter.start = drifting
    _warming(rig, WarmUp(drift_ratio=1e-4, over_s=2.0, timeout_s=10.0)).wait()
    assert rig.told[-1].severity == "warning"
    assert "not warm after 10" in rig.told[-1].text
    assert "DDR drifts most, by 0.2 % in 2 s" in rig.told[-1].text
    assert 10.0 <= rig.clock.now_s() < 11.0


def test_the_rails_are_watched_while_the_board_warms():
    rig = Rig()
    _warming(rig, WarmUp(drift_ratio=1e-4, over_s=2.0, timeout_s=60.0)).wait()
    assert sum(name == "read" for name, *_ in rig.log) >= 20
