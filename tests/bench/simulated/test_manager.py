import errno
import itertools
from collections.abc import Callable

import pytest

from cornerrun.bench.pmbus.formats import decode_linear11
from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.simulated.registers import BY_NAME, Code, Shape
from cornerrun.clock import ManualClock

A = 0x40
LSB_V = 2.0**-12
Wait = Callable[[ManualClock, float], None]


def word(voltage_v: float) -> int:
    return round(voltage_v / LSB_V)


def refused(act: Callable[..., object], *arguments: object) -> int | None:
    with pytest.raises(OSError, match="acknowledge") as raised:
        act(*arguments)
    return raised.value.errno


def cml(link: Link) -> int:
    return link.read_byte_data(A, Code.STATUS_CML)


def test_shows_who_it_is(build) -> None:
    bench, _ = build()
    link = bench.link("main")
    assert bytes(link.read_block_data(A, Code.MFR_MODEL)) == b"PM8"
    assert bytes(link.read_block_data(A, Code.MFR_SERIAL)) == b"00123"
    assert link.read_byte_data(A, Code.PMBUS_REVISION) == 0x33  # 1.3 of both parts
    assert link.read_byte_data(A, Code.VOUT_MODE) == 0x14  # linear, exponent -12 in five bits
    assert link.read_byte_data(A, Code.CAPABILITY) & 0x80  # PEC


def test_each_page_has_registers_of_its_own(build) -> None:
    bench, _ = build()
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 1)
    assert link.read_byte_data(A, Code.PAGE) == 1
    assert link.read_word_data(A, Code.VOUT_COMMAND) == word(1.2)
    link.write_word_data(A, Code.VOUT_MARGIN_HIGH, word(1.25))
    link.write_byte_data(A, Code.PAGE, 0)
    assert link.read_word_data(A, Code.VOUT_MARGIN_HIGH) == word(0.85 * 1.05)
    link.write_byte_data(A, Code.PAGE, 1)
    assert link.read_word_data(A, Code.VOUT_MARGIN_HIGH) == word(1.25)


def test_page_0xff_writes_every_page_and_reads_page_0(build) -> None:
    bench, _ = build()
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 0xFF)
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    assert link.read_word_data(A, Code.VOUT_COMMAND) == word(0.85)
    for page in (0, 1, 2):
        link.write_byte_data(A, Code.PAGE, page)
        assert link.read_byte_data(A, Code.OPERATION) == 0xA8


@pytest.mark.parametrize("page", [3, 0x20, 0xFE])
def test_a_page_that_is_not_there_is_refused_and_page_stays(build, page: int) -> None:
    bench, _ = build()
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 2)
    assert refused(link.write_byte_data, A, Code.PAGE, page) == errno.EREMOTEIO
    assert link.read_byte_data(A, Code.PAGE) == 2
    assert cml(link) == 0x40  # invalid data (Linux pmbus.h)


def test_an_unknown_command_is_refused_and_noted(build) -> None:
    bench, _ = build()
    link = bench.link("main")
    assert refused(link.read_word_data, A, 0xD3) == errno.EREMOTEIO
    assert refused(link.write_word_data, A, 0xD3, 1) == errno.EREMOTEIO
    assert refused(link.write_byte, A, 0xD3) == errno.EREMOTEIO
    assert cml(link) == 0x80  # invalid command (Linux pmbus.h)
    assert link.read_word_data(A, Code.STATUS_WORD) == 0x0002


def test_what_can_only_be_read_refuses_a_write(build) -> None:
    bench, _ = build()
    link = bench.link("main")
    assert refused(link.write_byte_data, A, Code.VOUT_MODE, 0x17) == errno.EREMOTEIO
    assert refused(link.write_word_data, A, Code.READ_VOUT, 0) == errno.EREMOTEIO
    assert refused(link.write_block_data, A, Code.MFR_MODEL, b"X") == errno.EREMOTEIO


def test_an_address_that_nobody_has_is_not_acknowledged(build) -> None:
    bench, _ = build()
    assert refused(bench.link("main").read_byte_data, 0x41, Code.PAGE) == errno.ENXIO


@pytest.mark.parametrize(
    ("operation", "name", "nominal_share"),
    [
        (0x80, "VOUT_COMMAND", 1.0),
        (0x94, "VOUT_MARGIN_LOW", 0.95),
        (0x98, "VOUT_MARGIN_LOW", 0.95),
        (0xA4, "VOUT_MARGIN_HIGH", 1.05),
        (0xA8, "VOUT_MARGIN_HIGH", 1.05),
    ],
)
def test_operation_selects_a_stored_word(build, wait: Wait, operation: int, name: str, nominal_share: float) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_byte_data(A, Code.OPERATION, operation)
    wait(clock, 0.1)
    # Half a step of the word, plus what is left of a move of 42 mV after 50 time constants: nothing.
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.85 * nominal_share, abs=LSB_V / 2)
    assert link.read_word_data(A, Code.READ_VOUT) == link.read_word_data(A, BY_NAME[name].code)
    assert link.read_word_data(A, Code.STATUS_WORD) == 0


@pytest.mark.parametrize("operation", [0x90, 0xA0, 0xB8, 0xAC, 0xC0, 0x81, 0x82])
def test_operation_refuses_codes_that_mean_nothing(build, wait: Wait, operation: int) -> None:
    bench, clock = build()
    link = bench.link("main")
    assert refused(link.write_byte_data, A, Code.OPERATION, operation) == errno.EREMOTEIO
    assert link.read_byte_data(A, Code.OPERATION) == 0x80
    assert cml(link) == 0x40
    wait(clock, 0.1)
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.85, abs=LSB_V)


def test_trim_is_signed_and_adds_to_whatever_is_selected(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    # A real register dump shows 0xFFB4, -76 steps, read as 65460 by a tool that forgot the sign (hubris issue 1576).
    link.write_word_data(A, Code.VOUT_TRIM, 0xFFB4)
    wait(clock, 0.1)
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx((word(0.85) - 76) * LSB_V)
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    wait(clock, 0.1)
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx((word(0.85 * 1.05) - 76) * LSB_V)


@pytest.mark.parametrize(("asked_v", "limit", "held_v"), [(1.1, Code.VOUT_MAX, 1.02), (0.3, Code.VOUT_MIN, 0.425)])
def test_the_output_is_held_at_its_limit_and_says_so(
    build, wait: Wait, asked_v: float, limit: int, held_v: float
) -> None:
    bench, clock = build(
        build.board().replace("adc: {noise: 0 V}", "limits: {ov_fault: 2 V, ov_warn: 2 V, uv_fault: 0.1 V}")
    )
    link = bench.link("main")
    assert link.read_word_data(A, limit) == word(held_v)
    link.write_word_data(A, Code.VOUT_COMMAND, word(asked_v))
    wait(clock, 0.1)
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(held_v, abs=LSB_V)
    assert link.read_byte_data(A, Code.STATUS_VOUT) & 0x08  # MAX/MIN warning (QEMU pmbus_device.h)
    # The word reads back as written: only the status and the voltage tell that the device did not follow it.
    assert link.read_word_data(A, Code.VOUT_COMMAND) == word(asked_v)


def test_a_gain_and_an_offset_error_of_the_trim_show_in_the_truth_and_not_in_the_word(build, wait: Wait) -> None:
    text = build.board().replace("adc: {noise: 0 V}", "trim: {gain_error: 0.4 %, offset_error: -1 mV}")
    bench, clock = build(text)
    wait(clock, 0.1)
    due_v = word(0.85) * LSB_V * 1.004 - 0.001
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(due_v, abs=1e-12)


def test_transition_rate_can_only_slow_the_power_stage_down(build, wait: Wait) -> None:
    bench, clock = build(build.board().replace("time_constant: 2 ms", "time_constant: 0 s", 1))
    link = bench.link("main")
    assert decode_linear11(link.read_word_data(A, Code.VOUT_TRANSITION_RATE)) == pytest.approx(1000.0, rel=1e-3)
    link.write_word_data(A, Code.VOUT_TRANSITION_RATE, 0x9B33)  # 819 * 2**-13 = 0.09998 mV/us: 100 V/s
    moved_s = clock.now_s()
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    done_s = clock.now_s()
    assert done_s > moved_s  # the wire takes its time
    wait(clock, 0.1)
    assert bench.truth_v("VDD_CORE", done_s + 100e-6) == pytest.approx(0.85 + 0.009998, abs=LSB_V)


def test_write_protect_levels_leave_what_the_standard_says(build) -> None:
    # Levels: Linux drivers/hwmon/pmbus/pmbus.h.
    writable = {
        0x80: {"WRITE_PROTECT"},
        0x40: {"WRITE_PROTECT", "OPERATION", "PAGE"},
        0x20: {"WRITE_PROTECT", "OPERATION", "PAGE", "ON_OFF_CONFIG", "VOUT_COMMAND"},
    }
    values = {
        "WRITE_PROTECT": None,
        "OPERATION": 0x80,
        "PAGE": 0,
        "ON_OFF_CONFIG": 0x1A,
        "VOUT_COMMAND": word(0.85),
        "VOUT_MARGIN_HIGH": word(0.87),
        "VOUT_TRIM": 0,
        "VOUT_UV_FAULT_LIMIT": word(0.7),
    }
    for level, allowed in writable.items():
        bench, _ = build()
        link = bench.link("main")
        link.write_byte_data(A, Code.WRITE_PROTECT, level)
        for name, value in values.items():
            register = BY_NAME[name]
            write = link.write_word_data if register.shape is Shape.WORD else link.write_byte_data
            sent = level if value is None else value
            if name in allowed:
                write(A, register.code, sent)
            else:
                assert refused(write, A, register.code, sent) == errno.EREMOTEIO, (hex(level), name)
        link.write_byte_data(A, Code.WRITE_PROTECT, 0)
        link.write_word_data(A, Code.VOUT_MARGIN_HIGH, word(0.87))


def test_write_protect_refuses_a_level_that_is_none(build) -> None:
    bench, _ = build()
    link = bench.link("main")
    assert refused(link.write_byte_data, A, Code.WRITE_PROTECT, 0x10) == errno.EREMOTEIO
    assert link.read_byte_data(A, Code.WRITE_PROTECT) == 0


def test_without_bit_3_of_on_off_config_operation_cannot_turn_off_but_still_margins(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_byte_data(A, Code.ON_OFF_CONFIG, 0x12)
    link.write_byte_data(A, Code.OPERATION, 0x00)
    wait(clock, 0.1)
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.85, abs=LSB_V)
    link.write_byte_data(A, Code.OPERATION, 0x98)
    wait(clock, 0.1)
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.85 * 0.95, abs=LSB_V)


@pytest.mark.parametrize("operation", [0x00, 0x40])
def test_an_output_that_is_off_discharges_and_says_off_and_not_power_good(build, wait: Wait, operation: int) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_byte_data(A, Code.OPERATION, operation)
    wait(clock, 0.2)
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.0, abs=1e-9)
    assert (
        link.read_word_data(A, Code.STATUS_WORD) == 0x0840
    )  # POWER_GOOD# and OFF, no fault: UV does not count when off
    link.write_byte_data(A, Code.OPERATION, 0x80)
    wait(clock, 0.2)
    assert bench.truth_v("VDD_CORE", clock.now_s()) == pytest.approx(0.85, abs=LSB_V)
    assert link.read_word_data(A, Code.STATUS_WORD) == 0


def test_query_says_what_a_command_can(build) -> None:
    bench, _ = build()
    link = bench.link("main")
    # Part II 11.13 (from memory): supported, write, read, format 000 linear / 100 bits / 111 not a number.
    assert link.block_process_call(A, Code.QUERY, [Code.VOUT_COMMAND]) == [0xE0]
    assert link.block_process_call(A, Code.QUERY, [Code.READ_VOUT]) == [0xA0]
    assert link.block_process_call(A, Code.QUERY, [Code.CLEAR_FAULTS]) == [0xDC]
    assert link.block_process_call(A, Code.QUERY, [0xD3]) == [0x00]
    assert refused(link.block_process_call, A, Code.QUERY, [1, 2]) == errno.EREMOTEIO


def test_store_is_counted_keeps_the_device_busy_and_survives_a_reset(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    manager = bench.managers["PM1"]
    link.write_word_data(A, Code.VOUT_MARGIN_HIGH, word(0.88))
    manager.reset(clock.now_s())
    assert link.read_word_data(A, Code.VOUT_MARGIN_HIGH) == word(0.85 * 1.05)
    link.write_word_data(A, Code.VOUT_MARGIN_HIGH, word(0.88))
    assert manager.stores == 0
    link.write_byte(A, Code.STORE_USER_ALL)
    assert manager.stores == 1
    assert refused(link.read_byte_data, A, Code.PAGE) == errno.ENXIO
    wait(clock, 0.2)
    manager.reset(clock.now_s())
    assert link.read_word_data(A, Code.VOUT_MARGIN_HIGH) == word(0.88)


def test_a_reset_takes_page_to_0_and_an_output_from_margin_to_nominal(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 1)
    link.write_byte_data(A, Code.OPERATION, 0xA8)
    wait(clock, 0.1)
    bench.managers["PM1"].reset(clock.now_s())
    wait(clock, 0.1)
    assert link.read_byte_data(A, Code.PAGE) == 0
    assert bench.truth_v("VDDQ", clock.now_s()) == pytest.approx(1.2, abs=LSB_V)


def test_telemetry_changes_once_a_scan_however_often_it_is_read(build, wait: Wait) -> None:
    bench, clock = build()
    link = bench.link("main", clock_hz=1e6)
    link.write_byte_data(A, Code.PAGE, 1)
    words = []
    for _ in range(4000):
        words.append(link.read_word_data(A, Code.READ_VOUT))
        wait(clock, 0.0002)
    changes = sum(a != b for a, b in itertools.pairwise(words))
    conversions = clock.now_s() / 0.02
    # 1 mV of noise against a step of 0.24 mV: about one conversion in ten repeats the word before.
    assert 0.75 * conversions < changes <= conversions + 1


def test_telemetry_is_the_same_in_whatever_order_it_is_asked_for(build, wait: Wait) -> None:
    def read(pages: tuple[int, ...]) -> dict[int, list[int]]:
        bench, clock = build()
        link = bench.link("main")
        seen: dict[int, list[int]] = {page: [] for page in pages}
        for scan in range(20):
            clock.sleep_until(0.02 * scan + 0.019)
            for page in pages:
                link.write_byte_data(A, Code.PAGE, page)
                seen[page].append(link.read_word_data(A, Code.READ_VOUT))
        return seen

    assert read((0, 1, 2)) == read((2, 1, 0))


def test_current_temperature_and_input_are_readings_too(build) -> None:
    bench, _ = build()
    link = bench.link("main")
    assert decode_linear11(link.read_word_data(A, Code.READ_IOUT)) == pytest.approx(1.0, abs=0.02)
    # Ambient 25 degC and 10 K of self-heating; noise 0.1 K.
    assert decode_linear11(link.read_word_data(A, Code.READ_TEMPERATURE_1)) == pytest.approx(35.0, abs=0.5)
    assert decode_linear11(link.read_word_data(A, Code.READ_VIN)) == pytest.approx(12.0, abs=0.04)


def test_registers_can_be_preset(build) -> None:
    text = build.board().replace('serial: "00123"}', 'serial: "00123"}, registers: {WRITE_PROTECT: 0x40}')
    bench, _ = build(text.replace("adc: {noise: 0 V}", "registers: {vout_trim: 0xFFFF, VOUT_MODE: 0x00}"))
    link = bench.link("main")
    assert link.read_byte_data(A, Code.WRITE_PROTECT) == 0x40
    assert link.read_word_data(A, Code.VOUT_TRIM) == 0xFFFF
    assert link.read_byte_data(A, Code.VOUT_MODE) == 0x00


def test_pages_beyond_the_rails_are_there_and_off(build) -> None:
    bench, _ = build(build.board().replace("address: 0x40,", "address: 0x40, pages: 8,"))
    link = bench.link("main")
    link.write_byte_data(A, Code.PAGE, 7)
    assert link.read_word_data(A, Code.STATUS_WORD) == 0x0840
    assert link.read_word_data(A, Code.READ_VOUT) == 0
