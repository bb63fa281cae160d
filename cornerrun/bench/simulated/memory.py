"""The non-volatile memory of a device: what RESTORE and a reset bring back."""

from collections.abc import Sequence

from cornerrun.bench.simulated.page import Page
from cornerrun.bench.simulated.registers import BY_CODE

__all__ = ["Memory"]


class Memory:
    """Holds the registers that are stored, as they were at power-up or at the last `store`."""

    def __init__(self, common: dict[int, int], pages: Sequence[Page]) -> None:
        self._common = common
        self._pages = pages
        self.store()

    def store(self) -> None:
        """Keep the registers as they are now."""
        registers = (self._common, *(page.words | page.octets for page in self._pages))
        self._kept = tuple({code: v for code, v in kept.items() if BY_CODE[code].is_stored} for kept in registers)

    def recall(self, now_s: float) -> None:
        """Put every register back to what is kept."""
        common, *pages = self._kept
        self._common.update(common)
        for page, kept in zip(self._pages, pages, strict=True):
            for code, value in kept.items():
                (page.words if code in page.words else page.octets)[code] = value
            page.reloaded(now_s)
