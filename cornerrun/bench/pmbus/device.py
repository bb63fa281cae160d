"""One power manager: who it is, which declared registers it has, and which of its gates is shut.

Nothing is probed by trial. A profile says what is there; where it says that QUERY works, QUERY is asked about what may
be missing. A declared register that is not acknowledged when it is needed is a mistake in the profile: it is told as a
note, and not sent again.
"""

import errno
import logging
from collections.abc import Callable, Mapping, Sequence

from cornerrun.bench.pmbus.commands import COMMANDS, Command
from cornerrun.bench.pmbus.errnos import NOT_ACKNOWLEDGED
from cornerrun.bench.pmbus.formats import Direct
from cornerrun.bench.pmbus.health import CountedLink, Mark
from cornerrun.bench.pmbus.identity import IDENTITY_REGISTERS, identity_texts
from cornerrun.bench.pmbus.operation import STATUS_REGISTERS, protection
from cornerrun.bench.pmbus.page_plus import PagePlusDevice
from cornerrun.bench.pmbus.paging import PagedDevice
from cornerrun.bench.pmbus.profile import Profile
from cornerrun.bench.ports import DeviceIdentity
from cornerrun.clock import Clock
from cornerrun.errors import BenchError, DeviceRefused, LinkError, ReadbackMismatch
from cornerrun.plan.model import Device

__all__ = ["ManagedDevice"]

_log = logging.getLogger(__name__)
_SUPPORTED = 0x80  # QUERY's answer, bit 7 (PMBus 1.3 data sheets)


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
        self.remarks = link.remarks
        self.paged = (PagePlusDevice if profile.page_plus else PagedDevice)(
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
        self._seen: set[str] = set()
        self._coefficients: dict[tuple[str, bool], Direct] = {}
        self._write_protect = 0
        self.answers_query = False

    @property
    def missing(self) -> frozenset[str]:
        """The optional registers that QUERY says are not there, or that the device did not acknowledge."""
        return frozenset(self._missing)

    def has(self, name: str) -> bool:
        """Whether a command may be sent and, as far as is known, is there."""
        return self.profile.declares(name) and name not in self._missing

    def present(self, names: Sequence[str]) -> tuple[Command, ...]:
        """The commands among ``names`` that the device has, in order."""
        return tuple(COMMANDS[name] for name in names if self.has(name))

    def read(self, page: int | None, names: Sequence[str]) -> dict[str, int]:
        """Read bytes and words of one page, by name; optional registers that turn out not to be there are left out.

        Raises:
            LinkError: a message failed, or a required register does not answer.

        """
        return self._read(page, names, self.paged.read)

    def read_critical(self, page: int | None, names: Sequence[str]) -> dict[str, int]:
        """Read as `read` what a write will be built on: twice, and equal, where no packet error code protects it."""
        return self._read(page, names, self._read_twice)

    def read_block(self, command: Command) -> bytes | None:
        """Read a block of the whole device; None if it is optional and not there."""
        return self._try(None, command)

    def coefficients(self, register: str, page: int, *, for_writing: bool) -> Direct:
        """Read m, b and R of DIRECT for a register: COEFFICIENTS, five bytes, m and b low byte first.

        Source: Linux ``drivers/hwmon/pmbus`` and QEMU for the answer; that the second byte of the question is 1 for
        reading and 0 for writing is from memory.
        """
        del page  # COEFFICIENTS is not paged
        key = (register, for_writing)
        if key not in self._coefficients:
            question = (COMMANDS[register].code, 0 if for_writing else 1)
            data = self.paged.call(COMMANDS["COEFFICIENTS"], question, length=5)
            m, b = (int.from_bytes(data[i : i + 2], "little", signed=True) for i in (0, 2))
            self._coefficients[key] = Direct(m, b, int.from_bytes(data[4:5], "little", signed=True))
        return self._coefficients[key]

    def connect(self, first_page: int) -> DeviceIdentity:
        """Remember PAGE as found, check identity and WRITE_PROTECT, and ask QUERY which optional registers are there.

        Raises:
            DeviceRefused: the identity is not that of the plan, or WRITE_PROTECT lets nothing through.
            LinkError: the device, or a required register, does not answer.

        """
        self.paged.forget()
        self._missing.clear()
        self._seen.clear()
        self._coefficients.clear()
        if self.profile.has_pec is False and self._link.pec:
            raise DeviceRefused(
                f"{self.name}: its profile {self.profile.name!r} says that it has no packet error code, and bus "
                f"{self.bus!r} uses one; write `pec: false` for this bus"
            )
        if self.profile.has_page and self.page_found is None:
            (self.page_found,) = self.paged.read(None, (COMMANDS["PAGE"],))
        self._ask_query()
        texts = identity_texts(self.has, self._identity_register, self._wanted)
        self._check_identity(texts)
        # Before any page is turned: protection at its highest level stops PAGE too.
        self._check_protection()
        del first_page
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

    def write(self, page: int | None, command: Command, data: bytes, *, is_change: bool = True) -> None:
        """Write and read back (`PagedDevice.write`); a failure names WRITE_PROTECT if that stood in the way.

        Raises:
            DeviceRefused: WRITE_PROTECT blocks the command.
            LinkError: not acknowledged.
            ReadbackMismatch: the register does not hold what was written.

        """
        try:
            self.paged.write(page, command, data, is_change=is_change)
        except (LinkError, ReadbackMismatch) as error:
            try:
                self._check_protection()
                self.check_writable((command.name,))
            except DeviceRefused as gate:
                raise gate from error
            except BenchError:
                _log.debug("%s: WRITE_PROTECT can't be read after a failed write", self.name)
            raise

    def _identity_register(self, name: str) -> bytes | None:
        """Read a register of identity; None if it is missing, or was never given a text: a block without length."""
        mark = self._link.mark()
        try:
            return self._try(None, COMMANDS[name])
        except LinkError as error:
            if error.errno != errno.EPROTO:
                raise
            self.paged.read(None, (COMMANDS["STATUS_WORD"],))  # the device itself still answers
            self._link.set_aside(mark)
            self.remarks.add("note", f"{self.name}: {name} is a block of no length that SMBus allows; it is left out")
            return None

    def _check_identity(self, texts: Mapping[str, str]) -> None:
        for field, wanted in self._wanted.items():
            register = IDENTITY_REGISTERS[field]
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

    def _ask_query(self) -> None:
        """Ask about every optional register, by QUERY alone; by the profile where QUERY does not answer after all."""
        self.answers_query = False
        if not self.profile.query:
            return
        mark = self._link.mark()
        try:
            # The one thing that is known to be there tells whether the answers can be believed.
            if not self._query("OPERATION"):
                raise LinkError("QUERY denies OPERATION", errno=None)
            self._missing |= {name for name in sorted(self.profile.optional) if not self._query(name)}
            self.answers_query = True
        except LinkError as error:
            if error.errno not in NOT_ACKNOWLEDGED:
                raise
            self.paged.read(None, (COMMANDS["STATUS_WORD"],))
            self._link.set_aside(mark)
            _log.info("%s: QUERY does not work, so its profile is taken at its word: %s", self.name, error)

    def _query(self, name: str) -> bool:
        (answer,) = self.paged.call(COMMANDS["QUERY"], (COMMANDS[name].code,), length=1)
        return bool(answer & _SUPPORTED)

    def _read(
        self, page: int | None, names: Sequence[str], read: Callable[[int | None, Sequence[Command]], list[int]]
    ) -> dict[str, int]:
        while True:
            commands = self.present(tuple(dict.fromkeys(names)))
            mark = self._link.mark()
            try:
                numbers = read(page, commands) if commands else []
            except LinkError as error:
                if error.errno not in NOT_ACKNOWLEDGED or not self._drop_missing(page, commands, mark):
                    raise
                continue
            found = {command.name: number for command, number in zip(commands, numbers, strict=True)}
            self._seen.update(found)
            return found

    def _read_twice(self, page: int | None, commands: Sequence[Command]) -> list[int]:
        first = self.paged.read(page, commands)
        if self._link.pec:
            return first
        second = self.paged.read(page, commands)
        for command, was, now in zip(commands, first, second, strict=True):
            if was != now and command.name not in STATUS_REGISTERS:
                raise LinkError(
                    f"{self.name}: {command.name} read 0x{was:04X} and then 0x{now:04X}; without a packet error code "
                    "nobody can tell which is right: write `pec: true` for this bus if the device has one"
                )
        return second

    def _drop_missing(self, page: int | None, commands: Sequence[Command], mark: Mark) -> bool:
        """Find out which optional register of a failed read is not there; False if the failure was another one."""
        doubtful = [c for c in commands if c.name not in self.profile.required and c.name not in self._seen]
        before = len(self._missing)
        for command in doubtful:
            self._try(page if command.is_paged else None, command)
        if len(self._missing) == before:
            return False
        self._link.set_aside(mark)
        return True

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
            data = self.paged.read_data(page, command)
        except LinkError as error:
            is_known = command.name in self.profile.required or command.name in self._seen
            if is_known or error.errno not in NOT_ACKNOWLEDGED:
                raise
            self.paged.read(None, (COMMANDS["STATUS_WORD"],))
            self._missing.add(command.name)
            self._link.set_aside(mark)
            self.remarks.add(
                "note",
                f"{self.name}: profile {self.profile.name!r} declares {command.name}, which the device does not "
                "acknowledge; it is not sent again: correct the profile",
            )
            return None
        self._seen.add(command.name)
        return data
