"""What to do about a VISA resource that can't be opened, told by its kind of link and by what went wrong."""

__all__ = ["advice"]

_EXTRA = "install what reaches it: pip install 'cornerrun[visa]'"
_IVI = "or name a maker's VISA library in `settings: {backend: '@ivi'}`"
_SPELLED = (
    "see that it is written like 'TCPIP::192.168.1.5::5025::SOCKET', 'TCPIP::192.168.1.5::hislip0::INSTR', "
    "'TCPIP::192.168.1.5::INSTR', 'USB::...::INSTR', 'GPIB::22::INSTR' or 'ASRL/dev/ttyUSB0::INSTR'"
)
_MISSING = {
    "GPIB": "install the driver linux-gpib of your system and pip install 'cornerrun[gpib]'",
    "USB": _EXTRA,
    "ASRL": _EXTRA,
}
_LOOK = {
    "TCPIP": "see that it is written like 'TCPIP::ADDRESS::PORT::SOCKET' (raw), 'TCPIP::ADDRESS::INSTR' (VXI-11) or "
    "'TCPIP::ADDRESS::hislip0::INSTR', that address and port are right, and that the instrument is on and reachable",
    "USB": "see that it is plugged in and on, that maker, model and serial number in the resource are its own, and "
    "that a udev rule lets you use it (lsusb lists it, /dev/bus/usb must be writable for you)",
    "GPIB": "see that the instrument is on, and that address and board number are right",
    "ASRL": "see that the line is there and yours to use (group dialout); names below /dev/serial/by-id stay the same "
    "when lines are plugged in again",
}


def advice(resource: str, why: str) -> str:
    """Tell what to do; ``why`` is what the VISA library said."""
    said = why.casefold()
    kind = next((kind for kind in _LOOK if resource.strip().upper().startswith(kind)), "")
    if "no backend available" in said:
        return f"pyusb finds no libusb: install libusb-1.0 of your system, {_IVI}"
    if "install" in said:
        return f"{_MISSING.get(kind, 'install it beside cornerrun')}, {_IVI}"
    if not kind or "inv_rsrc_name" in said or "parsing" in said:
        return f"{_SPELLED}, and that the instrument is on and reachable"
    return _LOOK[kind]
