"""What a profile can say of a device: formats of registers, coefficients, tables, dividers, its log, QUERY, PEC."""

import errno
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.pmbus.codec import Half, Linear11
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.fault_stamps import LogLayout
from cornerrun.bench.pmbus.formats import Direct, encode_half, encode_linear11
from cornerrun.bench.pmbus.profile import PACKAGED, FaultLog, Profile, load_profile
from cornerrun.corners.model import RailLevel
from cornerrun.errors import DeviceRefused, GuardRefusal, LinkError, PlanProblems

GENERIC = (PACKAGED / "generic.yaml").read_text()
MODE, COMMAND, TRIM, HIGH, LOW = 0x20, 0x21, 0x22, 0x25, 0x26


def generic(**changes: Any) -> Profile:
    return replace(load_profile("generic", Path()), query=False, **changes)


class Answers:
    """Adds block process calls to the emulator: QUERY by a set of commands, COEFFICIENTS by a table."""

    def __init__(self, emulator: Any, *, has: set[str] | None = None, coefficients: bytes = b"") -> None:
        self.asked: list[tuple[int, tuple[int, ...]]] = []
        codes = None if has is None else {COMMANDS[name].code for name in has}

        def call(address: int, command: int, data: Sequence[int], /) -> list[int]:
            emulator._arrive("block_process_call", address, command)
            self.asked.append((command, tuple(data)))
            if command == 0x1A and codes is not None:
                return [0xE0 if data[0] in codes else 0x00]
            if command == 0x30 and coefficients:
                return list(coefficients)
            raise OSError(errno.ENXIO, "no")

        emulator.block_process_call = call


PRESENT = {
    "PAGE", "OPERATION", "ON_OFF_CONFIG", "VOUT_MODE", "VOUT_COMMAND", "VOUT_TRIM", "VOUT_MARGIN_HIGH",
    "VOUT_MARGIN_LOW", "STATUS_WORD", "READ_VOUT", "MFR_MODEL", "WRITE_PROTECT",
}  # fmt: skip


def test_query_decides_what_is_sent_and_what_is_not_there_is_never_tried(make: Any, make_emulator: Any) -> None:
    emulator = make_emulator([0.85, 1.2, 1.8])
    Answers(emulator, has=PRESENT)
    setup = make(emulator=emulator, profile=replace(load_profile("generic", Path()), query=True))
    setup.power.connect()
    setup.power.take_baseline()
    setup.power.move([RailLevel(rail="R0", level="high")])
    setup.power.read(["R0", "R1"], with_load=True)
    setup.power.capture()
    setup.power.snapshot()
    sent = {command for method, command, _ in emulator.log if method != "block_process_call"}
    assert sent <= {COMMANDS[name].code for name in PRESENT}
    assert setup.link.remarks.take() == ()
    assert not any(name.startswith("error") for name in setup.link.counts)


def test_without_query_nothing_is_asked_and_the_profile_is_taken_at_its_word(make: Any, make_emulator: Any) -> None:
    emulator = make_emulator([0.85, 1.2, 1.8])
    answers = Answers(emulator, has=PRESENT)
    setup = make(emulator=emulator, profile=generic(optional=frozenset({"VOUT_TRIM", "MFR_MODEL"})))
    setup.power.connect()
    setup.power.take_baseline()
    assert answers.asked == []
    assert {command for _, command, _ in emulator.log} <= {
        COMMANDS[name].code for name in (*setup.power._devices[0].profile.required, "VOUT_TRIM", "MFR_MODEL")
    }


def test_a_query_that_denies_what_must_be_there_is_not_believed(make: Any, make_emulator: Any) -> None:
    emulator = make_emulator([0.85, 1.2, 1.8])
    Answers(emulator, has=set())
    setup = make(emulator=emulator, profile=replace(load_profile("generic", Path()), query=True))
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="high")])
    assert TRIM in {command for _, command, _ in emulator.log}


def test_coefficients_are_read_from_the_device_low_byte_first(make: Any, make_emulator: Any) -> None:
    emulator = make_emulator([0.85, 1.2, 1.8])
    answers = Answers(emulator, coefficients=(1000).to_bytes(2, "little") + b"\x00\x00" + b"\x00")
    for page, volts in zip(emulator.pages, (0.85, 1.2, 1.8), strict=True):
        page.update({MODE: 0x40, COMMAND: round(volts * 1000), TRIM: 0})
    profile = generic(reads_coefficients=True)
    setup = make(emulator=emulator, profile=replace(profile, optional=profile.optional | {"COEFFICIENTS"}))
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="high")])
    assert emulator.pages[0][HIGH] == 892
    # 1 asks for the coefficients of reading, 0 for those of writing (from memory).
    assert answers.asked == [(0x30, (0x21, 0)), (0x30, (0x8B, 1))]


def test_negative_coefficients_are_signed(make: Any, make_emulator: Any) -> None:
    emulator = make_emulator([0.85, 1.2, 1.8])
    direct = Direct(4587, -1200, -2)  # Linux drivers/hwmon/pmbus/lm25066.c
    Answers(emulator, coefficients=b"".join((
        (4587).to_bytes(2, "little"), (-1200).to_bytes(2, "little", signed=True), b"\xfe",
    )))  # fmt: skip
    setup = make(emulator=emulator, profile=generic(reads_coefficients=True))
    assert setup.power._devices[0].coefficients("READ_VOUT", 0, for_writing=False) == direct


def test_a_vid_table_serves_command_and_margins(make: Any, tmp_path: Path, make_emulator: Any) -> None:
    text = GENERIC + "vout_vid: [{first: 0x02, last: 0xB2, volts: 1.6 V, step: -6.25 mV}]\n"
    (tmp_path / "vr11.yaml").write_text(text)
    profile = replace(load_profile("vr11", tmp_path), query=False)
    assert profile.vid is not None
    emulator = make_emulator([0.85, 1.2, 1.0])
    for page, volts in zip(emulator.pages, (0.85, 1.2, 1.0), strict=True):
        page.update({MODE: 0x20, COMMAND: profile.vid.encode(volts), TRIM: 0})
    setup = make(nominal_v=(0.85, 1.2, 1.0), emulator=emulator, profile=profile)
    setup.power.connect()
    setup.power.move([RailLevel(rail="R1", level="low")])
    assert emulator.pages[1][LOW] == profile.vid.encode(1.14)
    assert setup.guard.targets_v["R1"] == pytest.approx(1.14, abs=3.2e-3)


def test_a_trim_in_vid_mode_has_no_meaning_and_is_refused(make: Any, tmp_path: Path, make_emulator: Any) -> None:
    (tmp_path / "vr11.yaml").write_text(
        GENERIC + "vout_vid: [{first: 0x02, last: 0xB2, volts: 1.6 V, step: -6.25 mV}]\n"
    )
    profile = replace(load_profile("vr11", tmp_path), query=False)
    assert profile.vid is not None
    emulator = make_emulator([0.85])
    emulator.pages[0].update({MODE: 0x20, COMMAND: profile.vid.encode(0.85), TRIM: 3})
    with pytest.raises(DeviceRefused, match="a signed word"):
        make(nominal_v=(0.85,), emulator=emulator, profile=profile).power.connect()


def test_an_external_divider_scales_every_voltage_of_its_page(make: Any, make_emulator: Any) -> None:
    # The device sees half of 2.4 V on page 1, and knows nothing of the divider.
    emulator = make_emulator([0.85, 1.2])
    setup = make(nominal_v=(0.85, 2.4), emulator=emulator, profile=generic(scale={1: 2.0}))
    setup.power.connect()
    (setpoint,) = setup.power.move([RailLevel(rail="R1", level="high")])
    assert setpoint.decoded_v == pytest.approx(2.52, abs=1e-3)
    assert emulator.pages[1][HIGH] == round(1.26 * 4096)
    (reading,) = setup.power.read(["R1"])
    assert reading.voltage_v == pytest.approx(2.52, abs=1e-3)
    with pytest.raises(GuardRefusal, match="hard limits"):
        setup.power.move([RailLevel(rail="R1", level="too_high")])


def test_each_register_may_have_a_format_of_its_own(make: Any, make_emulator: Any) -> None:
    emulator = make_emulator([0.85])
    emulator.pages[0].update({0x8C: encode_half(11.5), 0x8D: encode_linear11(41.0), HIGH: encode_linear11(1.0)})
    formats = {"READ_IOUT": Half(), "VOUT_MARGIN_HIGH": Linear11(), "READ_TEMPERATURE_1": Direct(10, 0, 0)}
    emulator.pages[0][0x8D] = 410
    setup = make(nominal_v=(0.85,), emulator=emulator, profile=generic(formats=formats))
    setup.power.connect()
    (reading,) = setup.power.read(["R0"], with_load=True)
    assert (reading.current_a, reading.temperature_degc) == (11.5, 41.0)
    assert setup.power.setpoint("R0", "high").word == encode_linear11(0.8925)
    assert setup.power.setpoint("R0", "low").word == round(0.8075 * 4096)


def test_a_register_that_is_absolute_though_vout_mode_says_relative(make: Any, make_emulator: Any) -> None:
    emulator = make_emulator([0.85])
    emulator.pages[0].update({MODE: 0x94})
    setup = make(nominal_v=(0.85,), emulator=emulator, profile=generic(formats={"VOUT_MARGIN_LOW": Linear11()}))
    setup.power.connect()
    assert setup.power.setpoint("R0", "high").word == round(0.8925 / emulator.output_v(0) * 4096)
    assert setup.power.setpoint("R0", "low").decoded_v == pytest.approx(0.8075, abs=1e-3)


def test_the_fault_log_is_kept_raw_where_the_profile_names_it(make: Any, make_emulator: Any) -> None:
    emulator = make_emulator([0.85])
    real = emulator.read_block_data
    emulator.read_block_data = lambda address, command, /: [1, 2, 255] if command == 0xEE else real(address, command)
    setup = make(
        nominal_v=(0.85,), emulator=emulator, profile=generic(fault_log=FaultLog(command=0xEE, is_paged=False))
    )
    setup.power.connect()
    (capture,) = setup.power.capture()
    assert capture.fault_log == b"\x01\x02\xff"


def test_a_fault_log_that_can_not_be_read_does_not_keep_the_status_from_being(make: Any) -> None:
    setup = make(profile=generic(fault_log=FaultLog(command=0xEE, is_paged=True)))
    setup.power.connect()
    captures = setup.power.capture()
    assert all(item.fault_log is None and "STATUS_WORD" in item.registers for item in captures)
    assert any("the fault log can't be read" in note.what for note in setup.link.remarks.take())


def test_a_device_without_packet_error_code_is_refused_on_a_bus_that_uses_one(make: Any) -> None:
    setup = make(profile=generic(has_pec=False))
    setup.link.pec = 1
    with pytest.raises(DeviceRefused, match="has no packet error code, and bus 'main' uses one; write `pec: false`"):
        setup.power.connect()
    setup.link.pec = 0
    setup.power.connect()


def test_what_a_write_is_built_on_is_read_twice_where_nothing_protects_it(make: Any) -> None:
    setup = make(profile=generic())
    setup.power.connect()
    setup.power.move([RailLevel(rail="R0", level="high")])
    setup.power.move([RailLevel(rail="R0", level="nominal")])

    def garble(method: str, command: int) -> None:
        if command == HIGH and method == "read_word_data":
            setup.emulator.pages[0][HIGH] ^= 0x0010

    setup.emulator.before = garble
    with pytest.raises(LinkError, match=r"read 0x.* and then 0x.*; without a packet error code"):
        setup.power.move([RailLevel(rail="R0", level="high")])


@pytest.mark.parametrize(
    ("addition", "message"),
    [
        ("formats: {READ_IOUT: linear12}\n", r"formats\.READ_IOUT"),
        ("formats: {READ_IOUTT: linear11}\n", "READ_IOUTT"),
        ("formats: {READ_IOUT: {direct: {m: 0, b: 0, r: 0}}}\n", "m = 0 holds no number"),
        ("vout_direct: {m: 0, b: 0, r: 0}\n", "m = 0 holds no number"),
        ("vout_vid: [{first: 2, last: 4, volts: 1 V}, {first: 4, volts: 1 V}]\n", "stands twice"),
        ("vout_vid: [{first: 2, volts: 1}]\n", "no unit"),
        ("scale: {0: 0}\n", "scale"),
        ("scale: {32: 2}\n", "scale"),
        ("fault_log: {command: 0x15}\n", "STORE_USER_ALL"),
        (
            "fault_log: {command: 0xEE, entries: {size: 4, page: 0, time: 2, time_bytes: 3, tick: 1 ms}}\n",
            "time ends at",
        ),
        ("fault_log: {command: 0xEE, entries: {size: 4, page: 0, time: 1, time_bytes: 3, tick: 0 s}}\n", "tick"),
        ("page_plus: perhaps\n", "neither true nor false"),
    ],
)
def test_a_profile_that_makes_no_sense_says_where(tmp_path: Path, addition: str, message: str) -> None:
    text = "\n".join(line for line in GENERIC.splitlines() if not line.startswith(addition.partition(":")[0] + ":"))
    (tmp_path / "part.yaml").write_text(f"{text}\n{addition}")
    with pytest.raises(PlanProblems, match=message):
        load_profile("part", tmp_path)


def test_a_profile_that_margins_by_vout_command_needs_no_margin_registers(tmp_path: Path) -> None:
    text = GENERIC.replace("VOUT_MARGIN_HIGH, VOUT_MARGIN_LOW, ", "").replace(
        "margin:\n", "margin:\n  by: VOUT_COMMAND\n"
    )
    (tmp_path / "part.yaml").write_text(text)
    assert load_profile("part", tmp_path).by_command


def test_a_profile_says_how_the_entries_of_a_fault_log_are_read(tmp_path: Path) -> None:
    entries = "{first: 2, size: 5, page: 4, time: 0, time_bytes: 4, tick: 1 ms, order: high byte first}"
    (tmp_path / "part.yaml").write_text(f"{GENERIC}\nfault_log: {{command: 0xEE, paged: true, entries: {entries}}}\n")
    log = load_profile("part", tmp_path).fault_log
    assert log is not None
    assert (log.command, log.is_paged) == (0xEE, True)
    assert log.layout == LogLayout(first=2, size=5, page=4, time=0, time_bytes=4, tick_s=1e-3, is_big_endian=True)
