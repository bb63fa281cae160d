"""What goes on around a simulated board that no bus tells it: which unit, which visit, which check."""

from collections.abc import Callable

__all__ = ["Stage"]


class Stage:
    """Told by whoever runs the plan, where that is the same process; else no visit ever begins.

    ``serial`` is the serial number of the unit, empty if nobody said.
    """

    def __init__(self, serial: str = "") -> None:
        self.serial = serial
        self.visit: int | None = None
        self.corner = ""
        self.check: str | None = None
        self._visit_listeners: list[Callable[[float], None]] = []
        self._check_listeners: list[Callable[[float], None]] = []

    def on_visit(self, told: Callable[[float], None]) -> None:
        """Have ``told`` called with the time whenever a visit begins."""
        self._visit_listeners.append(told)

    def on_check(self, told: Callable[[float], None]) -> None:
        """Have ``told`` called with the time whenever a check begins or ends."""
        self._check_listeners.append(told)

    def begin_visit(self, visit: int, corner: str, at_s: float) -> None:
        """Take note that the step to a visit begins."""
        self.visit = visit
        self.corner = corner
        for told in self._visit_listeners:
            told(at_s)

    def begin_check(self, check: str, at_s: float) -> None:
        """Take note that a check begins."""
        self._set_check(check, at_s)

    def end_check(self, at_s: float) -> None:
        """Take note that no check runs any more."""
        self._set_check(None, at_s)

    def _set_check(self, check: str | None, at_s: float) -> None:
        self.check = check
        for told in self._check_listeners:
            told(at_s)
