"""Status registers and fault logs as evidence: read, never cleared here by the way."""

from collections.abc import Iterable, Mapping, Sequence

from cornerrun.bench.pmbus.commands import COMMANDS, Command, Kind
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.fault_stamps import LogEntry, log_entries
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.ports import FaultStamp, StatusCapture
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, DeviceRefused, LinkError

__all__ = ["Evidence", "clear"]

_STATUS = tuple(name for name in COMMANDS if name.startswith("STATUS_") and name != "STATUS_BYTE")
_EXPLAINS = (
    "ON_OFF_CONFIG",
    "OPERATION",
    "VOUT_OV_FAULT_RESPONSE",
    "VOUT_UV_FAULT_RESPONSE",
    "IOUT_OC_FAULT_RESPONSE",
    "OT_FAULT_RESPONSE",
    "TON_MAX_FAULT_RESPONSE",
)
_READINGS = tuple(name for name in COMMANDS if name.startswith("READ_"))
_CAPTURED = (*_STATUS, *_EXPLAINS, *_READINGS)


class Evidence:
    """Reads evidence of the pages of one bus, and knows which entries of the fault logs are old."""

    def __init__(self, outputs: Sequence[Output], clock: Clock) -> None:
        self._outputs = tuple(outputs)
        self._clock = clock
        self._old: dict[tuple[ManagedDevice, int | None], frozenset[bytes]] = {}

    def take_as_old(self) -> None:
        """Take what the logs hold now as old: it says nothing of faults that are still to come."""
        for output in self._outputs:
            log = output.device.profile.fault_log
            if log is not None and log.layout is not None:
                key = _log_key(output)
                if key not in self._old:
                    self._old[key] = frozenset(entry.raw for entry in _entries(output, _fault_log(output)))

    def forget(self) -> None:
        """Forget which entries are old, so that `take_as_old` reads all logs again."""
        self._old.clear()

    def capture(self, outputs: Iterable[Output]) -> tuple[StatusCapture, ...]:
        """Read all that is there to read; what can't be read of one page is left out, so that the rest is kept.

        A page that only a fault log tells of, since the plan has no rail there, follows as "DEVICE page N".

        Raises:
            LinkError: nothing at all could be read.

        """
        captures, last = [], LinkError("no rail was asked for")
        logs: dict[tuple[ManagedDevice, int | None], bytes | None] = {}
        wanted = tuple(outputs)
        for output in wanted:
            registers, error = _registers(output)
            last = error or last
            key = _log_key(output)
            if key not in logs:
                logs[key] = _fault_log(output)
            captures.append(
                StatusCapture(
                    rail=output.rail.name,
                    taken_at_s=self._clock.now_s(),
                    registers=registers,
                    fault_log=logs[key],
                    stamps=_stamps(output, self._new(output, logs[key]), output.page),
                )
            )
        if captures and not any(item.registers for item in captures):
            raise last
        return (*captures, *self._strangers(wanted, logs))

    def _new(self, output: Output, log: bytes | None) -> tuple[LogEntry, ...]:
        old = self._old.get(_log_key(output), frozenset())
        return tuple(entry for entry in _entries(output, log) if entry.raw not in old)

    def _strangers(
        self, wanted: Sequence[Output], logs: Mapping[tuple[ManagedDevice, int | None], bytes | None]
    ) -> Iterable[StatusCapture]:
        planned = {(output.device, output.page) for output in self._outputs}
        seen = set()
        for output in wanted:
            log = logs[_log_key(output)]
            for entry in self._new(output, log):
                place = (output.device, entry.page)
                if place in planned or place in seen:
                    continue
                seen.add(place)
                yield StatusCapture(
                    rail=f"{output.device.name} page {entry.page}",
                    taken_at_s=self._clock.now_s(),
                    registers={},
                    fault_log=log,
                    stamps=_stamps(output, self._new(output, log), entry.page),
                )


def clear(outputs: Iterable[Output]) -> None:
    """Send CLEAR_FAULTS to the page of each output.

    Raises:
        DeviceRefused: the device has no CLEAR_FAULTS.
        LinkError: it was not acknowledged.

    """
    for output in outputs:
        if not output.device.has("CLEAR_FAULTS"):
            raise DeviceRefused(
                f"{output.device.name}: its profile {output.device.profile.name!r} declares no CLEAR_FAULTS; "
                "power-cycle the board to clear its faults"
            )
        output.device.paged.send(output.page, COMMANDS["CLEAR_FAULTS"])


def _registers(output: Output) -> tuple[dict[str, int], LinkError | None]:
    try:
        return output.device.read(output.page, _CAPTURED), None
    except BenchError:
        registers: dict[str, int] = {}
        last: LinkError | None = None
        for command in output.device.present(_CAPTURED):
            try:
                registers.update(output.device.read(output.page, (command.name,)))
            except LinkError as error:
                last = error
        return registers, last


def _log_key(output: Output) -> tuple[ManagedDevice, int | None]:
    log = output.device.profile.fault_log
    return output.device, output.page if log is not None and log.is_paged else None


def _fault_log(output: Output) -> bytes | None:
    """Read the log where the profile says that there is one; what can't be read must not keep the rest from being."""
    log = output.device.profile.fault_log
    if log is None:
        return None
    command = Command(code=log.command, name=f"fault log 0x{log.command:02X}", kind=Kind.BLOCK, is_paged=log.is_paged)
    try:
        return output.device.paged.read_block(output.page if log.is_paged else None, command)
    except BenchError as error:
        output.device.remarks.add("warning", f"the fault log can't be read: {error}", output.rail.name)
        return None


def _entries(output: Output, log: bytes | None) -> tuple[LogEntry, ...]:
    declared = output.device.profile.fault_log
    if log is None or declared is None or declared.layout is None:
        return ()
    return log_entries(log, declared.layout)


def _stamps(output: Output, entries: Iterable[LogEntry], page: int) -> tuple[FaultStamp, ...]:
    declared = output.device.profile.fault_log
    if declared is None or declared.layout is None:
        return ()
    return tuple(
        FaultStamp(
            clock=output.device.name,
            at_s=entry.at_s,
            wraps_s=declared.layout.wraps_s,
            tick_s=declared.layout.tick_s,
            register=None if entry.register is None else _names().get(entry.register, f"0x{entry.register:02X}"),
            bits=entry.bits,
        )
        for entry in entries
        if entry.page == page
    )


def _names() -> Mapping[int, str]:
    return {command.code: name for name, command in COMMANDS.items()}
