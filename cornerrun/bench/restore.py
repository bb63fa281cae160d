"""The way back as raw writes: replayed stage by stage over links, each verified, none stopping the others.

It knows neither plan nor profile, so that another process can do it from a stored recipe alone. A register is read
first and written only if it differs, then read back; PAGE is verified around both.
"""

import itertools
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from cornerrun.bench.pmbus.commands import NON_VOLATILE, PAGE, Command, Kind, command_of_code
from cornerrun.bench.pmbus.delays import Delays
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.link import Link
from cornerrun.bench.pmbus.paging import PagedDevice
from cornerrun.bench.ports import RawWrite
from cornerrun.clock import Clock, SystemClock
from cornerrun.errors import BenchError, LinkError, ReadbackMismatch

__all__ = ["STAGES", "Devices", "RestoreFailure", "RestoreReport", "Stage", "replay", "verify"]

Stage = Literal["nominal", "configuration", "page"]
STAGES: tuple[Stage, ...] = ("nominal", "configuration", "page")
_TRIES = 3  # chosen: each write here puts back a known word, so it may be tried again


@dataclass(frozen=True, kw_only=True, slots=True)
class RestoreFailure:
    """One write that could not be done or verified, and why."""

    write: RawWrite
    why: str

    def __str__(self) -> str:
        command = command_of_code(self.write.command)
        name = command.name if command else f"command 0x{self.write.command:02X}"
        who = ", ".join(self.write.rails) or f"device 0x{self.write.address:02X}"
        return f"{who}: {name} was not restored: {self.why}"


@dataclass(frozen=True, kw_only=True, slots=True)
class RestoreReport:
    """What a replay did: how many registers hold their word, how many had to be written, and what failed."""

    verified: int
    written: int
    failures: tuple[RestoreFailure, ...]

    @property
    def is_complete(self) -> bool:
        """Whether every register holds its word."""
        return not self.failures


def replay(
    writes: Sequence[RawWrite],
    links: Mapping[str, Link],
    *,
    clock: Clock | None = None,
    stages: Iterable[Stage] = STAGES,
    delays: Mapping[tuple[str, int], Delays] | None = None,
) -> RestoreReport:
    """Do the writes of the stages, in the order of `STAGES` and, within one, as given; verify each by reading it back.

    ``links`` go by bus name. ``delays`` are what devices need, by bus and address. Nothing is raised: failures stand in
    the report, those of links that are missing too.
    """
    devices = Devices(writes, links, clock or SystemClock(), delays or {})
    return _sum(_restore(write, devices) for write in _ordered(writes, stages))


def verify(
    writes: Sequence[RawWrite],
    links: Mapping[str, Link],
    *,
    clock: Clock | None = None,
    delays: Mapping[tuple[str, int], Delays] | None = None,
) -> RestoreReport:
    """Read every register of the writes and compare; write nothing but PAGE, which ends as the writes want it."""
    devices = Devices(writes, links, clock or SystemClock(), delays or {})
    return _sum(_compare(write, devices) for write in _ordered(writes, STAGES))


_Done = tuple[bool, RestoreFailure | None]


def _ordered(writes: Sequence[RawWrite], stages: Iterable[Stage]) -> list[RawWrite]:
    wanted = set(stages)
    return [write for stage in STAGES if stage in wanted for write in writes if write.stage == stage]


def _sum(done: Iterable[_Done]) -> RestoreReport:
    results = list(done)
    failures = tuple(failure for _, failure in results if failure is not None)
    return RestoreReport(
        verified=len(results) - len(failures),
        written=sum(was_written for was_written, _ in results),
        failures=failures,
    )


class Devices:
    """The devices of the writes, made when first needed."""

    def __init__(
        self,
        writes: Sequence[RawWrite],
        links: Mapping[str, Link],
        clock: Clock,
        delays: Mapping[tuple[str, int], Delays],
    ) -> None:
        self._links = {
            bus: link if isinstance(link, CountedLink) else CountedLink(link, name=bus) for bus, link in links.items()
        }
        self._paged = {
            (write.bus, write.address) for write in writes if write.page is not None or write.command == PAGE
        }
        self._clock = clock
        self._delays = delays
        self._made: dict[tuple[str, int], PagedDevice] = {}

    def of(self, write: RawWrite) -> PagedDevice:
        key = (write.bus, write.address)
        if key not in self._made:
            if write.bus not in self._links:
                raise LinkError(f"there is no link to bus {write.bus!r}")
            self._made[key] = PagedDevice(
                name=f"device 0x{write.address:02X} on {write.bus}",
                address=write.address,
                link=self._links[write.bus],
                clock=self._clock,
                has_page=key in self._paged,
                delays=self._delays.get(key, Delays()),
            )
        return self._made[key]


def _restore(write: RawWrite, devices: Devices) -> _Done:
    def attempt() -> bool:
        device, command = devices.of(write), _command(write)
        if command.code == PAGE:
            device.set_page(write.data[0])
            return True
        held = _held(device, command, write)
        if held == write.data:
            return False
        device.write(write.page, command, write.data, is_change=held is not None)
        return True

    return _tried(write, attempt)


def _compare(write: RawWrite, devices: Devices) -> _Done:
    def attempt() -> bool:
        device, command = devices.of(write), _command(write)
        if command.code == PAGE:
            device.set_page(write.data[0])
            return False
        found = device.read_data(write.page, command)
        if found != write.data:
            raise ReadbackMismatch(f"it holds {found.hex(' ')}, not {write.data.hex(' ')}")
        return False

    return _tried(write, attempt)


def _tried(write: RawWrite, attempt: Callable[[], bool]) -> _Done:
    for left in itertools.count(_TRIES - 1, -1):
        try:
            return attempt(), None
        except BenchError as error:
            if left <= 0:
                return False, RestoreFailure(write=write, why=str(error))
    raise AssertionError("the tries end in a result")


def _held(device: PagedDevice, command: Command, write: RawWrite) -> bytes | None:
    """Read what a register holds; None if it can't be read: then it is written anyway."""
    try:
        return device.read_data(write.page, command)
    except LinkError:
        return None


def _command(write: RawWrite) -> Command:
    """Find how a write travels: by the table, else by the length of its data."""
    if write.command in NON_VOLATILE:
        raise BenchError(f"{NON_VOLATILE[write.command]} touches non-volatile memory; it is never sent")
    known = command_of_code(write.command)
    if known is not None:
        return known
    kind = {1: Kind.BYTE, 2: Kind.WORD}.get(len(write.data), Kind.BLOCK)
    return Command(code=write.command, name=f"command 0x{write.command:02X}", kind=kind)
