"""Group commands: used where the adapter passes a test, else one after the other with the skew told."""

import errno
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.combined_messages import group_of
from cornerrun.bench.pmbus.controller import PmbusPower
from cornerrun.bench.pmbus.formats import pec
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.profile import load_profile
from cornerrun.clock import ManualClock
from cornerrun.corners.model import RailLevel
from cornerrun.errors import GuardRefusal, LinkError, ReadbackMismatch
from cornerrun.plan.bench_file import Bus
from cornerrun.plan.model import Device, PageAddress

OPERATION = 0x01


class Two:
    """Two emulated devices on one bus; ``works`` says whether its adapter does group commands."""

    def __init__(self, make: Any, make_emulator: Any, *, works: bool | None = True, group: bool = True) -> None:
        self.devices = {0x40: make_emulator([0.85, 1.2]), 0x41: make_emulator([0.85, 1.2], address=0x41)}
        self.works = works
        self.groups: list[list[tuple[int, bytes]]] = []
        self.clock = ManualClock()
        self.pec = 1
        base = make(nominal_v=(0.85, 1.2)).plan
        rails = tuple(
            replace(rail, name=f"{device}.{rail.name}", power=PageAddress(device=device, page=page))
            for device in ("PM1", "PM2")
            for page, rail in enumerate(base.rails)
        )
        plan = replace(base, rails=rails, devices={
            name: Device(name=name, bus="main", address=address, profile="generic")
            for name, address in (("PM1", 0x40), ("PM2", 0x41))
        })  # fmt: skip
        self.link = CountedLink(self, name="main")  # type: ignore[arg-type]
        self.guard = Guard(plan)
        self.power = PmbusPower(
            plan=plan,
            bus=Bus(name="main", link="emulated"),
            devices=tuple(plan.devices.values()),
            link=self.link,
            profiles={"generic": replace(load_profile("generic", Path()), group_command=group, query=False)},
            guard=self.guard,
            clock=self.clock,
        )

    def __getattr__(self, name: str) -> Any:
        if name == "group_write":
            if self.works is None:
                raise AttributeError(name)
            return self.send_group
        if name.startswith(("read_", "write_")):

            def call(address: int, *arguments: int) -> Any:
                self.clock.charge(0.001)
                return getattr(self.devices[address], name)(address, *arguments)

            return call
        raise AttributeError(name)

    def send_group(self, writes: Sequence[tuple[int, bytes]]) -> None:
        if not self.works:
            raise OSError(errno.EINVAL, "no")
        self.groups.append([(address, bytes(data)) for address, data in writes])
        for address, data in writes:
            self.devices[address].write_byte_data(address, data[0], data[1])

    def burst(self, level: str = "high") -> list[RailLevel]:
        return [RailLevel(rail=f"{device}.R{page}", level=level) for device in ("PM1", "PM2") for page in (0, 1)]

    def notes(self) -> str:
        return "; ".join(note.what for note in self.link.remarks.take())


@pytest.fixture
def two(make: Any, make_emulator: Any) -> Two:
    return Two(make, make_emulator)


def test_rails_of_different_devices_are_selected_in_one_transmission(two: Two) -> None:
    two.power.connect()
    two.power.move(two.burst())
    moved = [group for group in two.groups if group[0][1][0] == OPERATION]
    assert moved == [[(0x40, b"\x01\xa8"), (0x41, b"\x01\xa8")]] * 2
    for device in two.devices.values():
        assert [device.output_v(page) for page in (0, 1)] == pytest.approx([0.8925, 1.26], abs=1e-3)
    assert two.guard.targets_v["PM2.R1"] == pytest.approx(1.26, abs=1e-3)
    two.power.to_nominal()


def test_the_adapter_is_tested_once_by_pages_that_turn_and_no_output_moves(two: Two) -> None:
    two.power.connect()
    for device in two.devices.values():
        device.selected.clear()
    two.power.move([RailLevel(rail="PM1.R0", level="high")])
    two.power.move([RailLevel(rail="PM1.R0", level="nominal")])
    two.power.move(two.burst())
    tests = [group for group in two.groups if group[0][1][0] == 0x00]
    assert len(tests) == 1
    assert {address for address, _ in tests[0]} == {0x40, 0x41}


@pytest.mark.parametrize("works", [False, None])
def test_an_adapter_that_can_not_moves_one_after_the_other_and_the_skew_is_told(
    make: Any, make_emulator: Any, works: bool | None
) -> None:
    two = Two(make, make_emulator, works=works)
    two.power.connect()
    baseline = two.power.take_baseline()
    two.power.move(two.burst())
    assert two.groups == []
    for device in two.devices.values():
        assert device.output_v(0) == pytest.approx(0.8925, abs=1e-3)
    two.power.restore(baseline)
    notes = two.notes()
    assert "rails of 1 bursts moved one after the other, first and last at most" in notes
    assert ("no group command on this adapter" in notes) is (works is False)
    assert "error EINVAL" not in two.link.counts


def test_an_adapter_that_acknowledges_and_does_nothing_fails_the_test(two: Two) -> None:
    two.send_group = lambda writes: None  # type: ignore[method-assign]
    two.power.connect()
    two.power.move(two.burst())
    assert two.devices[0x41].output_v(1) == pytest.approx(1.26, abs=1e-3)


def test_a_profile_without_group_command_is_moved_without(make: Any, make_emulator: Any) -> None:
    two = Two(make, make_emulator, group=False)
    two.power.connect()
    two.power.move(two.burst())
    assert two.groups == []


def test_a_group_is_judged_as_a_whole_before_anything_is_sent(two: Two) -> None:
    two.power.connect()
    burst = [RailLevel(rail="PM1.R0", level="high"), RailLevel(rail="PM2.R1", level="too_high")]
    with pytest.raises(GuardRefusal, match="hard limits"):
        two.power.move(burst)
    assert all(not device.selected for device in two.devices.values())


def test_a_device_that_did_not_take_its_part_is_found_by_reading_back(two: Two) -> None:
    two.power.connect()
    two.power.move(two.burst())
    two.power.move(two.burst("nominal"))

    def half(writes: Sequence[tuple[int, bytes]]) -> None:
        two.devices[0x40].write_byte_data(0x40, writes[0][1][0], writes[0][1][1])

    two.link._send_group = half
    with pytest.raises(ReadbackMismatch, match=r"PM2\.R0 .* by a group command"):
        two.power.move(two.burst())
    two.power.to_nominal()
    assert two.devices[0x40].output_v(0) == pytest.approx(0.85, abs=1e-3)


def test_a_group_never_carries_a_command_for_non_volatile_memory(two: Two) -> None:
    with pytest.raises(GuardRefusal, match="STORE_USER_ALL"):
        two.link.group_write([(0x40, b"\x15")])


def test_smbus2_gets_combined_messages_each_with_its_own_packet_error_code() -> None:
    class Bus:
        pec = 1
        sent: tuple[Any, ...] = ()

        def i2c_rdwr(self, *messages: Any) -> None:
            self.sent = messages

    bus = Bus()
    send = group_of(bus)
    assert send is not None
    send([(0x40, b"\x01\xa8"), (0x41, b"\x01\x98")])
    assert [(message.addr, bytes(message)) for message in bus.sent] == [
        (0x40, bytes((0x01, 0xA8, pec((0x80, 0x01, 0xA8))))),
        (0x41, bytes((0x01, 0x98, pec((0x82, 0x01, 0x98))))),
    ]
    bus.pec = 0
    send([(0x40, b"\x01\xa8")])
    assert bytes(bus.sent[0]) == b"\x01\xa8"


def test_a_link_that_knows_no_group_says_so(setup: Any) -> None:
    assert not setup.link.can_group
    with pytest.raises(LinkError, match="sends no group commands"):
        setup.link.group_write([(0x40, b"\x01\x80")])
