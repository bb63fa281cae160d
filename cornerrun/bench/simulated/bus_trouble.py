"""Trouble of a bus, message by message: by rate, drawn from the seed, or by script."""

import errno
from collections.abc import Mapping, Sequence
from typing import NoReturn

from cornerrun.bench.simulated.draws import uniform
from cornerrun.bench.simulated.fault_settings import BusErrors, BusEvent
from cornerrun.bench.simulated.manager import NotAcknowledged, SimulatedManager
from cornerrun.bench.simulated.registers import BY_NAME
from cornerrun.clock import Clock

__all__ = ["BusTrouble", "has_trouble"]

_KINDS = {
    "page_flips": "page_flip",
    "page_lost": "page_lost",
    "pec_errors": "pec_error",
    "arbitration_lost": "arbitration_lost",
    "clock_stretches": "clock_stretch",
    "stuck": "stuck",
}


def has_trouble(rates: BusErrors) -> bool:
    """Tell whether any kind of this module has a rate."""
    return any(getattr(rates, name) > 0.0 for name in _KINDS)


class BusTrouble:
    """Decides before each message what goes wrong with it; ``seen`` counts what did, by kind.

    A kind at a rate is drawn for each message by its number on this bus: the same seed meets the same messages.
    """

    def __init__(
        self,
        *,
        seed: int,
        bus: str,
        rates: BusErrors,
        events: Sequence[BusEvent],
        addresses: Mapping[str, int],
        clock: Clock,
        start_s: float,
    ) -> None:
        self._seed = seed
        self._bus = bus
        self._rates = tuple((_KINDS[name], rate) for name in _KINDS if (rate := getattr(rates, name)) > 0.0)
        self._stretch_s = rates.stretch
        self._stuck_for_s = rates.stuck_for
        self._events = [_Script(event, addresses, start_s) for event in events]
        self._clock = clock
        self._message = 0
        self._stuck_until_s: float | None = None
        self._addressed: SimulatedManager | None = None
        self.seen: dict[str, int] = {}

    def begin(self, manager: SimulatedManager | None, address: int, written: bytes) -> None:
        """Begin a message to a device, and do to it what is due.

        Raises:
            OSError: EBUSY, EAGAIN, ETIMEDOUT (Linux fault-codes).
            NotAcknowledged: as scripted.

        """
        self._message += 1
        now_s = self._clock.now_s()
        self._check_stuck(now_s)
        self._addressed = manager
        if manager is not None:
            manager.spoils_pec = False
        for kind, rate in self._rates:
            if uniform("bus", self._seed, self._bus, self._message, kind) < rate:
                self._act(kind, manager, None, now_s)
        for script in self._events:
            if script.meets(self._message, now_s, address, written):
                self._act(script.event.kind, manager, script.event.page, now_s)

    def _act(self, kind: str, manager: SimulatedManager | None, page: int | None, now_s: float) -> None:
        self.seen[kind] = self.seen.get(kind, 0) + 1
        if kind in ("page_flip", "page_lost", "pec_error"):
            if manager is not None:
                self._spoil(kind, manager, page)
        elif kind == "no_acknowledge":
            raise NotAcknowledged(is_address=True)
        else:
            self._fail(kind, now_s)

    def _spoil(self, kind: str, manager: SimulatedManager, page: int | None) -> None:
        if kind == "pec_error":
            manager.spoils_pec = True
        elif kind == "page_lost":
            manager.turn_page(0)
        else:
            others = [number for number in range(len(manager.pages)) if number != manager.page_now]
            if page is not None and page < len(manager.pages):
                manager.turn_page(page)
            elif others:
                manager.turn_page(others[int(self._draw("other page") * len(others))])

    def _fail(self, kind: str, now_s: float) -> NoReturn:
        if kind == "arbitration_lost":
            raise OSError(errno.EAGAIN, "arbitration was lost to another master")
        if kind == "clock_stretch":
            # SMBus lets a device stretch by 25 ms a message; a master gives up after 25 to 35 ms.
            self._clock.charge(self._stretch_s)
            raise OSError(errno.ETIMEDOUT, "the device held the clock for too long")
        self._stuck_until_s = now_s + self._stuck_for_s
        raise OSError(errno.EBUSY, "the data line is stuck low")

    def _check_stuck(self, now_s: float) -> None:
        if self._stuck_until_s is None:
            return
        if now_s < self._stuck_until_s:
            raise OSError(errno.EBUSY, "the data line is stuck low")
        # Up to nine clocks free the line, and may complete a write of whatever is on it to register 0x00 (Linux
        # Documentation/i2c/gpio-fault-injection); in a PMBus device that is PAGE.
        self._stuck_until_s = None
        self.seen["recovered"] = self.seen.get("recovered", 0) + 1
        if self._addressed is not None:
            page = int(self._draw("recovery") * 256)
            if page < len(self._addressed.pages) or page == 0xFF:
                self._addressed.turn_page(page)

    def _draw(self, what: str) -> float:
        return uniform("bus", self._seed, self._bus, self._message, what)


class _Script:
    """One event of a script, and how often it is still to come."""

    def __init__(self, event: BusEvent, addresses: Mapping[str, int], start_s: float) -> None:
        self.event = event
        self._left = event.times
        self._from_s = start_s + (event.at or 0.0)
        self._address = None if event.device is None else addresses[event.device]
        self._code = None if event.command is None else BY_NAME[event.command.upper()].code

    def meets(self, message: int, now_s: float, address: int, written: bytes) -> bool:
        """Tell whether this message is one of those, and count it."""
        is_due = (
            self._left > 0
            and now_s >= self._from_s
            and message >= (self.event.message or 0)
            and self._address in (None, address)
            and (self._code is None or (bool(written) and written[0] == self._code))
        )
        self._left -= is_due
        return is_due
