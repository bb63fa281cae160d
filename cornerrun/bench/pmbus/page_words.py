"""How a page's words are read, found out once it answers; and whether that makes sense with the plan."""

from collections.abc import Mapping

from cornerrun.bench.pmbus.codec import PageFormat
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.formats import VoutKind, VoutMode
from cornerrun.errors import DeviceRefused, FormatError
from cornerrun.plan.model import Rail
from cornerrun.units import Kind, show

__all__ = ["page_format", "refuse_unless_plausible"]

# chosen: an exponent of VOUT_MODE that is wrong by one step gives a factor of two, so anything below that finds it
_PLAUSIBLE_RATIO = 0.25


def page_format(device: ManagedDevice, page: int, found: Mapping[str, int], where: str) -> PageFormat:
    """Make the format of a page from VOUT_MODE, the device's profile and, where that says so, COEFFICIENTS.

    Raises:
        DeviceRefused: VOUT_MODE is not that of the plan, or VOUT_COMMAND can't be read by it.
        LinkError: COEFFICIENTS does not answer.

    """
    byte, expected = found["VOUT_MODE"], device.expected_vout_mode
    if expected is not None and byte != expected:
        raise DeviceRefused(
            f"{where}: VOUT_MODE is 0x{byte:02X}, the plan wants 0x{expected:02X}; words would mean other voltages"
        )
    profile, direct = device.profile, None
    try:
        if profile.reads_coefficients and VoutMode.from_byte(byte).kind is VoutKind.DIRECT:
            direct = device.coefficients("VOUT_COMMAND", page, for_writing=True)
        made = profile.page_format(page, byte, direct=direct)
        if direct is not None and "READ_VOUT" not in profile.formats:
            reading = device.coefficients("READ_VOUT", page, for_writing=False)
            if reading != direct:
                made = PageFormat(mode=made.mode, overrides={**made.overrides, "READ_VOUT": reading}, scale=made.scale)
        made.decode("VOUT_COMMAND", found["VOUT_COMMAND"])
    except FormatError as error:
        raise DeviceRefused(f"{where}: VOUT_MODE 0x{byte:02X}: {error}") from error
    return made


def refuse_unless_plausible(rail: Rail, asked_v: float, found: Mapping[str, int], where: str) -> None:
    """Refuse words that ask for a voltage far from the plan's nominal: nothing is written on such a ground."""
    # Written so that NaN, which half precision can hold, is refused.
    if not abs(asked_v - rail.nominal_v) <= _PLAUSIBLE_RATIO * rail.nominal_v:
        raise DeviceRefused(
            f"{where}: VOUT_MODE 0x{found['VOUT_MODE']:02X} and VOUT_COMMAND 0x{found['VOUT_COMMAND']:04X} ask for "
            f"{show(asked_v, Kind.VOLTAGE)}, the plan's nominal is {show(rail.nominal_v, Kind.VOLTAGE)}; "
            "check device, page and VOUT_MODE before anything is written"
        )
