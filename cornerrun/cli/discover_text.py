"""What was found on a bench, as a table and as data."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from cornerrun.bench.pmbus.discover import voltage_registers
from cornerrun.units import Kind, show

if TYPE_CHECKING:
    from cornerrun.bench.pmbus.discover import FoundDevice, FoundPage
    from cornerrun.bench.scan import Scan

__all__ = ["scan_data", "scan_lines"]

_RESPONSES = ("VOUT_OV_FAULT_RESPONSE", "VOUT_UV_FAULT_RESPONSE", "IOUT_OC_FAULT_RESPONSE", "OT_FAULT_RESPONSE")


def scan_lines(found: "Scan") -> Iterable[str]:
    """Write what was found: one paragraph a device, one line a page."""
    if not found.devices:
        yield "nothing that speaks PMBus answered"
    for device in found.devices:
        yield _head(device)
        yield from (f"  {line}" for line in _device_lines(device))
        for page in device.pages:
            yield from (f"  {line}" for line in _page_lines(page))
    for channel, volts in found.channels_v.items():
        yield f"meter, {channel}: {volts:.6f} V"


def scan_data(found: "Scan") -> dict[str, object]:
    """Give what was found as plain data: words as numbers, voltages in volts."""
    return {
        "devices": [
            {
                "bus": device.bus,
                "address": device.address,
                "identity": dict(device.texts),
                "registers": dict(device.shared),
                "commands": list(device.commands),
                "pages": [
                    {
                        "page": page.page,
                        "registers": dict(page.registers),
                        "volts": {name: page.volts(name) for name in voltage_registers(page)},
                        "is_rail": page.is_rail,
                        "trouble": page.trouble,
                    }
                    for page in device.pages
                ],
            }
            for device in found.devices
        ],
        "channels_v": dict(found.channels_v),
        "troubles": list(found.troubles),
    }


def _head(device: "FoundDevice") -> str:
    who = ", ".join(f"{field} {text}" for field, text in device.texts.items() if text)
    return f"{device.bus} 0x{device.address:02X}: {who or 'no identity'}"


def _device_lines(device: "FoundDevice") -> Iterable[str]:
    capability = device.shared.get("CAPABILITY")
    if capability is not None:
        speeds = ("100 kHz", "400 kHz", "1 MHz", "reserved speed")
        # CAPABILITY: bit 7 PEC, 6:5 speed, bit 4 SMBALERT (PMBus 1.3 data sheets)
        yield (
            f"CAPABILITY 0x{capability:02X}: {'PEC' if capability & 0x80 else 'no PEC'}, up to "
            f"{speeds[capability >> 5 & 3]}{', alert line' if capability & 0x10 else ''}"
        )
    protect = device.shared.get("WRITE_PROTECT")
    if protect:
        yield f"WRITE_PROTECT 0x{protect:02X}: writes are restricted"
    yield f"QUERY tells {len(device.commands)} commands" if device.commands else "QUERY does not work"


def _page_lines(page: "FoundPage") -> Iterable[str]:
    if page.trouble or not page.is_rail:
        yield f"page {page.page}: {page.trouble or 'no voltage is asked for'}"
        return
    mode = page.registers["VOUT_MODE"]
    kind = ("linear", "VID", "direct", "half")[mode >> 5 & 3]
    yield (
        f"page {page.page}: VOUT_MODE 0x{mode:02X} ({kind}{', relative' if mode & 0x80 else ''}), asks for "
        f"{_volts(page.asked_v)}, reads {_volts(page.volts('READ_VOUT'))}"
    )
    told = [name for name in voltage_registers(page) if name not in ("VOUT_COMMAND", "READ_VOUT")]
    yield "  " + ", ".join(f"{name} {_volts(page.volts(name))}" for name in told)
    responses = [f"{name} 0x{page.registers[name]:02X}" for name in _RESPONSES if name in page.registers]
    if responses:
        yield "  " + ", ".join(responses)


def _volts(volts: float | None) -> str:
    return "unreadable" if volts is None else show(volts, Kind.VOLTAGE, digits=5)
