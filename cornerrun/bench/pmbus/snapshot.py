"""The configuration of devices as it is: every declared register that keeps what was written to it."""

from collections.abc import Iterable, Sequence

from cornerrun.bench.pmbus.commands import COMMANDS, PAGE, Command, Kind
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.pmbus.tightening import LIMITS, tight_word
from cornerrun.bench.pmbus.widening import widened_word
from cornerrun.bench.ports import Baseline, RegisterValue
from cornerrun.errors import BenchError, CornerrunError

__all__ = ["changed_by_others", "take_snapshot"]

_PLAIN = (Kind.BYTE, Kind.WORD)
# A run writes these itself; whatever else differs from the baseline before it is put back was somebody else.
_OURS = frozenset({COMMANDS[name].code for name in ("PAGE", "OPERATION", "VOUT_MARGIN_HIGH", "VOUT_MARGIN_LOW")})


def take_snapshot(devices: Iterable[ManagedDevice], outputs: Sequence[Output]) -> tuple[RegisterValue, ...]:
    """Read all that makes up the configuration: of the whole device, then page by page; nothing is written but PAGE.

    Readings, status and PAGE are left out: they change by themselves.
    """
    values: list[RegisterValue] = []
    for device in devices:
        kept = [command for command in COMMANDS.values() if device.has(command.name) and _is_kept(command)]
        shared = [command.name for command in kept if not command.is_paged and command.kind in _PLAIN]
        own = [command.name for command in kept if command.is_paged]
        values += _values(device, None, device.read_critical(None, shared))
        for command in kept:
            if command.kind is Kind.BLOCK and (data := device.read_block(command)) is not None:
                values.append(_value(device, None, command, data))
        for output in outputs:
            if output.device is device:
                values += _values(device, output.page, device.read_critical(output.page, own))
    return tuple(values)


def changed_by_others(baseline: Baseline, outputs: Sequence[Output]) -> None:
    """Tell, rail by rail, which registers of a baseline changed though this run never writes them."""
    for output in outputs:
        device = output.device
        expected = {
            value.command: value.data
            for value in baseline.registers
            if (value.bus, value.address, value.page) == (device.bus, device.address, output.page)
            and value.command not in _OURS
        }
        names = [command.name for command in COMMANDS.values() if command.code in expected and command.kind in _PLAIN]
        if output.by_command:
            names = [name for name in names if name != "VOUT_COMMAND"]
        try:
            found = device.read_critical(output.page, names)
        except BenchError:
            continue  # what can't be read is said by whoever puts it back
        for name, number in found.items():
            was = int.from_bytes(expected[COMMANDS[name].code], "little")
            if number != was and not _is_ours(output, name, number):
                digits = 4 if COMMANDS[name].is_word else 2
                device.remarks.second_master(
                    f"{name} changed under us from 0x{was:0{digits}X} to 0x{number:0{digits}X}", output.rail.name
                )


def _is_ours(output: Output, name: str, word: int) -> bool:
    """Whether a run has put a limit there: this one, or one that was lost."""
    try:
        return word == widened_word(output, name) or (name in LIMITS and word == tight_word(output, name))
    except CornerrunError:
        return False


def _is_kept(command: Command) -> bool:
    is_fleeting = command.name.startswith(("STATUS_", "READ_")) or command.code == PAGE
    return command.kind in (*_PLAIN, Kind.BLOCK) and not is_fleeting and command.name != "PAGE_PLUS_WRITE"


def _values(device: ManagedDevice, page: int | None, found: dict[str, int]) -> list[RegisterValue]:
    return [
        _value(device, page, COMMANDS[name], number.to_bytes(2 if COMMANDS[name].is_word else 1, "little"))
        for name, number in found.items()
    ]


def _value(device: ManagedDevice, page: int | None, command: Command, data: bytes) -> RegisterValue:
    return RegisterValue(bus=device.bus, address=device.address, page=page, command=command.code, data=data)
