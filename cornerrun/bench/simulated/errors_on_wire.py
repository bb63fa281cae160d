"""Errors of a simulated bus, at a rate: the same seed spoils the same messages in the same places."""

from cornerrun.bench.simulated.draws import uniform
from cornerrun.bench.simulated.manager import NotAcknowledged

__all__ = ["WireErrors"]


class WireErrors:
    """Decides message by message what goes wrong.

    A bit error turns one bit of the bytes after the address over: of what is written, or of what comes back. Whether
    anybody notices is a question of PEC.
    """

    def __init__(self, *, seed: int, bus: str, bit_error_ratio: float, no_acknowledge_ratio: float) -> None:
        self._seed = seed
        self._bus = bus
        self._bit_error_ratio = bit_error_ratio
        self._no_acknowledge_ratio = no_acknowledge_ratio
        self._message = 0
        self._spoils_reply: bool | None = None
        self.spoiled = 0
        self.unacknowledged = 0

    def begin(self) -> None:
        """Begin a message; raise NotAcknowledged if this one gets no acknowledge of its address."""
        self._message += 1
        if self._draw("acknowledge") < self._no_acknowledge_ratio:
            self.unacknowledged += 1
            raise NotAcknowledged(is_address=True)
        is_spoiled = self._draw("bit") < self._bit_error_ratio
        self._spoils_reply = self._draw("side") < 0.5 if is_spoiled else None

    def spoil(self, data: bytes, *, is_reply: bool = False) -> bytes:
        """Turn over a bit of one side of the message, if this message is one of those."""
        if self._spoils_reply is not is_reply or not data:
            return data
        self.spoiled += 1
        bit = int(self._draw("place") * 8 * len(data))
        return bytes(octet ^ (1 << bit % 8 if index == bit // 8 else 0) for index, octet in enumerate(data))

    def _draw(self, what: str) -> float:
        return uniform("wire", self._seed, self._bus, self._message, what)
