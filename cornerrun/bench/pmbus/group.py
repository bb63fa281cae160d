"""Group commands: writes to several devices in one transmission with one STOP, at which all of them act.

Not every adapter can do it: some restrict combined messages to one address, others answer EINVAL (Linux adapter
quirks; linux-i2c). So an adapter is tested first, with writes of PAGE that move no output. Where it fails, or a profile
knows no group command, rails move one after the other and the time between the first and the last is told.
"""

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.commands import COMMANDS, PAGE
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.operation import Side
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.pmbus.selecting import operation_write, refuse_if_off
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, LinkError, ReadbackMismatch
from cornerrun.units import Kind, show

__all__ = ["Burst", "Groups"]

_OPERATION = COMMANDS["OPERATION"]
_MOST_MESSAGES = 42  # Linux uapi/linux/i2c-dev.h, I2C_RDWR_IOCTL_MAX_MSGS


class Groups:
    """Know whether the adapter of a bus does group commands, and how far apart rails moved where it does not.

    ``pages`` are the pages of each device that are in the plan.
    """

    def __init__(self, *, link: CountedLink, pages: Mapping[ManagedDevice, tuple[int, ...]], clock: Clock) -> None:
        self._link = link
        self._pages = pages
        self._clock = clock
        self._is_able: bool | None = None
        self._skew_s = 0.0
        self._skewed = 0

    @contextmanager
    def burst(self) -> "Iterator[Burst]":
        """Begin a burst; the time between its first and its last write is kept at its end."""
        burst = Burst(self)
        yield burst
        if burst.skew_s > 0:
            self._skewed += 1
            self._skew_s = max(self._skew_s, burst.skew_s)

    def tell(self) -> None:
        """Put what was found into the remarks: the largest time between the first and the last rail of a burst."""
        if self._skewed:
            self._link.remarks.add(
                "note",
                f"bus {self._link.name}: rails of {self._skewed} bursts moved one after the other, first and last at "
                f"most {show(self._skew_s, Kind.TIME, digits=3)} apart",
            )
        self._skew_s, self._skewed = 0.0, 0

    def now_s(self) -> float:
        """The present time."""
        return self._clock.now_s()

    def can(self, device: ManagedDevice) -> bool:
        """Whether a device may take part in a group command on this adapter."""
        return device.profile.group_command and device.profile.has_page and self._passes()

    def send(self, writes: Sequence[tuple[int, bytes]]) -> None:
        """Send writes (address, command and data) in one transmission; LinkError if it failed, wholly or in part."""
        self._link.group_write(writes)

    def _passes(self) -> bool:
        if self._is_able is None:
            self._is_able = self._test()
        return self._is_able

    def _test(self) -> bool:
        """Turn the pages of all devices in one transmission, and see whether each has turned."""
        devices = [device for device in self._pages if device.profile.group_command and device.profile.has_page]
        if not self._link.can_group or len(devices) < 2 or len(devices) > _MOST_MESSAGES:
            return False
        mark = self._link.mark()
        try:
            wanted = {}
            for device in devices:
                (found,) = device.paged.read(None, (COMMANDS["PAGE"],))
                # Another page where there is one: a write that changes nothing proves nothing.
                wanted[device] = next((page for page in self._pages[device] if page != found), self._pages[device][0])
                device.paged.forget()
            self.send([(device.address, bytes((PAGE, page))) for device, page in wanted.items()])
            return all(device.paged.read(None, (COMMANDS["PAGE"],)) == [page] for device, page in wanted.items())
        except LinkError as error:
            self._link.set_aside(mark)
            self._link.remarks.add("note", f"bus {self._link.name}: no group command on this adapter: {error}")
            return False


class Burst:
    """Rails that move together: what was written when."""

    def __init__(self, groups: Groups) -> None:
        self._groups = groups
        self._first_s: float | None = None
        self.skew_s = 0.0

    def can(self, device: ManagedDevice) -> bool:
        """Whether a device may take part in a group command."""
        return self._groups.can(device)

    def written(self) -> None:
        """Take note that an output was moved just now."""
        now_s = self._groups.now_s()
        if self._first_s is None:
            self._first_s = now_s
        self.skew_s = now_s - self._first_s

    def select(self, goals: Sequence[tuple[Output, Side]], guard: Guard) -> None:
        """Let outputs of different devices reach their sides at one STOP; each is read back.

        Raises:
            DeviceRefused: an output is off, or WRITE_PROTECT stands in the way.
            GuardRefusal: what is stored somewhere would cross a hard limit or break a relation.
            BenchError: a message failed, or an output does not read back.

        """
        # The look leaves each device on the page that the write is for, verified.
        looks = [(output, side, output.look(side)) for output, side in goals]
        writes = []
        for output, side, look in looks:
            refuse_if_off(output, side, look)
            output.device.check_writable((_OPERATION.name,))
            byte = output.operation_for(side, look.operation)
            writes.append((output, side, operation_write(output, byte, look.target_v), byte != look.operation))
        guard.permit_together([effect for _, _, write, _ in writes for effect in write.effects])
        for _, _, write, _ in writes:
            guard.permit(write)
        try:
            needed = [(output, write) for output, _, write, is_needed in writes if is_needed]
            if needed:
                self._groups.send([_message(output, write.data) for output, write in needed])
                self.written()
            for output, write in needed:
                _read_back(output, write.data[0])
        except BenchError:
            for output, *_ in writes:
                output.device.paged.forget()
                output.doubt()
            raise
        finally:
            # Also where it failed: some device may have taken it.
            for _, _, write, _ in writes:
                guard.applied(write)
        for output, side, _, _ in writes:
            output.side = side


def _message(output: Output, data: bytes) -> tuple[int, bytes]:
    device = output.device
    if device.profile.page_plus:
        body = bytes((output.page, _OPERATION.code, *data))
        return device.address, bytes((COMMANDS["PAGE_PLUS_WRITE"].code, len(body), *body))
    return device.address, bytes((_OPERATION.code, *data))


def _read_back(output: Output, byte: int) -> None:
    (found,) = output.device.paged.read(output.page, (_OPERATION,))
    if found != byte:
        raise ReadbackMismatch(
            f"{output.rail.name} ({output.device.name} page {output.page}): OPERATION reads back 0x{found:02X} where "
            f"0x{byte:02X} was written by a group command"
        )
