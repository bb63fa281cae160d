"""The watch: who is read when, what raises, what is kept."""

import pytest
from fake_bench import OFF, OV, Rig

from cornerrun.errors import LinkError, SupervisionLost
from cornerrun.run.journal import Journal
from cornerrun.run.sequence import Trouble
from cornerrun.run.supervisor import Supervisor
from cornerrun.run.trouble import Alarmed

START_S = 1.0


def _supervisor(rig: Rig, period_s: float = 0.1) -> Supervisor:
    rig.clock.sleep_until(START_S)
    return Supervisor(
        plan=rig.plan,
        power=rig.board,
        faults=rig.board,
        clock=rig.clock,
        period_s=period_s,
        journal=Journal(rig.clock, rig),
    )


def _reads(rig: Rig) -> list[tuple[str, ...]]:
    return [entry[1] for entry in rig.log if entry[0] == "read"]


def test_waiting_reads_every_rail_once_a_period():
    rig = Rig()
    _supervisor(rig).wait_until(START_S + 1.0)
    assert 10 <= len(_reads(rig)) <= 11
    assert all(rails == ("CORE", "DDR", "IO") for rails in _reads(rig))
    assert rig.clock.now_s() == pytest.approx(START_S + 1.0, abs=0.001)


def test_a_rail_that_was_just_read_for_settling_is_not_read_again_by_the_watch():
    rig = Rig()
    supervisor = _supervisor(rig)
    supervisor.tick()
    rig.clock.sleep_until(START_S + 0.095)
    supervisor.read(["DDR"])
    rig.clock.sleep_until(START_S + 0.101)
    supervisor.tick()
    assert _reads(rig)[-1] == ("CORE", "IO")


def test_tick_tells_when_it_wants_to_be_called_again():
    rig = Rig()
    due_s = _supervisor(rig).tick()
    assert due_s == pytest.approx(START_S + 0.1, abs=0.001)


def test_a_stop_flag_raises_unless_the_way_back_ignores_it():
    rig = Rig()
    supervisor = _supervisor(rig)
    rig.clock.stop.request("interrupted")
    with pytest.raises(Alarmed, match="interrupted") as caught:
        supervisor.tick()
    assert caught.value.trouble is Trouble.STOP
    supervisor.ignores_stop = True
    supervisor.wait_until(START_S + 0.5)
    assert rig.clock.now_s() >= START_S + 0.5


def test_a_stop_while_it_sleeps_raises_at_once():
    rig = Rig()
    supervisor = _supervisor(rig)
    rig.at("read", 3, lambda board: board.clock.stop.request("interrupted"))
    with pytest.raises(Alarmed):
        supervisor.wait_until(10.0)
    assert rig.clock.now_s() < START_S + 0.5


def test_one_failed_read_is_tried_again_and_noted():
    rig = Rig()

    def fail(board):
        raise LinkError("no acknowledge")

    rig.at("read", 1, fail)
    _supervisor(rig).tick()
    assert len(_reads(rig)) == 2
    assert "no acknowledge" in rig.told[0].text


def test_rails_that_cannot_be_read_for_a_whole_period_are_lost_supervision():
    rig = Rig()

    def before(board, name, _):
        if name == "read":
            raise LinkError("no acknowledge")

    rig.board.before = before
    with pytest.raises(SupervisionLost, match="no acknowledge"):
        _supervisor(rig).tick()
    assert rig.clock.now_s() == pytest.approx(START_S + 0.1, abs=0.02)


def test_a_device_that_is_busy_for_half_a_period_is_read_when_it_answers_again():
    rig = Rig()

    def before(board, name, _):
        if name == "read" and board.clock.now_s() < START_S + 0.05:
            raise LinkError("no acknowledge")

    rig.board.before = before
    supervisor = _supervisor(rig)
    supervisor.tick()
    assert supervisor.last("CORE") is not None


@pytest.mark.parametrize(("bit", "trouble"), [(0, Trouble.TRIP), (OV, Trouble.SEVERE_TRIP)])
def test_a_rail_that_is_off_is_a_trip_not_a_voltage_beyond_a_limit(bit, trouble):
    rig = Rig()
    rig.board.trip("DDR", STATUS_WORD=bit)
    with pytest.raises(Alarmed, match="DDR is off") as caught:
        _supervisor(rig).tick()
    assert caught.value.trouble is trouble
    assert caught.value.rails == ("DDR",)


def test_a_rail_that_collapsed_because_another_tripped_is_found_as_that_trip():
    rig = Rig()
    supervisor = _supervisor(rig)
    supervisor.tick()
    rig.board.outputs["CORE"].error_ratio = -0.5
    rig.board.trip("IO")
    with pytest.raises(Alarmed) as caught:
        supervisor.read(["CORE"])
    assert (caught.value.trouble, caught.value.rails) == (Trouble.TRIP, ("IO",))


def test_a_voltage_beyond_a_hard_limit_raises_after_a_second_reading():
    rig = Rig()
    rig.board.outputs["CORE"].error_ratio = -0.2
    with pytest.raises(Alarmed, match="CORE reads 680 mV, hard limits 765 mV to 935 mV") as caught:
        _supervisor(rig).tick()
    assert caught.value.trouble is Trouble.HARD_LIMIT


def test_no_number_is_beyond_every_limit():
    rig = Rig()
    rig.board.outputs["CORE"].error_ratio = float("nan")
    with pytest.raises(Alarmed):
        _supervisor(rig).tick()


def test_a_rail_that_is_turned_on_may_be_off_and_low_until_it_has_come_up_once():
    rig = Rig()
    supervisor = _supervisor(rig)
    supervisor.expect_rise(["IO"])
    rig.board.outputs["IO"].is_on = False
    supervisor.tick()
    rig.board.outputs["IO"].is_on = True
    rig.board.outputs["IO"].error_ratio = -0.5
    supervisor.read(["IO"])
    rig.board.outputs["IO"].error_ratio = 0.0
    supervisor.read(["IO"])
    rig.board.outputs["IO"].error_ratio = -0.5
    with pytest.raises(Alarmed, match="IO reads"):
        supervisor.read(["IO"])


def test_a_rail_that_overshoots_while_it_is_turned_on_is_an_alarm():
    rig = Rig()
    supervisor = _supervisor(rig)
    supervisor.expect_rise(["IO"])
    rig.board.outputs["IO"].error_ratio = 0.2
    with pytest.raises(Alarmed, match="IO reads"):
        supervisor.read(["IO"])


def test_known_bits_raise_nothing_but_off_always_does():
    rig = Rig()
    supervisor = _supervisor(rig)
    rig.board.outputs["IO"].registers["STATUS_WORD"] = OV
    supervisor.known_status({"IO": OV | OFF})
    supervisor.tick()
    rig.board.trip("IO")
    with pytest.raises(Alarmed):
        supervisor.read(["IO"])


def test_ranges_are_kept_by_part_and_handed_over_once():
    rig = Rig()
    supervisor = _supervisor(rig)
    supervisor.begin("settle")
    supervisor.read(["CORE"])
    rig.board.outputs["CORE"].error_ratio = 0.01
    supervisor.read(["CORE"])
    supervisor.begin("march")
    supervisor.read(["CORE", "DDR"])
    ranges = {(one.rail, one.during): one for one in supervisor.take_ranges()}
    assert set(ranges) == {("CORE", "settle"), ("CORE", "march"), ("DDR", "march")}
    settle = ranges["CORE", "settle"]
    assert (settle.samples, settle.min_v, settle.max_v) == (2, 0.85, pytest.approx(0.8585))
    assert supervisor.take_ranges() == ()


def test_a_bench_without_telemetry_is_watched_by_nothing_and_says_nothing():
    rig = Rig()
    type(rig.board).scan_s, kept = property(lambda self: {}), type(rig.board).scan_s
    try:
        _supervisor(rig).wait_until(START_S + 1.0)
    finally:
        type(rig.board).scan_s = kept
    assert _reads(rig) == []
