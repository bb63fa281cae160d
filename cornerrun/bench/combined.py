"""Several drivers as one: each rail's call goes to the driver that has the rail."""

from collections.abc import Callable, Mapping, Sequence
from typing import Literal, Protocol, TypeVar, runtime_checkable

from cornerrun.bench.abilities import ProvokesFaults
from cornerrun.bench.guard import Guard
from cornerrun.bench.ports import (
    Baseline,
    DeviceIdentity,
    Effect,
    FaultCapture,
    RailPower,
    RawWrite,
    RegisterValue,
    SafeReturn,
    Setpoint,
    StatusCapture,
    Telemetry,
)
from cornerrun.corners.model import RailLevel
from cornerrun.errors import BenchError, CornerrunError, DeviceRefused, UnsafeState

__all__ = ["CombinedPower", "PowerDriver"]

Item = TypeVar("Item")

_STAGES = ("nominal", "configuration", "page")


class PowerDriver(RailPower, SafeReturn, FaultCapture, Protocol):
    """A driver with all three duties of moving rails; ``buses`` names the buses that its registers sit on."""

    @property
    def buses(self) -> tuple[str, ...]:
        """The buses whose registers this driver restores."""
        ...


@runtime_checkable
class TakesSnapshots(Protocol):
    """A driver whose devices have a configuration that can be read."""

    def snapshot(self) -> tuple[RegisterValue, ...]:
        """Read every declared register that keeps what was written to it."""
        ...


class CombinedPower:
    """One RailPower, SafeReturn and FaultCapture in front of a driver for each link.

    ``guard`` judges bursts that span several of them; it is the one that they share.
    """

    def __init__(self, drivers: Sequence[PowerDriver], guard: Guard | None = None) -> None:
        self._drivers = tuple(drivers)
        self._guard = guard
        self._by_rail = {rail: driver for driver in self._drivers for rail in driver.scan_s}
        self._scan_s = {rail: scan_s for driver in self._drivers for rail, scan_s in driver.scan_s.items()}

    @property
    def scan_s(self) -> Mapping[str, float]:
        return self._scan_s

    def connect(self) -> tuple[DeviceIdentity, ...]:
        return tuple(identity for driver in self._drivers for identity in driver.connect())

    def setpoint(self, rail: str, level: str) -> Setpoint:
        return self._driver(rail).setpoint(rail, level)

    def move(self, burst: Sequence[RailLevel]) -> tuple[Setpoint, ...]:
        moved = {}
        parts = self._split(burst, lambda item: item.rail)
        if self._guard is not None and len(parts) > 1:
            # Each driver asks for its own rails; the whole burst is judged before any of them sends anything.
            setpoints = [driver.setpoint(item.rail, item.level) for driver, part in parts for item in part]
            self._guard.permit_together(Effect(rail=one.rail, target_v=one.decoded_v) for one in setpoints)
        for driver, part in parts:
            moved.update({setpoint.rail: setpoint for setpoint in driver.move(part)})
        return tuple(moved[item.rail] for item in burst)

    def read(self, rails: Sequence[str], *, with_load: bool = False) -> tuple[Telemetry, ...]:
        read = {}
        for driver, part in self._split(rails, lambda rail: rail):
            read.update({reading.rail: reading for reading in driver.read(part, with_load=with_load)})
        return tuple(read[rail] for rail in rails)

    def take_baseline(self) -> Baseline:
        taken = [driver.take_baseline() for driver in self._drivers]
        return Baseline(
            registers=tuple(register for baseline in taken for register in baseline.registers),
            voltages_v={rail: volts for baseline in taken for rail, volts in baseline.voltages_v.items()},
        )

    def snapshot(self) -> tuple[RegisterValue, ...]:
        """Read the configuration of every device whose driver can tell it."""
        return tuple(
            value for driver in self._drivers if isinstance(driver, TakesSnapshots) for value in driver.snapshot()
        )

    def recipe(self, baseline: Baseline, return_order: Sequence[Sequence[str]] = ()) -> tuple[RawWrite, ...]:
        writes = [
            write
            for driver in self._drivers
            for write in driver.recipe(_part(baseline, driver), _restricted(return_order, driver))
        ]
        place = {rail: index for index, burst in enumerate(return_order) for rail in burst}
        last = len(place)

        def order(write: RawWrite) -> tuple[int, int]:
            # The order of rails matters only while they move; sorting is stable, so the drivers' own order stays.
            moves = write.stage == "nominal"
            position = min((place.get(rail, last) for rail in write.rails), default=last) if moves else 0
            return _STAGES.index(write.stage), position

        return tuple(sorted(writes, key=order))

    def to_nominal(self, return_order: Sequence[Sequence[str]] = ()) -> None:
        for burst in return_order:
            for driver, part in self._split(burst, lambda rail: rail):
                try:
                    driver.move([RailLevel(rail=rail, level="nominal") for rail in part])
                except CornerrunError:
                    # Not the last word: the sweep below brings home, and reports, whatever is still away.
                    continue
        self._everywhere("to nominal", lambda driver: driver.to_nominal())

    def restore(self, baseline: Baseline) -> None:
        self._everywhere("restored", lambda driver: driver.restore(_part(baseline, driver)))

    def turn_off(self, rails: Sequence[str] = ()) -> None:
        self._everywhere("off", lambda driver: driver.turn_off(self._own(driver, rails)), rails=rails)

    def capture(self, rails: Sequence[str] = ()) -> tuple[StatusCapture, ...]:
        return tuple(
            capture
            for driver in self._drivers
            if not rails or self._own(driver, rails)
            for capture in driver.capture(self._own(driver, rails))
        )

    def clear(self, rails: Sequence[str] = ()) -> None:
        for driver in self._drivers:
            if not rails or self._own(driver, rails):
                driver.clear(self._own(driver, rails))

    def turn_on(self, rails: Sequence[str]) -> None:
        for rail in rails:
            self._driver(rail).turn_on([rail])

    def provoke(self, rail: str, fault: Literal["under voltage", "over voltage"]) -> None:
        driver = self._driver(rail)
        if not isinstance(driver, ProvokesFaults):
            raise DeviceRefused(f"{rail}: what makes it has no fault limit that can be moved across its voltage")
        driver.provoke(rail, fault)

    def withdraw(self) -> None:
        self._everywhere(
            "rid of provoked faults", lambda driver: driver.withdraw() if isinstance(driver, ProvokesFaults) else None
        )

    def _driver(self, rail: str) -> PowerDriver:
        try:
            return self._by_rail[rail]
        except KeyError:
            raise BenchError(f"rail {rail!r} is on no device of this bench") from None

    def _split(self, items: Sequence[Item], rail_of: Callable[[Item], str]) -> list[tuple[PowerDriver, list[Item]]]:
        parts: dict[int, tuple[PowerDriver, list[Item]]] = {}
        for item in items:
            driver = self._driver(rail_of(item))
            parts.setdefault(id(driver), (driver, []))[1].append(item)
        return list(parts.values())

    def _own(self, driver: PowerDriver, rails: Sequence[str]) -> tuple[str, ...]:
        return tuple(rail for rail in rails if self._driver(rail) is driver)

    def _everywhere(self, done: str, act: Callable[[PowerDriver], None], *, rails: Sequence[str] = ()) -> None:
        """Do a thing on every driver; what fails on one is kept and said after the others have had their turn."""
        failures = []
        for driver in self._drivers:
            if rails and not self._own(driver, rails):
                continue
            try:
                act(driver)
            except CornerrunError as error:
                failures.append(f"{', '.join(driver.buses)}: {error}")
        if failures:
            raise UnsafeState(f"not all rails are {done}: " + "; ".join(failures))


def _part(baseline: Baseline, driver: PowerDriver) -> Baseline:
    return Baseline(
        registers=tuple(register for register in baseline.registers if register.bus in driver.buses),
        voltages_v={rail: volts for rail, volts in baseline.voltages_v.items() if rail in driver.scan_s},
    )


def _restricted(return_order: Sequence[Sequence[str]], driver: PowerDriver) -> tuple[tuple[str, ...], ...]:
    bursts = (tuple(rail for rail in burst if rail in driver.scan_s) for burst in return_order)
    return tuple(burst for burst in bursts if burst)
