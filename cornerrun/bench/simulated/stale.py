"""A device that needs time after a change of PAGE, and gives old data meanwhile."""

from cornerrun.bench.simulated.draws import uniform
from cornerrun.bench.simulated.page import Page

__all__ = ["StalePage"]


class StalePage:
    """Says from which page a read is answered; whether a change of PAGE is slow is drawn at each change."""

    def __init__(self, *, seed: int, device: str, lasts_s: float, chance: float) -> None:
        self._seed = seed
        self._device = device
        self._lasts_s = lasts_s
        self._chance = chance
        self._changes = 0
        self._before: Page | None = None
        self._until_s = float("-inf")

    def turned(self, before: Page, at_s: float) -> None:
        """Take notice of a change of PAGE away from a page."""
        self._changes += 1
        is_slow = uniform("stale", self._seed, self._device, self._changes) < self._chance
        self._before = before if is_slow else None
        self._until_s = at_s + self._lasts_s

    def page(self, selected: Page, now_s: float) -> Page:
        """Tell the page whose registers a read finds."""
        return self._before if self._before is not None and now_s < self._until_s else selected
