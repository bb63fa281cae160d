"""One device on paper: which page it is at, and the messages that reading and writing it take."""

from collections.abc import Sequence

from cornerrun.bench.pmbus.commands import COMMANDS
from cornerrun.bench.pmbus.profile import Profile
from cornerrun.preflight.paper.wire import Wire

__all__ = ["PaperDevice"]


class PaperDevice:
    """Charges the messages of the product's own driver (`cornerrun.bench.pmbus.paging`): PAGE written and verified."""

    def __init__(self, profile: Profile, wire: Wire, name: str = "") -> None:
        self.profile = profile
        self._wire = wire
        self._name = name
        self._page: int | None = None
        self._is_verified = False
        self._groups: dict[tuple[str, ...], tuple[int, int]] = {}
        self._verify_bits = wire.read_bits("PAGE")
        self._turn_bits = wire.write_bits("PAGE")
        delays = profile.delays
        self._turn_s = max(delays.page_change_s, delays.write_s, delays.access_s)

    def has(self, name: str) -> bool:
        """Whether the profile declares a register."""
        return self.profile.declares(name)

    def read(self, page: int | None, *names: str, is_critical: bool = False) -> None:
        """Read registers of one page; twice where no packet error code protects what a write will be built on."""
        group = self._groups.get(names)
        if group is None:
            declared = [name for name in names if self.has(name)]
            group = len(declared), sum(self._wire.read_bits(name) for name in declared)
            self._groups[names] = group
        messages, bits = group
        for _ in range(2 if is_critical and not self._wire.has_code else 1):
            self._turn(page)
            if self._wire.letters is not None:
                for name in filter(self.has, names):
                    self._wire.tell(self._name, page, "read", name)
            self._wire.charge(messages, bits, messages * self.profile.delays.access_s)
            self._verify(page)

    def write(self, page: int | None, name: str, data: str = "") -> None:
        """Write a register and read it back; ``data`` is what a list of messages says of its content."""
        if not self._is_verified or page != self._page:
            self._turn(page)
            self._verify(page)
        delays = self.profile.delays
        self._wire.tell(self._name, page, "write", name, data)
        self._wire.charge(1, self._wire.write_bits(name), max(delays.write_s, delays.access_s))
        self.read(page, name)

    def kept(self) -> tuple[Sequence[str], Sequence[str]]:
        """Name the registers that make up a configuration: those of the whole device, and those of each page."""
        names = [n for n in COMMANDS if self.has(n) and not n.startswith(("STATUS_", "READ_")) and n != "PAGE"]
        shared = [name for name in names if not COMMANDS[name].is_paged]
        return shared, [name for name in names if COMMANDS[name].is_paged]

    def _turn(self, page: int | None) -> None:
        self._is_verified = False
        if page is None or not self.profile.has_page or page == self._page:
            return
        self._wire.tell(self._name, page, "write", "PAGE", f"0x{page:02x}")
        self._wire.charge(1, self._turn_bits, self._turn_s)
        self._page = page

    def _verify(self, page: int | None) -> None:
        if page is not None and self.profile.has_page:
            self._wire.tell(self._name, page, "read", "PAGE")
            self._wire.charge(1, self._verify_bits, self.profile.delays.access_s)
            self._is_verified = True
