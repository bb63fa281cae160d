"""What a run does when the board does not do as it should: trips, limits, control points, policies."""

from dataclasses import replace
from itertools import pairwise

import pytest
from fake_bench import OC, OV, SCAN_S, THREE, FakeChecks, Rig, a_plan, a_rail, answered

from cornerrun.bench.ports import Note
from cornerrun.plan.model import AllRails, Check, ControlPoints, NamedCorner, Policy, SingleRail, Tracks
from cornerrun.results.records import EndState, Outcome, RunResult


def _names(rig: Rig) -> list[str]:
    return [name for name, *_ in rig.log]


def _visits(rig: Rig) -> dict[str, Outcome]:
    return {record.visit.corner: record.visit.outcome for record in rig.store.visits}


def test_a_clean_run_visits_every_step_in_order_and_restores_the_baseline():
    rig = Rig()
    end = rig.run()
    assert (end.result, end.end_state, end.exit_code) == (RunResult.PASS, EndState.NOMINAL, 0)
    assert [record.visit.ordinal for record in rig.store.visits] == list(range(11))
    assert rig.board.is_at_nominal
    assert rig.board.restored == 1
    assert rig.store.end[:2] == (RunResult.PASS, EndState.NOMINAL)


def test_each_intent_is_kept_before_its_moves_and_with_the_visit_before():
    rig = Rig()
    rig.run()
    kept = [entry for entry in rig.log if entry[0] in {"store begin", "store intend", "move", "store end"}]
    assert kept[0][0] == "store begin"
    assert kept[1] == ("store intend", 0)
    for before, after in pairwise(kept):
        if after[0] == "move" and before[0] != "move":
            assert before[0] == "store intend"
    assert "store finish" in _names(rig), "the last visit has no intent after it"
    assert _names(rig).count("store finish") == 1


def test_the_intent_of_a_step_holds_its_way_back():
    rig = Rig()
    rig.run()
    intents = {intent.step.corner.name: intent.step for intent in rig.store.intents}
    assert {rail for burst in intents["all high"].return_order for rail in burst} == {"CORE", "DDR", "IO"}


def test_every_rail_is_read_at_least_once_a_period_from_first_move_to_last():
    rig = Rig(checks=FakeChecks, plan=a_plan(checks=(Check(name="soak", python="x.py:f", trials=1, takes_s=1.0),)))
    seen: dict[str, list[float]] = {}

    def before(board, name, _):
        if name == "read":
            for rail in board.log[-1][1]:
                seen.setdefault(rail, []).append(board.clock.now_s())

    rig.board.before = before
    rig.run()
    for rail, times in seen.items():
        gaps = [after - one for one, after in pairwise(times)]
        # The time of the other rails' messages comes on top.
        assert max(gaps) <= 0.1 + 0.01, rail


def test_the_supervisor_keeps_least_and_greatest_during_each_check():
    check = Check(name="soak", python="x.py:f", trials=2, takes_s=0.3)
    rig = Rig(checks=FakeChecks, plan=a_plan(checks=(check,)))
    rig.run()
    record = next(record for record in rig.store.visits if record.visit.corner == "all high")
    soak = {watched.rail: watched for watched in record.watched if watched.during == "soak"}
    assert set(soak) == {"CORE", "DDR", "IO"}
    assert all(watched.samples >= 5 for watched in soak.values())
    assert soak["CORE"].min_v == pytest.approx(0.8925, rel=1e-6)
    assert {watched.during for watched in record.watched} == {"settle", "measure", "soak"}


def _trips(rail: str, **registers: int):
    return lambda board: board.trip(rail, **registers)


def _uv_trip_rig(policy: str = "stop", **changes) -> Rig:
    rig = Rig(a_plan(policy=Policy(on_trip=policy), **changes))
    rig.at("fetch", 3, _trips("DDR", STATUS_VOUT=0x10))  # at "all low"
    return rig


def test_a_trip_is_captured_before_it_is_cleared_and_the_board_comes_back():
    rig = _uv_trip_rig()
    end = rig.run()
    assert (end.result, end.end_state, end.exit_code) == (RunResult.FAIL, EndState.NOMINAL, 1)
    names = _names(rig)
    assert names.index("capture") < names.index("clear") < names.index("turn_on")
    assert rig.board.is_at_nominal
    record = rig.store.visits[-1]
    assert record.visit.outcome is Outcome.TRIPPED
    (fault,) = record.faults
    assert (fault.originator, fault.kind, fault.followers) == ("DDR", "UV", ())
    assert {capture.rail for capture in fault.captures} == {"CORE", "DDR", "IO"}
    outcomes = {reading.rail: reading.outcome for reading in record.readings}
    assert outcomes["DDR"] is Outcome.TRIPPED
    assert outcomes["CORE"] is not Outcome.TRIPPED


def test_the_policy_decides_whether_a_run_goes_on_after_a_trip():
    stopped, went_on = _uv_trip_rig("stop"), _uv_trip_rig("skip corner")
    stopped.run()
    end = went_on.run()
    assert len(stopped.store.visits) == 3
    assert end.result is RunResult.FAIL
    assert _visits(went_on)["IO low"] is Outcome.PASS


def test_after_a_recovered_trip_a_control_point_proves_the_board_first():
    rig = _uv_trip_rig("skip corner")
    rig.run()
    corners = [(record.visit.corner, record.visit.is_control) for record in rig.store.visits]
    place = next(n for n, record in enumerate(rig.store.visits) if record.visit.outcome is Outcome.TRIPPED)
    assert corners[place + 1] == ("nominal", True)
    inserted = rig.store.visits[place + 1].visit.ordinal
    assert inserted == 11, "numbered after the planned steps, which keep their numbers"


def test_a_corner_that_tripped_is_not_visited_again():
    rig = _uv_trip_rig("skip corner", schemes=(AllRails(levels=("high", "low")),))
    rig.plan = rig.board.plan = replace(rig.plan, corners=replace(rig.plan.corners, repeats=2))
    rig.run()
    again = [record.visit for record in rig.store.visits if record.visit.corner == "all low"]
    assert [visit.outcome for visit in again] == [Outcome.TRIPPED, Outcome.SKIPPED]
    assert "it tripped at visit 2" in again[1].reason


@pytest.mark.parametrize(("bit", "registers"), [(OV, {"STATUS_VOUT": 0x80}), (OC, {"STATUS_IOUT": 0x80})])
def test_a_severe_trip_ends_off_with_its_evidence_kept(bit, registers):
    rig = Rig(a_plan(policy=Policy(on_trip="skip corner")))
    rig.at("fetch", 2, _trips("IO", STATUS_WORD=bit, **registers))
    end = rig.run()
    assert (end.end_state, end.exit_code, end.result) == (EndState.OFF, 4, RunResult.FAIL)
    assert rig.board.is_off
    assert "clear" not in _names(rig)
    assert _names(rig).index("capture") < _names(rig).index("turn_off"), "the part was down: evidence first"
    assert rig.store.visits[-1].faults[0].originator == "IO"


def test_a_fault_bit_on_a_rail_that_is_still_on_turns_the_board_off_first():
    rig = Rig()
    rig.at("fetch", 2, lambda board: board.outputs["IO"].registers.update(STATUS_WORD=OV, STATUS_VOUT=0x80))
    end = rig.run()
    assert end.end_state is EndState.OFF
    assert _names(rig).index("turn_off") < _names(rig).index("capture")
    assert rig.store.visits[-1].faults[0].kind == "OV"


def test_a_temperature_warning_is_noted_and_an_over_temperature_fault_ends_off():
    warned = Rig()
    warned.at("fetch", 2, lambda board: board.outputs["IO"].registers.update(STATUS_WORD=4, STATUS_TEMPERATURE=0x40))
    assert warned.run().exit_code == 0
    assert any("temperature" in event.what.lower() for event in warned.store.events)
    hot = Rig()
    hot.at("fetch", 2, lambda board: board.outputs["IO"].registers.update(STATUS_WORD=4, STATUS_TEMPERATURE=0x80))
    end = hot.run()
    assert (end.end_state, end.exit_code) == (EndState.OFF, 4)
    assert hot.store.visits[-1].faults[0].kind == "OT"


def test_a_propagated_trip_names_the_one_with_its_own_limit_bit():
    def act(board):
        board.trip("CORE")
        board.trip("IO", STATUS_VOUT=0x10)
        board.trip("DDR")

    rig = Rig()
    rig.at("fetch", 2, act)
    rig.run()
    (fault,) = rig.store.visits[-1].faults
    assert fault.originator == "IO"
    assert set(fault.followers) == {"CORE", "DDR"}
    assert rig.board.is_on


def test_a_trip_while_one_rail_moves_is_blamed_on_it_only_if_it_is_down():
    rig = Rig(a_plan(schemes=(SingleRail(levels=("low",)),)))
    rig.at("move", 1, _trips("CORE"))
    rig.run()
    assert rig.store.visits[-1].faults[0].originator == "CORE"
    other = Rig(a_plan(schemes=(SingleRail(levels=("low",)),)))
    other.at("move", 1, _trips("IO"))
    other.run()
    assert other.store.visits[-1].faults[0].originator == "undetermined"


def test_a_rail_that_starts_slowly_is_given_its_time():
    rig = _uv_trip_rig("skip corner")
    rig.at("turn_on", 1, lambda board: board.outputs["DDR"].__setattr__("tau_s", 0.1))
    end = rig.run()
    assert end.end_state is EndState.NOMINAL


def test_retries_of_the_bus_are_told_in_the_report():
    rig = Rig()
    rig.traffic = {"messages": 5000, "retries": 3, "errors": 0}
    rig.run()
    assert rig.store.events[-1].what == "bus traffic: 3 retries in 5000 messages"


def test_what_drivers_saw_is_told_in_the_report():
    rig = Rig()
    rig.driver_notes = [Note(severity="warning", what="VOUT_MAX cannot be tightened", rail="DDR")]
    rig.run()
    (event,) = rig.store.events
    assert (event.severity, event.what, event.rail) == ("warning", "VOUT_MAX cannot be tightened", "DDR")


def test_a_bug_is_told_with_the_line_it_came_from():
    rig = Rig()

    def buggy(board):
        raise ZeroDivisionError("division by zero")

    rig.at("meter", 2, buggy)
    end = rig.run()
    assert "internal error: ZeroDivisionError: division by zero (test_executor.py:" in end.why
    assert (end.end_state, end.exit_code) == (EndState.NOMINAL, 3)


def test_a_board_that_does_not_come_back_after_a_trip_goes_off():
    rig = _uv_trip_rig("skip corner")
    rig.at("turn_on", 1, lambda board: board.outputs["DDR"].__setattr__("clamp_v", 1.1))
    end = rig.run()
    assert (end.end_state, end.exit_code) == (EndState.OFF, 4)
    assert "did not come back to nominal" in end.why


def test_a_voltage_beyond_a_hard_limit_ends_off():
    rig = Rig()
    rig.at("fetch", 2, lambda board: board.outputs["CORE"].__setattr__("error_ratio", 0.06))
    end = rig.run()
    assert (end.end_state, end.exit_code) == (EndState.OFF, 4)
    assert "CORE reads 946.05 mV, hard limits 765 mV to 935 mV" in end.why
    assert rig.store.visits[-1].visit.outcome is Outcome.FAIL_VOLTAGE
    assert rig.store.visits[-1].faults[0].captures


def test_one_corrupted_reading_does_not_take_the_board_down():
    rig = Rig()

    def before(board, name, count):
        if name == "read" and count == 8:
            board.outputs["CORE"].error_ratio = 0.5
        if name == "read" and count == 9:
            board.outputs["CORE"].error_ratio = 0.0

    rig.board.before = before
    end = rig.run()
    assert end.end_state is EndState.NOMINAL
    assert any("did not repeat" in event.what for event in rig.store.events)


def test_a_voltage_that_only_the_meter_sees_beyond_a_hard_limit_ends_off_too():
    rig = Rig()
    rig.at("meter", 2, lambda board: rig.meter.error_ratio.update(DDR=0.06))
    end = rig.run()
    assert (end.end_state, end.exit_code) == (EndState.OFF, 4)
    assert "on the reference meter" in end.why


def test_a_rail_that_does_not_settle_skips_its_checks_and_the_next_corners_start_from_a_proven_nominal():
    check = Check(name="march", python="x.py:f", trials=1)
    rig = Rig(a_plan(checks=(check,)), checks=FakeChecks)
    slow = {"all high"}

    def before(board, name, _):
        if name == "move":
            is_slow = set(board.log[-1][1]) == {("CORE", "high"), ("DDR", "high"), ("IO", "high")}
            board.outputs["DDR"].tau_s = 3.0 if is_slow else 0.005
        if name == "to_nominal":
            board.outputs["DDR"].tau_s = 0.005

    rig.board.before = before
    end = rig.run()
    record = next(record for record in rig.store.visits if record.visit.corner in slow)
    assert record.visit.outcome is Outcome.NOT_SETTLED
    assert [one.outcome for one in record.checks] == [Outcome.NOT_RUN]
    assert ("march", "all high") not in rig.checks.calls
    following = rig.store.visits[rig.store.visits.index(record) + 1].visit
    assert (following.corner, following.is_control, following.outcome) == ("nominal", True, Outcome.PASS)
    assert end.result is RunResult.FAIL
    assert _visits(rig)["IO low"] is Outcome.PASS


def test_a_clamped_rail_has_not_achieved_its_target():
    rig = Rig()
    rig.at("move", 1, lambda board: board.outputs["DDR"].__setattr__("clamp_v", 1.24))
    rig.run()
    record = next(record for record in rig.store.visits if record.visit.corner == "all high")
    assert record.visit.outcome is Outcome.FAIL_VOLTAGE
    assert "stands still at 1.24 V" in record.visit.reason


def test_a_device_that_says_it_clamps_is_believed_and_its_bit_does_not_stick_to_later_corners():
    rig = Rig(a_plan(schemes=(SingleRail(levels=("high", "low")),)))

    def before(board, name, count):
        output = board.outputs["DDR"]
        if board.levels["DDR"] == "high":
            output.registers.update(STATUS_WORD=0x8000, STATUS_VOUT=0x08)

    rig.board.before = before
    rig.run()
    outcomes = _visits(rig)
    assert outcomes["DDR high"] is Outcome.FAIL_VOLTAGE
    assert outcomes["DDR low"] is Outcome.PASS
    assert any("STATUS_VOUT 0x08" in event.what and event.rail == "DDR" for event in rig.store.events)


def test_status_bits_that_stand_before_the_run_are_kept_before_they_are_cleared():
    rig = Rig()
    rig.board.outputs["IO"].registers.update(STATUS_WORD=0x2000, STATUS_INPUT=0x20)
    assert rig.run().exit_code == 0
    assert any("before the run" in event.what and event.rail == "IO" for event in rig.store.events)
    assert _names(rig).index("capture") < _names(rig).index("clear")
    assert _names(rig).index("store begin") < _names(rig).index("clear")


def test_a_control_point_that_drifted_voids_its_block_and_a_second_one_ends_the_run():
    rig = Rig()
    rig.at("meter", 3, lambda board: board.outputs["CORE"].__setattr__("error_ratio", 0.002))
    end = rig.run()
    assert end.result is RunResult.INVALID
    assert end.exit_code == 3
    assert "CORE has moved by 0.2 %" in end.why
    controls = [record.visit.ordinal for record in rig.store.visits if record.visit.is_control]
    assert controls == [0, 5, 11], "the second of the three is repeated once, then the run ends"
    assert rig.board.is_at_nominal


def test_drift_that_goes_away_costs_its_block_only():
    rig = Rig()
    rig.at("meter", 3, lambda board: board.outputs["CORE"].__setattr__("error_ratio", 0.002))
    rig.at("meter", 7, lambda board: board.outputs["CORE"].__setattr__("error_ratio", 0.0))
    end = rig.run()
    assert end.result is RunResult.INVALID
    assert _visits(rig)["IO low"] is Outcome.PASS, "the run went on"


def test_a_first_control_point_that_fails_ends_the_run_before_anything_is_margined():
    rig = Rig()
    rig.at("meter", 1, lambda board: rig.meter.error_ratio.update(CORE=0.02))
    end = rig.run()
    assert "move" not in _names(rig)
    assert end.result is not RunResult.PASS
    assert len(rig.store.visits) == 1


def test_a_rail_that_hardware_makes_follow_settles_and_is_measured_with_its_leader():
    rails = (*THREE[:2], a_rail("VTT", 0.6, power=None, tracks=Tracks(rail="DDR", ratio=0.5)))
    rig = Rig(a_plan(rails))
    assert rig.run().exit_code == 0
    record = next(record for record in rig.store.visits if record.visit.corner == "all high")
    vtt = next(reading for reading in record.readings if reading.rail == "VTT")
    assert (vtt.level, vtt.target_v, vtt.telemetry_v) == ("high", pytest.approx(0.63), None)
    assert vtt.reference_v == pytest.approx(0.63, rel=1e-3)


def test_a_follower_without_telemetry_is_measured_again_until_it_has_followed():
    rails = (*THREE[:2], a_rail("VTT", 0.6, power=None, tracks=Tracks(rail="DDR", ratio=0.5)))
    rig = Rig(a_plan(rails, controls=ControlPoints(every=4)))
    rig.board.outputs["VTT"].tau_s = 0.08
    end = rig.run()
    assert end.exit_code == 0
    assert ("meter", ("VTT",)) in rig.log


def test_telemetry_is_the_mean_of_what_was_read_while_the_meter_worked():
    rig = Rig(a_plan(schemes=(AllRails(levels=("high",)),)), period_s=SCAN_S)
    rig.meter.channel_s = 0.2
    rig.run()
    record = next(record for record in rig.store.visits if record.visit.corner == "all high")
    assert all(reading.telemetry_n > 10 for reading in record.readings)


def test_without_a_meter_accuracy_is_not_measured_and_control_points_average():
    rig = Rig(has_meter=False)
    end = rig.run()
    assert end.exit_code == 0
    control, corner = rig.store.visits[0], rig.store.visits[1]
    assert all(reading.reference_v is None for reading in control.readings)
    assert {reading.telemetry_n for reading in control.readings} == {4}
    assert {reading.telemetry_n for reading in corner.readings} == {1}


def _failing_low(**policy):
    check = Check(name="march", python="x.py:f", trials=2)
    rig = Rig(a_plan(checks=(check,), policy=Policy(**policy)), checks=FakeChecks)

    def verdict(check, view):
        if view.corner == "all low":
            return answered(check, (True, False), Outcome.FAIL_FUNCTIONAL, "1 of 2 trials failed")
        return answered(check)

    rig.checks.verdict = verdict
    return rig


def test_a_failed_corner_is_held_for_the_stated_time_and_the_run_goes_on():
    rig = _failing_low(on_fail="hold", hold_s=300.0)
    end = rig.run()
    held = {record.visit.corner: record.visit.phase_s.get("hold") for record in rig.store.visits}
    assert held.pop("all low") == pytest.approx(300.0)
    assert set(held.values()) == {None}
    assert rig.store.visits[-1].visit.is_control
    assert end.result is RunResult.FAIL
    assert rig.board.is_at_nominal
    assert any("all low failed (fail-functional): held as it is for 5 min" in event.what for event in rig.store.events)


def test_nothing_is_held_where_nobody_is_at_the_bench():
    rig = _failing_low(on_fail="hold", hold_s=300.0)
    rig.run(is_attended=False)
    assert {record.visit.phase_s.get("hold") for record in rig.store.visits} == {None}


def test_who_ends_a_hold_ends_the_run_at_nominal_and_the_failure_stays():
    rig = _failing_low(on_fail="hold", hold_s=300.0)
    note = rig.store.visits

    class Probing:
        def tell(self, event):
            if "held as it is" in getattr(event, "text", ""):
                rig.clock.stop.request("somebody pressed Ctrl-C")

    end = rig.run(listener=Probing())
    low = next(record for record in note if record.visit.corner == "all low")
    assert low.visit.outcome is Outcome.FAIL_FUNCTIONAL
    assert low.visit.phase_s["hold"] < 300.0
    assert end.result is RunResult.FAIL
    assert rig.board.is_at_nominal


def test_the_plan_may_end_a_run_at_its_first_failure():
    check = Check(name="march", python="x.py:f", trials=2)
    rig = Rig(a_plan(checks=(check,), policy=Policy(on_fail="stop")), checks=FakeChecks)

    def verdict(check, view):
        if view.corner == "all low":
            return answered(check, (True, False), Outcome.FAIL_FUNCTIONAL, "1 of 2 trials failed")
        return answered(check)

    rig.checks.verdict = verdict
    end = rig.run()
    assert [record.visit.corner for record in rig.store.visits] == ["nominal", "all high", "all low"]
    assert end.result is RunResult.FAIL
    assert rig.board.is_at_nominal


def test_a_check_that_hangs_costs_one_outcome_and_leaves_the_others_out():
    checks = (Check(name="march", python="x.py:f"), Check(name="frames", python="x.py:g"))
    rig = Rig(a_plan(checks=checks), checks=FakeChecks)

    def verdict(check, view):
        if view.corner == "all low" and check.name == "march":
            return answered(check, (None,), Outcome.NO_ANSWER, "trial 0: no answer")
        return answered(check)

    rig.checks.verdict = verdict
    end = rig.run()
    record = next(record for record in rig.store.visits if record.visit.corner == "all low")
    assert record.visit.outcome is Outcome.NO_ANSWER
    assert {one.check: one.outcome for one in record.checks} == {"march": Outcome.NO_ANSWER, "frames": Outcome.NOT_RUN}
    assert rig.store.visits[rig.store.visits.index(record) + 1].visit.is_control
    assert _visits(rig)["IO low"] is Outcome.PASS
    assert end.result is RunResult.FAIL


def test_a_check_sees_the_corner_and_what_was_measured_there():
    seen = []
    rig = Rig(a_plan(checks=(Check(name="march", python="x.py:f", settings={"size": "4"}),)), checks=FakeChecks)

    def verdict(check, view):
        seen.append(view)
        return answered(check)

    rig.checks.verdict = verdict
    rig.run(seed=7, unit_data={"colour": "blue"})
    view = next(view for view in seen if view.corner == "all high")
    assert view.levels == {"CORE": "high", "DDR": "high", "IO": "high"}
    assert view.readings["CORE"].reference_v == pytest.approx(0.8925, rel=1e-3)
    assert view.readings["CORE"].setpoint_v == pytest.approx(0.8925, abs=1 / 4096)
    assert (view.visit, view.seed, view.serial) == (1, 7, "00123")
    assert (view.unit, view.settings) == ({"colour": "blue"}, {"size": "4"})
    assert rig.checks.hooks == ["begin", "end"]


def test_a_step_after_trouble_starts_from_nominal_with_moves_of_its_own():
    rig = _uv_trip_rig(
        "skip corner",
        schemes=(
            NamedCorner(name="a", levels={"CORE": "high"}),
            NamedCorner(name="b", levels={"CORE": "high", "DDR": "low"}),
            NamedCorner(name="c", levels={"CORE": "high", "DDR": "high"}),
        ),
    )
    rig.run()
    moves = [entry[1] for entry in rig.log if entry[0] == "move"]
    # Planned from b, c needs DDR alone; after the trip at b, CORE has to be moved again too.
    assert set(moves[-2]) == {("CORE", "high"), ("DDR", "high")}
    assert _visits(rig)["c"] is Outcome.PASS


def test_a_control_point_that_is_due_anyway_is_not_doubled():
    rig = _uv_trip_rig("skip corner", controls=ControlPoints(every=2))
    rig.run()
    corners = [record.visit.corner for record in rig.store.visits]
    assert corners[:5] == ["nominal", "all high", "all low", "nominal", "CORE high"]
    assert max(record.visit.ordinal for record in rig.store.visits) == 12
