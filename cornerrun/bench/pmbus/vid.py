"""VID tables: codes of a processor's voltage identification, each with its voltage, as a data sheet lists them; pure.

A code alone says nothing: the tables of one number differ from maker to maker, so the device's profile gives its own.
"""

import bisect
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Self

from cornerrun.errors import FormatError

__all__ = ["Vid", "VidSpan"]


@dataclass(frozen=True, kw_only=True, slots=True)
class VidSpan:
    """Codes from ``first`` to ``last``: ``first_v`` at the first, ``step_v`` (often negative) more at each next one."""

    first: int
    last: int
    first_v: float
    step_v: float = 0.0


@dataclass(frozen=True)
class Vid:
    """A table of codes; those that are not in it mean nothing (often "off")."""

    volts: Mapping[int, float]

    @classmethod
    def of(cls, spans: Iterable[VidSpan]) -> Self:
        """Build a table from spans.

        Raises:
            FormatError: a code stands in two spans, lies outside 0..0xFFFF, or there is none at all.

        """
        volts: dict[int, float] = {}
        for span in spans:
            if not 0 <= span.first <= span.last <= 0xFFFF:
                raise FormatError(f"codes 0x{span.first:02X} to 0x{span.last:02X} are no span of words")
            for code in range(span.first, span.last + 1):
                if code in volts:
                    raise FormatError(f"code 0x{code:02X} stands twice in the VID table")
                volts[code] = span.first_v + (code - span.first) * span.step_v
        if not volts:
            raise FormatError("a VID table needs one code at least")
        return cls(volts)

    def decode(self, word: int) -> float:
        """Look up a code; FormatError if the table has none."""
        try:
            return self.volts[word]
        except KeyError:
            raise FormatError(
                f"code 0x{word:02X} is not in the VID table (0x{min(self.volts):02X} to 0x{max(self.volts):02X})"
            ) from None

    def encode(self, x: float) -> int:
        """Find the code whose voltage is nearest; of two equally near the lower one. Nothing is clamped.

        Raises:
            FormatError: more than half a step beyond the table's ends.

        """
        low_v, high_v = self._voltages[0], self._voltages[-1]
        if not low_v - self.step(low_v) / 2 <= x <= high_v + self.step(high_v) / 2:
            raise FormatError(f"{x!r} is beyond the VID table, which reaches from {low_v:g} to {high_v:g}")
        return min(self._near(x), key=lambda code: (abs(self.volts[code] - x), self.volts[code], code))

    def step(self, x: float) -> float:
        """Tell the distance of the two neighbouring voltages around ``x``."""
        if len(self._voltages) == 1:
            return 0.0
        index = min(max(bisect.bisect_left(self._voltages, x), 1), len(self._voltages) - 1)
        return self._voltages[index] - self._voltages[index - 1]

    @cached_property
    def _codes(self) -> Mapping[float, int]:
        # Of several codes with one voltage the lowest.
        return {volts: code for code, volts in sorted(self.volts.items(), reverse=True)}

    @cached_property
    def _voltages(self) -> tuple[float, ...]:
        return tuple(sorted(self._codes))

    def _near(self, x: float) -> Iterable[int]:
        index = bisect.bisect_left(self._voltages, x)
        return [self._codes[volts] for volts in self._voltages[max(index - 1, 0) : index + 1]]
