from dataclasses import replace

import pytest
from invented_run import NAMES, a_plan, a_run_of, a_visit, good_visits, steps_of

from cornerrun.report.summary import summarise
from cornerrun.report.text import to_text
from cornerrun.results.records import Outcome


def test_each_device_is_measured_against_the_meter_worst_rail_first():
    plan = a_plan()
    (device,) = summarise(a_run_of(good_visits(plan)), plan=plan).telemetry
    # Telemetry of the invented run reads 0.4 mV high on every rail.
    assert device.device == "PM1"
    assert {rail.rail for rail in device.rails} == {"CORE", "IO"}
    assert device.worst.rail == "CORE"
    assert device.worst.worst_error_v.estimate == pytest.approx(4e-4, abs=1e-9)
    assert device.worst.worst_error.estimate == pytest.approx(4e-4 / 0.85, rel=0.06)
    assert device.worst.offset_v.low <= 4e-4 <= device.worst.offset_v.high
    assert device.n == 2 * len(NAMES)


def test_the_meters_own_uncertainty_is_counted_in():
    plan = a_plan()
    (device,) = summarise(a_run_of(good_visits(plan)), plan=plan).telemetry
    (bare,) = summarise(a_run_of(good_visits(plan), instruments=()), plan=plan).telemetry
    assert device.worst.worst_error_v.half_width > bare.worst.worst_error_v.half_width


def test_disputed_readings_are_counted_and_kept():
    plan = a_plan()
    visits = good_visits(plan)
    bad = replace(visits[1].readings[0], telemetry_v=0.95, outcome=Outcome.DISPUTED)
    visits[1] = replace(visits[1], readings=(bad, *visits[1].readings[1:]))
    (device,) = summarise(a_run_of(visits), plan=plan).telemetry
    assert (device.worst.rail, device.worst.disputed) == ("CORE", 1)


def test_without_a_meter_nothing_is_said_of_telemetry():
    plan = a_plan()
    visits = [a_visit(plan, step, with_meter=False) for step in steps_of(NAMES)]
    summary = summarise(a_run_of(visits), plan=plan)
    assert summary.telemetry == ()
    assert "Telemetry: device" not in to_text(summary)


def test_the_text_shows_the_worst_rail_of_each_device():
    plan = a_plan()
    text = to_text(summarise(a_run_of(good_visits(plan)), plan=plan))
    assert "Telemetry: device reading less reference reading" in text
    assert "1 more measure better" in text


def test_rails_without_a_device_have_a_distance_in_sigma_from_their_own_repeats():
    plan = a_plan()
    margins = summarise(a_run_of(good_visits(plan)), plan=plan).margins
    half = next(item for item in margins if item.rail == "HALF" and item.limit == "window")
    assert half.distance_sigma > 0
