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

    def change_check(self, check: str, is_running: bool, at_s: float) -> None:
        """Take note that a check begins or ends."""
        self.check = check if is_running else None
        for told in self._check_listeners:
            told(at_s)
