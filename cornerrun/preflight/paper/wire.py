"""What SMBus messages cost on the wire, and how many there are."""

from cornerrun.bench.pmbus.commands import COMMANDS, Kind
from cornerrun.clock import Clock
from cornerrun.plan.bench_file import Bus
from cornerrun.preflight.paper.letters import Kind as LetterKind
from cornerrun.preflight.paper.letters import Letter, Letters

__all__ = ["Wire"]

_BLOCK_BYTES = 8  # chosen: what an identity text mostly has


class Wire:
    """One bus: charges each message to the clock and counts it.

    START, repeated START and STOP take one bit time each, a byte nine, addresses included (SMBus 3.x, section 6; from
    memory); a packet error code is one byte more. What an adapter and its driver add is not known.
    """

    def __init__(self, bus: Bus, clock: Clock, letters: Letters | None = None) -> None:
        self._clock = clock
        self.letters = letters
        self._bit_s = 1.0 / bus.clock_hz
        self._code = 1 if bus.pec else 0
        self.messages = 0

    @property
    def has_code(self) -> bool:
        """Whether messages carry a packet error code."""
        return bool(self._code)

    def read_bits(self, name: str) -> int:
        """Count the bits of reading a register."""
        command = COMMANDS[name]
        size = 2 if command.is_word else 1 + _BLOCK_BYTES if command.kind is Kind.BLOCK else 1
        # START, address and command; repeated START, address and data; STOP.
        return 3 + 9 * 2 + 9 * (1 + size + self._code)

    def write_bits(self, name: str) -> int:
        """Count the bits of writing a register."""
        command = COMMANDS[name]
        size = 0 if command.kind is Kind.SEND_BYTE else 2 if command.is_word else 1
        return 2 + 9 * (2 + size + self._code)

    def tell(self, to: str, page: int | None, kind: LetterKind, what: str, data: str = "") -> None:
        """Keep a message as text, if anybody asked for it."""
        if self.letters is not None:
            self.letters.add(Letter(at_s=self._clock.now_s(), to=to, kind=kind, what=what, data=data, page=page))

    def charge(self, messages: int, bits: int, wait_s: float = 0.0) -> None:
        """Let messages pass, and the time for which the device wants to be left alone."""
        self.messages += messages
        self._clock.charge(bits * self._bit_s + wait_s)
