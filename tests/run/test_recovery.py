"""The order that experts keep, watched on the bus."""

import pytest
from fault_desk import CLEAR_FAULTS, OPERATION, FaultDesk

from cornerrun.results.records import EndState, Outcome

LINE = "fault_lines:\n  F0: {driven_by: [CORE, SRAM, DDR, AUX], obeyed_by: [CORE, SRAM, DDR, AUX], delay: 1 ms}\n"
TRIP = "  trips: [{rail: SRAM, shows: SHOWS, corner: all low, after: 60 ms}]"


@pytest.fixture
def desk(tmp_path):
    made = []

    def make(*args, **texts) -> FaultDesk:
        made.append(FaultDesk(tmp_path, *args, **texts))
        return made[-1]

    yield make
    for one in made:
        one.close()


@pytest.mark.parametrize("shows", ["uv_fault", "ov_fault"])
def test_all_is_captured_before_anything_is_cleared(desk, shows):
    one = desk(TRIP.replace("SHOWS", shows), BOARD=LINE)
    one.clock.charge(1000.0)  # the machine has been on for a while when the run begins
    end, visits = one.run(("nominal", "all*"))
    (fault,) = [fault for record in visits for fault in record.faults]
    visit = next(record.visit for record in visits if record.faults)
    assert fault.originator == "SRAM"
    assert {capture.rail for capture in fault.captures} == {"CORE", "SRAM", "DDR", "AUX"}
    for capture in fault.captures:
        assert {"STATUS_WORD", "STATUS_VOUT", "STATUS_IOUT", "STATUS_TEMPERATURE", "STATUS_CML"} <= set(
            capture.registers
        )
        assert {"READ_VOUT", "READ_IOUT", "READ_VIN", "OPERATION"} <= set(capture.registers)
        assert capture.fault_log
        assert visit.start_s <= fault.at_s <= capture.taken_at_s <= visit.end_s
    (own,) = [capture for capture in fault.captures if capture.rail == "SRAM"]
    assert own.registers["STATUS_VOUT"] & (0x10 if shows == "uv_fault" else 0x80)
    assert [stamp.register for stamp in own.stamps] == ["STATUS_VOUT"]
    cleared = [n for n, message in enumerate(one.messages) if message[2] == CLEAR_FAULTS]
    captured = [n for n, message in enumerate(one.messages) if message[:3] == ("read_byte_data", 0x40, 0x7A)]
    if shows == "uv_fault":
        assert end.end_state is EndState.NOMINAL
        assert cleared
        assert max(n for n in captured if n < cleared[0]) < cleared[0]
        # Between the evidence and the first CLEAR_FAULTS the rails that were still on went home, and nothing was turned
        # on before it was cleared.
        switched_on = [
            n
            for n, message in enumerate(one.messages)
            if message[0] == "write_byte_data" and message[2] == OPERATION and message[3][0] & 0x80
        ]
        assert any(n > cleared[0] for n in switched_on)
    else:
        assert (end.end_state, cleared) == (EndState.OFF, [])


def test_entries_that_were_in_the_log_before_name_nobody(desk):
    """Two rails trip, one after the other: the log still holds the first when the second fails."""
    one = desk(
        "  trips:\n"
        "    - {rail: SRAM, shows: uv_fault, corner: all high, after: 60 ms}\n"
        "    - {rail: CORE, shows: uv_fault, corner: all low, after: 60 ms}",
        BOARD=LINE,
    )
    _, visits = one.run(("nominal", "all*"))
    faults = [fault for record in visits for fault in record.faults]
    assert {fault.originator for fault in faults} == {"SRAM", "CORE"}
    assert len(faults[1].captures[0].fault_log) > len(faults[0].captures[0].fault_log)
    assert [len(capture.stamps) for capture in faults[1].captures] == [
        1 if capture.rail == faults[1].originator else 0 for capture in faults[1].captures
    ]


@pytest.mark.parametrize("has_log", [True, False])
def test_two_rails_with_faults_of_their_own_are_told_apart_by_their_stamps_alone(desk, has_log):
    one = desk(
        "  trips:\n"
        "    - {rail: SRAM, shows: uv_fault, corner: all low, after: 60.0 ms}\n"
        "    - {rail: CORE, shows: uv_fault, corner: all low, after: 62.0 ms}",
        log=has_log,
    )
    _, visits = one.run(("nominal", "all low"))
    (fault,) = [fault for record in visits for fault in record.faults]
    assert fault.originator == ("SRAM" if has_log else "undetermined")
    assert [record.visit.outcome for record in visits if record.faults] == [Outcome.TRIPPED]


def test_stamps_of_two_devices_are_not_compared(desk):
    one = desk(
        "  trips:\n"
        "    - {rail: SRAM, shows: uv_fault, corner: all low, after: 60.0 ms}\n"
        "    - {rail: DDR, shows: uv_fault, corner: all low, after: 62.0 ms}"
    )
    _, visits = one.run(("nominal", "all low"))
    (fault,) = [fault for record in visits for fault in record.faults]
    assert fault.originator == "undetermined"
    assert set(fault.followers) >= {"SRAM", "DDR"}


# Margin low of SRAM is 0.855 V.
TRIPS_LOW = ", limits: {uv_fault: 0.86 V, uv_warn: 0.865 V}, registers: {VOUT_UV_FAULT_RESPONSE: BYTE}"


def test_a_device_that_tries_again_by_itself_is_told_from_one_that_latches(desk):
    one = desk(OF_SRAM=TRIPS_LOW.replace("BYTE", "0xBF"), MANAGER=", retry: 300 ms")
    end, visits = one.run(("nominal", "SRAM low"))
    assert end.end_state is EndState.NOMINAL
    (fault,) = [fault for record in visits for fault in record.faults]
    assert (fault.originator, fault.kind) == ("SRAM", "UV")
    assert any("SRAM turned on by itself" in event.what for event in one.store.load(end.run_id).events)
    # What is good between two tries only is not good: the time at nominal is longer than the retry period.
    (tripped,) = [n for n, record in enumerate(visits) if record.faults]
    assert visits[tripped].visit.end_s - fault.at_s > 2.0
    assert visits[tripped + 1].visit.outcome is Outcome.PASS


def test_a_device_that_latches_stays_off_until_it_is_cleared(desk):
    one = desk(OF_SRAM=TRIPS_LOW.replace("BYTE", "0x80"))
    end, visits = one.run(("nominal", "SRAM low"))
    assert end.end_state is EndState.NOMINAL
    assert [fault.originator for record in visits for fault in record.faults] == ["SRAM"]
    assert any("SRAM stays off: latched" in event.what for event in one.store.load(end.run_id).events)


def test_a_trip_between_two_looks_is_seen_by_the_bit_that_it_left_and_the_board_is_made_safe_first(desk):
    """The device is on again 2 ms after it tripped: its status word says nothing but that something is up."""
    one = desk(OF_SRAM=TRIPS_LOW.replace("BYTE", "0xBF"), MANAGER=", retry: 2 ms")
    end, visits = one.run(("nominal", "SRAM low"))
    (fault,) = [fault for record in visits for fault in record.faults]
    assert (fault.originator, end.end_state) == ("SRAM", EndState.NOMINAL)
    by_rail = {capture.rail: capture for capture in fault.captures}
    assert all(capture.registers["OPERATION"] & 0x30 == 0 for capture in by_rail.values())
    assert not by_rail["SRAM"].registers["STATUS_WORD"] & 0x40


def test_a_corner_is_visited_again_as_often_as_the_plan_says_and_each_trip_is_kept(desk):
    one = desk(TRIP.replace("SHOWS", "uv_fault")[:-2] + ", times: 2}]", POLICY="on_trip: retry, retries: 3")
    end, visits = one.run(("nominal", "all*"))
    of_low = [record.visit for record in visits if record.visit.corner == "all low"]
    assert [visit.outcome for visit in of_low] == [Outcome.TRIPPED, Outcome.TRIPPED, Outcome.PASS]
    assert len({record.visit.ordinal for record in visits}) == len(visits)
    # Before each visit more, a control point proves the board.
    for place in [n for n, record in enumerate(visits) if record.faults]:
        assert (visits[place + 1].visit.is_control, visits[place + 1].visit.outcome) == (True, Outcome.PASS)
    assert (end.end_state, end.exit_code) == (EndState.NOMINAL, 1)


def test_a_corner_that_trips_every_time_is_left_after_the_tries_of_the_plan(desk):
    one = desk(TRIP.replace("SHOWS", "uv_fault")[:-2] + ", times: 100}]", POLICY="on_trip: retry, retries: 2")
    end, visits = one.run(("nominal", "all*"))
    of_low = [record.visit.outcome for record in visits if record.visit.corner == "all low"]
    assert of_low == [Outcome.TRIPPED] * 3
    assert end.end_state is EndState.NOMINAL
    assert visits[-1].visit.is_control
