"""The supplies that make rails, as a guardian reaches them: once the runner is gone, for many serve one at a time."""

from collections.abc import Callable
from contextlib import suppress
from importlib import import_module

from cornerrun.bench.guard import Guard
from cornerrun.bench.registry import ClosingPower, Surroundings, supply_driver
from cornerrun.clock import Clock
from cornerrun.errors import CornerrunError
from cornerrun.run.guardian_order import Order

__all__ = ["Supplies"]


class Supplies:
    """Opened when first needed; one that fails never stops the others. Nothing is raised: what failed is returned."""

    def __init__(self, order: Order, clock: Clock) -> None:
        self._order = order
        self._clock = clock
        self._opened: dict[str, ClosingPower] = {}

    def prepare(self) -> None:
        """Load what will be needed, which takes a second, while there is time; nothing is opened yet."""
        for name in self._order.supplies:
            supply_driver(self._order.bench_file.instruments[name].driver)
            import_module("cornerrun.bench.scpi.supply_power")
            with suppress(ImportError):  # a driver of a package of its own may reach its supply by something else
                import_module("pyvisa_py")

    def bring_back(self) -> list[str]:
        """Bring every supply back to the baseline, its rails first, and verify."""
        return self._each(lambda power: power.restore(self._order.baseline))

    def turn_off(self) -> list[str]:
        """Turn the output of every rail off, and verify."""
        return self._each(lambda power: power.turn_off(()))

    def close(self) -> None:
        """Give the supplies back."""
        for power in self._opened.values():
            with suppress(CornerrunError):
                power.close()
        self._opened.clear()

    def _each(self, act: Callable[[ClosingPower], None]) -> list[str]:
        failures: list[str] = []
        for name in self._order.supplies:
            try:
                act(self._open(name))
            except CornerrunError as error:
                failures.append(str(error))
        return failures

    def _open(self, name: str) -> ClosingPower:
        if name not in self._opened:
            from cornerrun.plan.proof import with_proof_levels

            plan = with_proof_levels(self._order.plan)
            surroundings = Surroundings(
                plan=plan, bench_file=self._order.bench_file, clock=self._clock, simulation=None
            )
            instrument = self._order.bench_file.instruments[name]
            build = supply_driver(instrument.driver)
            self._opened[name] = build(instrument, Guard(plan), surroundings)
        return self._opened[name]
