"""A simulated chamber as others see it: its SCPI text, and the condition that a plan sets.

SCPI knows no chambers: headers are those of SOURce:TEMPerature and of a supply's OUTPut (chosen).
"""

from collections.abc import Callable

from cornerrun.bench.simulated.instruments.chamber import Chamber
from cornerrun.bench.simulated.instruments.engine import Entry, Parameters, entry, real, shown, switchable
from cornerrun.bench.simulated.status import Refusal
from cornerrun.errors import InstrumentError

__all__ = ["ChamberCondition", "chamber_entries"]

_SETTLING, _SWEEPING = 0x02, 0x08  # OPERation bits 1 and 3: SCPI-99 volume 1 section 9.3 (from memory)
_TEMPERATURE = 0x10  # QUEStionable bit 4: SCPI-99 volume 1 section 9.4 (from memory)
_PER_MINUTE = 60.0


class ChamberCondition:
    """The temperature of the board, as a condition that the plan sets through its chamber."""

    def __init__(self, chamber: Chamber) -> None:
        self._chamber = chamber

    def start(self, target: float) -> None:
        try:
            if not self._chamber.is_on:
                self._chamber.switch(True)
            self._chamber.go(target)
        except Refusal as refusal_:
            settings = self._chamber.settings
            raise InstrumentError(
                f"the chamber refuses {target:g} degC ({refusal_.info or refusal_.code}); it goes from "
                f"{settings.lowest:g} to {settings.highest:g} degC"
            ) from refusal_

    def limit_ramp(self, per_s: float) -> bool:
        """Let the setpoint move no faster than this."""
        self._chamber.set_ramp(per_s)
        return True

    def read(self) -> float:
        return self._chamber.read("product")

    def has_settled(self) -> bool:
        return self._chamber.has_settled()

    def release(self) -> None:
        self.start(self._chamber.settings.start)


def chamber_entries(chamber: Chamber) -> tuple[Entry, ...]:
    """List the commands of a chamber: temperatures in degrees Celsius, ramps in kelvins a minute."""
    spot = "[SOURce:]TEMPerature[:SPOint]"
    slew = "[SOURce:]TEMPerature:SLEW"

    def set_guard(place: int) -> Callable[[Parameters], None]:
        def act(given: Parameters) -> None:
            guard = list(chamber.guard_degc)
            guard[place] = real(given[0], chamber.settings.lowest, chamber.settings.highest)
            chamber.guard_degc = (guard[0], guard[1])

        return act

    def measure(given: Parameters) -> str:
        what = given[0].upper() if given else "AIR"
        if what not in ("AIR", "PROD", "PRODUCT"):
            raise Refusal(-224, what[:20])
        return shown(chamber.read("air" if what == "AIR" else "product"))

    def operation() -> int:
        return (_SWEEPING if chamber.is_ramping() else 0) | (0 if chamber.has_settled() else _SETTLING)

    return (
        entry(spot, lambda given: chamber.go(real(given[0], -273.15, 1000.0)), (1, 1)),
        entry(f"{spot}?", lambda _: shown(chamber.target_degc)),
        entry("[SOURce:]TEMPerature:RAMP?", lambda _: shown(chamber.setpoint_degc())),
        entry(slew, lambda given: chamber.set_ramp(real(given[0], 1e-3, 1e3) / _PER_MINUTE), (1, 1)),
        entry(f"{slew}?", lambda _: shown(chamber.ramp_k_per_s * _PER_MINUTE)),
        entry("MEASure[:SCALar]:TEMPerature?", measure, (0, 1)),
        *switchable("OUTPut[:STATe]", chamber.switch, lambda: chamber.is_on),
        entry("[SOURce:]TEMPerature:PROTection:LOW", set_guard(0), (1, 1)),
        entry("[SOURce:]TEMPerature:PROTection:LOW?", lambda _: shown(chamber.guard_degc[0])),
        entry("[SOURce:]TEMPerature:PROTection:HIGH", set_guard(1), (1, 1)),
        entry("[SOURce:]TEMPerature:PROTection:HIGH?", lambda _: shown(chamber.guard_degc[1])),
        entry("OUTPut:PROTection:CLEar", lambda _: chamber.clear_trip()),
        entry("SYSTem:DOOR?", lambda _: str(int(chamber.is_door_open))),
        entry("STATus:OPERation:CONDition?", lambda _: str(operation())),
        entry("STATus:QUEStionable:CONDition?", lambda _: str(_TEMPERATURE * chamber.is_tripped)),
    )
