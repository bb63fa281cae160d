"""One power manager: who it is, which declared registers it has, and which of its gates is shut."""

import logging
from collections.abc import Mapping, Sequence

from cornerrun.bench.pmbus.commands import COMMANDS, Command, Kind
from cornerrun.bench.pmbus.errnos import NOT_ACKNOWLEDGED
from cornerrun.bench.pmbus.health import CountedLink
from cornerrun.bench.pmbus.operation import protection
from cornerrun.bench.pmbus.paging import PagedDevice
from cornerrun.bench.pmbus.profile import Profile
from cornerrun.bench.ports import DeviceIdentity
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, DeviceRefused, LinkError, ReadbackMismatch
from cornerrun.plan.model import Device

__all__ = ["ManagedDevice"]

_log = logging.getLogger(__name__)
_IDENTITY = {"maker": "MFR_ID", "model": "MFR_MODEL", "revision": "MFR_REVISION", "serial": "MFR_SERIAL"}
# Low nibble of PMBUS_REVISION is Part II, high nibble Part I: 0x22 is 1.2 of both (data sheets that restate it).
_REVISIONS = ("1.0", "1.1", "1.2", "1.3", "1.4", "1.5")


class ManagedDevice:
    """A device of the plan behind its bus; only what its profile declares is ever sent to it."""

    def __init__(self, *, device: Device, profile: Profile, link: CountedLink, clock: Clock) -> None:
        self.name = device.name
        self.bus = device.bus
        self.address = device.address
        self.profile = profile
        self.scan_s = profile.scan_s if device.scan_s is None else device.scan_s
        self.expected_vout_mode = device.vout_mode
        self.page_found: int | None = None
        self.paged = PagedDevice(
            name=device.name,
            address=device.address,
            link=link,
            clock=clock,
            has_page=profile.has_page,
            delays=profile.delays,
        )
        self._link = link
        self._wanted = device.identity
        self._missing: set[str] = set()
        self._write_protect = 0

    @property
    def missing(self) -> frozenset[str]:
        """The optional registers that the device did not acknowledge."""
        return frozenset(self._missing)

    def has(self, name: str) -> bool:
        """Whether a command may be sent and, as far as is known, is there."""
        return self.profile.declares(name) and name not in self._missing

    def present(self, names: Sequence[str]) -> tuple[Command, ...]:
        """The commands among ``names`` that the device has, in order."""
        return tuple(COMMANDS[name] for name in names if self.has(name))

    def connect(self, first_page: int) -> DeviceIdentity:
        """Remember PAGE as found, check identity and WRITE_PROTECT, and learn which optional registers are there.

        Raises:
            DeviceRefused: the identity is not that of the plan, or WRITE_PROTECT lets nothing through.
            LinkError: the device, or a required register, does not answer.

        """
        self.paged.forget()
        self._missing.clear()
        if self.profile.has_page and self.page_found is None:
            (self.page_found,) = self.paged.read(None, (COMMANDS["PAGE"],))
        texts = self._texts()
        self._check_identity(texts)
        # Before any page is turned: protection at its highest level stops PAGE too.
        self._check_protection()
        self._learn(first_page)
        return DeviceIdentity(device=self.name, texts=texts)

    def check_writable(self, names: Sequence[str]) -> None:
        """Refuse, naming WRITE_PROTECT, if one of the commands would not get through."""
        allowed = protection(self._write_protect)
        blocked = [] if allowed is None else [name for name in names if name not in allowed]
        if blocked:
            raise DeviceRefused(
                f"{self.name}: WRITE_PROTECT 0x{self._write_protect:02X} lets no {' or '.join(blocked)} through; write "
                "0x00 to WRITE_PROTECT, or let the device's configuration start without protection"
            )

    def write(self, page: int | None, command: Command, data: bytes) -> None:
        """Write and read back; a failure names WRITE_PROTECT if that is what stood in the way.

        Raises:
            DeviceRefused: WRITE_PROTECT blocks the command.
            LinkError: not acknowledged.
            ReadbackMismatch: the register does not hold what was written.

        """
        try:
            self.paged.write(page, command, data)
        except (LinkError, ReadbackMismatch) as error:
            try:
                self._check_protection()
                self.check_writable((command.name,))
            except DeviceRefused as gate:
                raise gate from error
            except BenchError:
                _log.debug("%s: WRITE_PROTECT can't be read after a failed write", self.name)
            raise

    def _texts(self) -> Mapping[str, str]:
        texts = {}
        for field, register in _IDENTITY.items():
            if self.profile.declares(register):
                data = self._try(None, COMMANDS[register])
                if data is not None:
                    texts[field] = data.rstrip(b"\0 ").decode("ascii", errors="backslashreplace")
        if self.profile.declares("PMBUS_REVISION"):
            data = self._try(None, COMMANDS["PMBUS_REVISION"])
            if data is not None:
                texts["pmbus revision"] = f"Part I {_revision(data[0] >> 4)}, Part II {_revision(data[0] & 0xF)}"
        return texts

    def _check_identity(self, texts: Mapping[str, str]) -> None:
        for field, wanted in self._wanted.items():
            register = _IDENTITY[field]
            if field not in texts:
                raise DeviceRefused(
                    f"{self.name} (0x{self.address:02X}): the plan wants {register} {wanted!r}, and the device or its "
                    f"profile {self.profile.name!r} has no {register}"
                )
            if texts[field] != wanted:
                raise DeviceRefused(
                    f"{self.name} (0x{self.address:02X}): {register} is {texts[field]!r}, the plan wants {wanted!r}; "
                    "nothing was written: check board, address and bus, or the plan's identity"
                )

    def _learn(self, page: int) -> None:
        known = {*_IDENTITY.values(), "PMBUS_REVISION"}
        for name in sorted(self.profile.optional - known, key=lambda name: COMMANDS[name].code):
            command = COMMANDS[name]
            if command.kind in (Kind.BYTE, Kind.WORD):
                self._try(page if command.is_paged else None, command)

    def _check_protection(self) -> None:
        data = self._try(None, COMMANDS["WRITE_PROTECT"]) if self.has("WRITE_PROTECT") else None
        if data is None:
            return
        self._write_protect = data[0]
        allowed = protection(self._write_protect)
        if allowed is not None and "PAGE" not in allowed:
            undefined = "" if allowed else ", which is no defined value,"
            raise DeviceRefused(
                f"{self.name}: WRITE_PROTECT 0x{self._write_protect:02X}{undefined} lets no write through; write "
                "0x00 to WRITE_PROTECT, or leave the register out of the profile if the device has none"
            )

    def _try(self, page: int | None, command: Command) -> bytes | None:
        """Read a register that may be missing; None if it is not acknowledged while the device itself answers."""
        mark = self._link.mark()
        try:
            return self.paged.read_data(page, command)
        except LinkError as error:
            if command.name in self.profile.required or error.errno not in NOT_ACKNOWLEDGED:
                raise
            self.paged.read(None, (COMMANDS["STATUS_WORD"],))
            self._missing.add(command.name)
            self._link.set_aside(mark)
            _log.info("%s has no %s: %s", self.name, command.name, error)
            return None


def _revision(nibble: int) -> str:
    return _REVISIONS[nibble] if nibble < len(_REVISIONS) else f"code {nibble}"
