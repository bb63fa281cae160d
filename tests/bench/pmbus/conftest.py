"""A power manager of few words, of the tests' own: six methods, OSError with errno, nothing of our simulated bench."""

import errno
import sys
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.controller import PmbusPower
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.profile import Profile, load_profile
from cornerrun.clock import ManualClock
from cornerrun.plan.bench_file import Bus
from cornerrun.plan.model import (
    Board,
    ControlPoints,
    CornerChoice,
    Criteria,
    Device,
    HardLimits,
    PageAddress,
    Plan,
    Policy,
    Rail,
    Relation,
    Settle,
)

sys.path.insert(0, str(Path(__file__).parent))  # for random_plans.py

from random_plans import Parts

PAGE, OPERATION, ON_OFF_CONFIG, CLEAR_FAULTS, WRITE_PROTECT = 0x00, 0x01, 0x02, 0x03, 0x10
VOUT_MODE, VOUT_COMMAND, VOUT_TRIM, MARGIN_HIGH, MARGIN_LOW = 0x20, 0x21, 0x22, 0x25, 0x26
STATUS_WORD, READ_VOUT = 0x79, 0x8B
LSB_V = 2.0**-12


class Emulator:
    """One device at one address. ``before`` is called before each message: the place for a second master or a fault.

    Outputs follow at once. Registers that are not there are not acknowledged (ENXIO).
    """

    pec = 0

    def __init__(self, nominal_v: list[float], *, address: int = 0x40, trim: bool = True) -> None:
        self.address = address
        self.page = 0
        self.write_protect = 0
        self.model = b"PM8"
        self.log: list[tuple[str, int, int | None]] = []
        self.before: Callable[[str, int], None] = lambda method, command: None
        self.pages: list[dict[int, int]] = []
        self.changes = 0  # how often a register was written: outputs move with nothing else
        for volts in nominal_v:
            word = round(volts / LSB_V)
            registers = {
                OPERATION: 0x80,
                ON_OFF_CONFIG: 0x1A,
                VOUT_MODE: 0x14,
                VOUT_COMMAND: word,
                MARGIN_HIGH: round(
                    volts * 1.2 / LSB_V
                ),  # far from any level: whoever selects it unprogrammed is caught
                MARGIN_LOW: round(volts * 0.8 / LSB_V),
            }
            if trim:
                registers[VOUT_TRIM] = 0
            self.pages.append(registers)
        self.selected: list[tuple[int, float]] = []

    def is_on(self, page: int) -> bool:
        obeys = self.pages[page][ON_OFF_CONFIG] & 0x08
        return bool(self.pages[page][OPERATION] & 0x80) if obeys else True

    def output_v(self, page: int) -> float:
        registers = self.pages[page]
        if not self.is_on(page):
            return 0.0
        base = {0x00: VOUT_COMMAND, 0x10: MARGIN_LOW, 0x20: MARGIN_HIGH}[registers[OPERATION] & 0x30]
        trim = registers.get(VOUT_TRIM, 0)
        return (registers[base] + (trim - 0x10000 if trim & 0x8000 else trim)) * LSB_V

    def read_byte_data(self, address: int, command: int, /) -> int:
        self._arrive("read_byte_data", address, command)
        if command == PAGE:
            return self.page
        if command == WRITE_PROTECT:
            return self.write_protect
        return self._register(command) & 0xFF

    def read_word_data(self, address: int, command: int, /) -> int:
        self._arrive("read_word_data", address, command)
        page = self.page if self.page < len(self.pages) else 0
        if command == READ_VOUT:
            return round(self.output_v(page) / LSB_V)
        if command == STATUS_WORD:
            return 0x0000 if self.is_on(page) else 0x0840
        return self._register(command)

    def write_byte_data(self, address: int, command: int, byte: int, /) -> None:
        self._arrive("write_byte_data", address, command, byte)
        if self.write_protect and command != WRITE_PROTECT:
            allowed = {0x80: (), 0x40: (OPERATION, PAGE), 0x20: (OPERATION, PAGE, ON_OFF_CONFIG)}[self.write_protect]
            if command not in allowed:
                return  # a real part swallows it and sets a status bit
        if command == PAGE:
            if byte < len(self.pages) or byte == 0xFF:
                self.page = byte
            return
        self._write(command, byte)

    def write_word_data(self, address: int, command: int, word: int, /) -> None:
        self._arrive("write_word_data", address, command, word)
        if not self.write_protect:
            self._write(command, word)

    def write_byte(self, address: int, byte: int, /) -> None:
        self._arrive("write_byte", address, byte)

    def read_block_data(self, address: int, command: int, /) -> list[int]:
        self._arrive("read_block_data", address, command)
        if command != 0x9A:
            raise OSError(errno.ENXIO, "no such device or address")
        return list(self.model)

    def _arrive(self, method: str, address: int, command: int, value: int | None = None) -> None:
        self.before(method, command)
        if address != self.address:
            raise OSError(errno.ENXIO, "no such device or address")
        self.log.append((method, command, value))

    def _register(self, command: int) -> int:
        page = self.page if self.page < len(self.pages) else 0
        try:
            return self.pages[page][command]
        except KeyError:
            raise OSError(errno.ENXIO, "no such device or address") from None

    def _write(self, command: int, value: int) -> None:
        pages = range(len(self.pages)) if self.page == 0xFF else (self.page,)
        for page in pages:
            if command not in self.pages[page]:
                raise OSError(errno.ENXIO, "no such device or address")
            self.pages[page][command] = value
            self.changes += 1
            if command == OPERATION:
                self.selected.append((page, self.output_v(page)))


class Setup:
    """A plan of rails on one emulated device, and a driver for it."""

    def __init__(
        self,
        *,
        nominal_v: tuple[float, ...] = (0.85, 1.2, 1.8),
        relations: tuple[Relation, ...] = (),
        emulator: Emulator | None = None,
        profile: Profile | None = None,
        identity: Mapping[str, str] | None = None,
        vout_mode: int | None = None,
        fixed: tuple[int, ...] = (),
        changes: Mapping[str, Mapping[str, Any]] | None = None,
    ) -> None:
        self.emulator = emulator or Emulator(list(nominal_v))
        self.clock = ManualClock()
        self.plan = plan(
            tuple(
                replace(rail(f"R{page}", volts, page, is_fixed=page in fixed), **(changes or {}).get(f"R{page}", {}))
                for page, volts in enumerate(nominal_v)
            ),
            relations=relations,
            device=Device(
                name="PM1",
                bus="main",
                address=0x40,
                profile="generic",
                identity={"model": "PM8"} if identity is None else identity,
                vout_mode=vout_mode,
            ),
        )
        self.guard = Guard(self.plan)
        self.link = CountedLink(self.emulator, name="main")  # type: ignore[arg-type]  # it lacks methods on purpose
        self.power = PmbusPower(
            plan=self.plan,
            bus=Bus(name="main", link="emulated"),
            devices=tuple(self.plan.devices.values()),
            link=self.link,
            profiles={"generic": profile or load_profile("generic", Path())},
            guard=self.guard,
            clock=self.clock,
        )


def rail(name: str, nominal_v: float, page: int, *, is_fixed: bool = False) -> Rail:
    moved = {"high": nominal_v * 1.05, "low": nominal_v * 0.95, "low3": nominal_v * 0.97}
    if page == 1:
        moved["too_high"] = nominal_v * 1.15
    return Rail(
        name=name,
        nominal_v=nominal_v,
        levels={"nominal": nominal_v, **({} if is_fixed else moved)},
        hard_limits=HardLimits(min_v=nominal_v * 0.92, max_v=nominal_v * 1.08),
        accuracy_ratio=0.005,
        settle=Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=1.0),
        power=PageAddress(device="PM1", page=page),
    )


def plan(rails: tuple[Rail, ...], *, relations: tuple[Relation, ...] = (), device: Device) -> Plan:
    return Plan(
        title="lighthouse controller",
        board=Board(name="lighthouse controller", revision="B"),
        bench=None,
        devices={device.name: device},
        rails=rails,
        groups={},
        relations=relations,
        conditions=(),
        corners=CornerChoice(schemes=(), control_points=ControlPoints()),
        checks=(),
        criteria=Criteria(),
        policy=Policy(),
        sources=(),
        directory=Path(),
    )


@pytest.fixture
def make() -> type[Setup]:
    return Setup


@pytest.fixture
def make_emulator() -> type[Emulator]:
    return Emulator


@pytest.fixture
def setup(make: type[Setup]) -> Setup:
    return make()


def parts_of_random_plans() -> Parts:
    """Give what plays random plans; `python tests/benchmarks/forbidden_voltages.py` asks for it too."""
    device = Device(name="PM1", bus="main", address=0x40, profile="generic", identity={"model": "PM8"}, vout_mode=None)
    return Parts(
        make_emulator=Emulator,
        rail=rail,
        plan=lambda rails, relations: plan(rails, relations=relations, device=device),
    )


@pytest.fixture
def parts() -> Parts:
    return parts_of_random_plans()
