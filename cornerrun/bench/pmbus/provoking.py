"""A fault without touching the board: a volatile fault limit is moved across the present voltage, and put back."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import Literal

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.output import Output
from cornerrun.bench.ports import Write
from cornerrun.errors import BenchError, DeviceRefused, FormatError
from cornerrun.units import Kind, show

__all__ = ["Fault", "Provocations"]

Fault = Literal["under voltage", "over voltage"]

_LIMIT: Mapping[str, tuple[str, str, int]] = MappingProxyType(
    {
        "under voltage": ("VOUT_UV_FAULT_LIMIT", "VOUT_UV_FAULT_RESPONSE", 1),
        "over voltage": ("VOUT_OV_FAULT_LIMIT", "VOUT_OV_FAULT_RESPONSE", -1),
    }
)
_BEYOND_RATIO = 0.05  # chosen: beyond the tolerance of any comparator and of the rail itself


class Provocations:
    """Provokes faults and withdraws them; what a limit held is read twice before it is moved, and put back exactly."""

    def __init__(self, guard: Guard) -> None:
        self._guard = guard
        self._moved: dict[Output, tuple[str, int]] = {}

    def provoke(self, output: Output, fault: Fault) -> None:
        """Move the limit of a fault across the voltage of an output that is on.

        Raises:
            DeviceRefused: the device lacks the limit, is told to go on, is write-protected, or has no word for it.
            BenchError: the limit could not be written; `withdraw` puts back what it held.

        """
        limit, response, sign = _LIMIT[fault]
        device = output.device
        where = f"{output.rail.name} ({device.name} page {output.page})"
        if not device.profile.declares(limit):
            raise DeviceRefused(f"{where}: its profile {device.profile.name!r} declares no {limit}")
        held = device.read_critical(output.page, (limit, response))
        byte = held.get(response)
        if limit not in held:
            raise DeviceRefused(f"{where}: the device has no {limit}")
        if byte is not None and not byte >> 6:
            raise DeviceRefused(f"{where}: {response} 0x{byte:02X} lets it go on, so nothing would come of a fault")
        device.check_writable((limit,))
        wanted_v = output.volts_asked() * (1.0 + sign * (_BEYOND_RATIO + output.rail.accuracy_ratio))
        is_ratio = output.format.is_ratio(limit)
        try:
            word = output.format.encode(limit, wanted_v / output.command_v if is_ratio else wanted_v)
        except FormatError as error:
            raise DeviceRefused(f"{where}: {limit} can't hold {show(wanted_v, Kind.VOLTAGE)}: {error}") from error
        self._moved[output] = (limit, held[limit])
        self._write(output, limit, word)

    def withdraw(self, output: Output) -> None:
        """Put back the limit of an output byte for byte; nothing if none was moved. BenchError if that fails."""
        if output not in self._moved:
            return
        limit, word = self._moved[output]
        if output.device.read_critical(output.page, (limit,)).get(limit) != word:
            self._write(output, limit, word)
        del self._moved[output]

    def withdraw_all(self) -> None:
        """Put back every limit that is still moved; the last error is raised after all have had their turn."""
        last: BenchError | None = None
        for output in tuple(self._moved):
            try:
                self.withdraw(output)
            except BenchError as error:
                last = error
        if last is not None:
            raise last

    def _write(self, output: Output, limit: str, word: int) -> None:
        command = COMMANDS[limit]
        data = word.to_bytes(2, "little")
        self._guard.permit(Write(address=output.device.address, pages=(output.page,), command=command.code, data=data))
        output.device.write(output.page, command, data)
