"""Shared fault lines: a page that shuts down pulls the line, and others shut down with it."""

from collections.abc import Sequence
from functools import partial

from cornerrun.bench.simulated.manager_settings import FaultLineSettings
from cornerrun.bench.simulated.page import Page
from cornerrun.bench.simulated.registers import Code
from cornerrun.bench.simulated.timeline import Timeline

__all__ = ["FaultLine"]

_OBEYED = 0x01


class FaultLine:
    """Everything that it does, it does from the timeline: never within a page's own change."""

    def __init__(
        self,
        name: str,
        settings: FaultLineSettings,
        *,
        drivers: Sequence[Page],
        obeyers: Sequence[Page],
        timeline: Timeline,
    ) -> None:
        self._cause = f"line {name}"
        self._settings = settings
        self._obeyers = obeyers
        self._timeline = timeline
        self._pulled_by: set[Page] = set()
        self._obeying: set[Page] = set()
        self._excused: set[Page] = set()
        for page in drivers:
            page.on_down.append(partial(self._changed, page))
        for page in obeyers:
            page.on_command_off.append(partial(self._commanded_off, page))

    @property
    def is_pulled(self) -> bool:
        """Whether any page holds the line."""
        return bool(self._pulled_by)

    def _changed(self, page: Page, at_s: float, is_down: bool) -> None:
        was_pulled = self.is_pulled
        (self._pulled_by.add if is_down else self._pulled_by.discard)(page)
        if self.is_pulled is not was_pulled:
            self._timeline.at(at_s + self._settings.delay, self._follow)

    def _commanded_off(self, page: Page, at_s: float) -> None:
        if page not in self._obeying:
            return
        if self.is_pulled:
            self._excused.add(page)
        else:
            self._obeying.discard(page)
            self._timeline.at(at_s, partial(self._let_go, page))

    def _let_go(self, page: Page, at_s: float) -> None:
        if page not in self._obeying:
            page.keep_off(at_s, self._cause, is_kept=False)

    def _follow(self, at_s: float) -> None:
        if self.is_pulled:
            for page in self._obeyers:
                if page not in self._pulled_by and page not in self._obeying:
                    self._obeying.add(page)
                    self._excused.discard(page)
                    if self._settings.shows and not page.status.is_off:
                        page.status.latch(Code.STATUS_MFR_SPECIFIC, _OBEYED)
                    page.keep_off(at_s, self._cause, is_kept=True)
            return
        for page in tuple(self._obeying):
            # A page that latches and was commanded off and on meanwhile has done its part.
            if not self._settings.latches or page in self._excused:
                self._obeying.discard(page)
                page.keep_off(at_s, self._cause, is_kept=False)
