from collections.abc import Mapping
from pathlib import Path

import pytest

from cornerrun.bench.simulated.load import load_simulation
from cornerrun.bench.simulated.model import SimulationFile
from cornerrun.corners.model import Corner
from cornerrun.plan.bench_file import BenchFile
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.plan.model import Plan
from cornerrun.run.view import CheckView, RailView

PLANS = Path(__file__).parents[2] / "plans"


class Demo:
    """A demonstration plan with its bench and its physics."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.plan: Plan = load_plan(PLANS / f"{name}.yaml")
        self.bench: BenchFile = load_bench(PLANS / f"{name}_bench.yaml")
        self.simulation: SimulationFile = load_simulation(PLANS / f"{name}_board.yaml").model
        self._physics = {rail.name: rail for rail in self.simulation.rails}

    def true_v(self, levels: Mapping[str, str]) -> dict[str, float]:
        """The settled voltage of every rail at a corner, as the physics file has it."""
        found: dict[str, float] = {}
        for rail in sorted(self.plan.rails, key=lambda rail: rail.tracks is not None):
            trim = self._physics[rail.name].trim
            if rail.tracks is not None:
                asked_v = found[rail.tracks.rail] * rail.tracks.ratio
            else:
                asked_v = rail.levels[levels.get(rail.name, "nominal")]
            found[rail.name] = asked_v * (1 + trim.gain_error) + trim.offset_error
        return found

    def view(self, corner: Corner, check: str, *, visit: int = 1, trial: int = 0, seed: int = 1) -> CheckView:
        """What a check would be shown at a corner."""
        levels = corner.by_rail()
        readings = {
            rail: RailView(
                level=levels.get(rail, "nominal"),
                target_v=voltage_v,
                setpoint_v=voltage_v,
                telemetry_v=voltage_v,
                reference_v=voltage_v,
            )
            for rail, voltage_v in self.true_v(levels).items()
        }
        return CheckView(
            check=check,
            corner=corner.name,
            levels=levels,
            readings=readings,
            conditions={item.condition: item.value for item in corner.conditions},
            visit=visit,
            trial=trial,
            seed=seed,
            serial="00123",
            directory=self.plan.directory,
        )


@pytest.fixture(scope="session")
def quickstart() -> Demo:
    return Demo("quickstart")


@pytest.fixture(scope="session")
def forty_rails() -> Demo:
    return Demo("forty_rails")


@pytest.fixture(scope="session")
def four_corners() -> Demo:
    return Demo("four_corners")


@pytest.fixture(params=["quickstart", "forty_rails", "four_corners"])
def demo(request: pytest.FixtureRequest) -> Demo:
    found: Demo = request.getfixturevalue(request.param)
    return found
