"""Find out what sits at given addresses: pages, identity, formats, commands, margins, limits and fault responses.

Nothing is written but PAGE, which ends as it was found. What a device has is asked by QUERY, never tried. One thing has
no question: how many pages there are. So PAGE is raised until it does not hold; a device may keep an invalid-data bit
in STATUS_CML from that, and nothing is cleared here.
"""

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from cornerrun.bench.pmbus.codec import PageFormat
from cornerrun.bench.pmbus.commands import COMMANDS, PAGE, Command, Kind, Numbers
from cornerrun.bench.pmbus.device import ManagedDevice
from cornerrun.bench.pmbus.errnos import NOT_ACKNOWLEDGED
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.profile import Profile
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, FormatError, LinkError
from cornerrun.plan.model import Device
from cornerrun.units import Kind as Units
from cornerrun.units import show

__all__ = ["DEFAULT_ADDRESSES", "FoundDevice", "FoundPage", "look_at", "voltage_registers"]

# SMBus reserves what is below 0x10 and above 0x77, 0x28, 0x37 and 0x61. 0x30 to 0x37 are left out because a write
# there, as the command byte of a read is one, can protect memory modules for good; 0x50 to 0x57 are memories.
# (From memory: SMBus address table, JEDEC serial presence detect.)
_LEFT_OUT = {0x28, 0x61, *range(0x30, 0x38), *range(0x50, 0x58)}
DEFAULT_ADDRESSES = tuple(address for address in range(0x10, 0x78) if address not in _LEFT_OUT)
_MOST_PAGES = 32
_FAR = 0.1  # chosen: no droop, trim or telemetry of a rail that is on is that far off
_ROUNDING = 0.005  # chosen: a margin register left at nominal may be a code off
_PLAIN = (Kind.BYTE, Kind.WORD)


@dataclass(frozen=True, kw_only=True)
class FoundPage:
    """One page: its registers as they were read, and how its words are to be read; None if VOUT_MODE makes no sense."""

    page: int
    registers: Mapping[str, int]
    format: PageFormat | None
    trouble: str = ""

    @property
    def asked_v(self) -> float | None:
        """The voltage that VOUT_COMMAND and VOUT_TRIM ask for."""
        command_v, trim_v = self.volts("VOUT_COMMAND"), self.volts("VOUT_TRIM")
        return None if command_v is None else command_v + (trim_v or 0.0)

    @property
    def is_rail(self) -> bool:
        """Whether the page makes, or could make, a voltage."""
        return bool(self.asked_v and self.asked_v > 0)

    @property
    def doubt(self) -> str:
        """What speaks against believing the page's format; empty if nothing does."""
        asked_v, reads_v = self.asked_v, self.volts("READ_VOUT")
        if not asked_v or asked_v < 0:
            return ""
        if reads_v is not None and abs(reads_v - asked_v) > _FAR * asked_v:
            return (
                f"it asks for {show(asked_v, Units.VOLTAGE, digits=4)} and reads "
                f"{show(reads_v, Units.VOLTAGE, digits=4)}: it is off, or VOUT_MODE is not what its words are "
                "written in"
            )
        high_v, low_v = self.volts("VOUT_MARGIN_HIGH"), self.volts("VOUT_MARGIN_LOW")
        if (high_v and high_v < asked_v * (1 - _ROUNDING)) or (low_v and low_v > asked_v * (1 + _ROUNDING)):
            return "its margin registers do not lie on either side of what it asks for; VOUT_MODE may be wrong"
        return ""

    def volts(self, name: str) -> float | None:
        """A voltage register in volts at the output; None if it is not there or can't be read."""
        word = self.registers.get(name)
        if word is None or self.format is None:
            return None
        try:
            volts = self.format.decode(name, word)
            if self.format.is_ratio(name):
                volts *= self.format.decode("VOUT_COMMAND", self.registers["VOUT_COMMAND"])
        except FormatError:
            return None
        return volts if -1e6 < volts < 1e6 else None


@dataclass(frozen=True, kw_only=True)
class FoundDevice:
    """What answers at an address. ``commands`` are those that QUERY says are there; empty if QUERY does not work."""

    bus: str
    address: int
    texts: Mapping[str, str]
    shared: Mapping[str, int]
    commands: tuple[str, ...]
    pages: tuple[FoundPage, ...]

    @property
    def troubles(self) -> tuple[str, ...]:
        """What could not be read, and what can't be believed."""
        who = f"{self.bus} 0x{self.address:02X}"
        found = [f"{who} page {page.page}: {page.trouble}" for page in self.pages if page.trouble]
        found += [f"{who} page {page.page}: {page.doubt}" for page in self.rails if page.doubt]
        if not self.pages:
            found.append(f"{who}: PAGE does not read back what is written to it; is another master on the bus?")
        if len(self.pages) == _MOST_PAGES:
            found.append(
                f"{who}: it takes every PAGE up to {_MOST_PAGES - 1}, as a device does that ignores high bits of it; "
                "see its data sheet for how many there are, and delete the others"
            )
        return tuple(found)

    @property
    def rails(self) -> tuple[FoundPage, ...]:
        """The pages that make a voltage."""
        return tuple(page for page in self.pages if page.is_rail)


def look_at(link: CountedLink, bus: str, address: int, profile: Profile, clock: Clock) -> FoundDevice | None:
    """Look at one address; None if nothing answers there, or nothing that speaks PMBus.

    Raises:
        LinkError: the bus itself fails.

    """

    def managed(knowing: Profile) -> ManagedDevice:
        plain = Device(name=f"0x{address:02X}", bus=bus, address=address, profile=profile.name)
        return ManagedDevice(device=plain, profile=knowing, link=link, clock=clock)

    device, mark = managed(_asking(profile)), link.mark()
    try:
        # Once is enough to find an address empty: here, unlike in a run, silence is an answer.
        link.read_byte_data(address, COMMANDS["VOUT_MODE"].code)
        page_found = link.read_byte_data(address, PAGE)
        identity = device.connect(0)
        if not device.answers_query:
            # Then the profile alone says what may be sent.
            device = managed(profile)
            identity = device.connect(0)
    except LinkError as error:
        if error.errno not in NOT_ACKNOWLEDGED:
            raise
        link.set_aside(mark)
        return None
    try:
        shared = device.read(None, [c.name for c in COMMANDS.values() if not c.is_paged and _is_told(c)])
        pages = tuple(_page(device, page) for page in range(_pages(link, address)))
    finally:
        with suppress(BenchError):
            link.write_byte_data(address, PAGE, page_found)
    commands = tuple(name for name in COMMANDS if device.has(name)) if device.answers_query else ()
    return FoundDevice(bus=bus, address=address, texts=identity.texts, shared=shared, commands=commands, pages=pages)


def _asking(profile: Profile) -> Profile:
    """Let QUERY be asked about every command that is known, not only about those that a profile declares."""
    if not profile.query:
        return profile
    known = {command.name for command in COMMANDS.values() if command.kind is not Kind.SEND_BYTE}
    return replace(profile, optional=frozenset(known | profile.optional) - profile.required)


def _is_told(command: Command) -> bool:
    return command.kind in _PLAIN and command.name != "PAGE"


def _pages(link: CountedLink, address: int) -> int:
    for page in range(_MOST_PAGES):
        try:
            link.write_byte_data(address, PAGE, page)
            if link.read_byte_data(address, PAGE) != page:
                return page
        except LinkError:
            return page
    return _MOST_PAGES


def _page(device: ManagedDevice, page: int) -> FoundPage:
    names = [command.name for command in COMMANDS.values() if command.is_paged and _is_told(command)]
    try:
        registers = device.read(page, names)
    except LinkError as error:
        return FoundPage(page=page, registers={}, format=None, trouble=str(error))
    try:
        direct = (
            device.coefficients("VOUT_COMMAND", page, for_writing=True)
            if registers["VOUT_MODE"] & 0x60 == 0x40 and device.has("COEFFICIENTS")
            else None
        )
        found = device.profile.page_format(page, registers["VOUT_MODE"], direct=direct)
        found.decode("VOUT_COMMAND", registers["VOUT_COMMAND"])
    except (FormatError, LinkError, KeyError) as error:
        return FoundPage(page=page, registers=registers, format=None, trouble=str(error))
    return FoundPage(page=page, registers=registers, format=found)


def voltage_registers(page: FoundPage) -> Sequence[str]:
    """The registers of a page that hold voltages, in the order of their codes."""
    kinds = {Numbers.VOUT, Numbers.VOUT_RATIO, Numbers.VOUT_SIGNED}
    return [name for name, command in COMMANDS.items() if command.numbers in kinds and name in page.registers]
