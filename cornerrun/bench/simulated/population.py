"""One unit of a population: the simulation file as it is for one serial number."""

import math
from collections.abc import Callable, Mapping
from typing import Any

from cornerrun.bench.simulated.board_settings import BoardCheck, Intermittent, Threshold
from cornerrun.bench.simulated.draws import normal, uniform
from cornerrun.bench.simulated.model import RailSettings, SimulationFile
from cornerrun.bench.simulated.population_settings import PopulationSettings, Weakness

__all__ = ["individual", "weaknesses"]

_UNIFORM_REACH = math.sqrt(3.0)


def individual(model: SimulationFile, serial: str | None) -> SimulationFile:
    """Make the simulation file of one unit; the typical unit, with no weakness, if ``serial`` is None.

    A function of (lot, serial) alone: the same serial number is the same board in every run and whatever the order.
    """
    population = model.population
    if population is None:
        return model
    kinds = {} if serial is None else weaknesses(population, serial)
    rails, board = model.rails, model.board
    if serial is not None:
        draw = _draw(population, serial)
        rails = tuple(_rail(rail, population, draw, kinds) for rail in rails)
        checks = {name: _check(name, check, population, draw, kinds) for name, check in board.checks.items()}
        board = board.model_copy(update={"checks": checks})
    faults = model.faults.model_copy(
        update={
            name: tuple(item for item in planted if getattr(item, "only_on", None) in (None, *kinds))
            for name, planted in model.faults
            if isinstance(planted, tuple)
        }
    )
    return model.model_copy(update={"rails": rails, "board": board, "faults": faults})


def weaknesses(population: PopulationSettings, serial: str) -> Mapping[str, Weakness]:
    """Tell which kinds of weak unit a serial number is."""
    return {
        kind: weakness
        for kind, weakness in population.weak.items()
        if serial in weakness.serials or uniform("weak", population.lot, serial, kind) < weakness.share
    }


def _draw(population: PopulationSettings, serial: str) -> Callable[[str, str], float]:
    """Make what draws a number of mean 0 and standard deviation 1 for a quantity of a thing."""

    def draw(thing: str, quantity: str) -> float:
        key = ("population", population.lot, serial, thing, quantity)
        if population.distribution == "normal":
            return normal(*key)
        return _UNIFORM_REACH * (2.0 * uniform(*key) - 1.0)

    return draw


def _rail(
    rail: RailSettings,
    population: PopulationSettings,
    draw: Callable[[str, str], float],
    kinds: Mapping[str, Weakness],
) -> RailSettings:
    own = population.rails.get(rail.name, population.every_rail)
    bad = [weakness.rails[rail.name] for weakness in kinds.values() if rail.name in weakness.rails]
    gain = draw(rail.name, "gain") * own.gain_error + sum(item.gain_error for item in bad)
    offset_v = draw(rail.name, "offset") * own.offset_error + sum(item.offset_error for item in bad)
    adc_gain = draw(rail.name, "adc gain") * own.adc_gain_error
    adc_offset_v = draw(rail.name, "adc offset") * own.adc_offset_error
    trim, adc = rail.trim, rail.adc
    changed: dict[str, Any] = {  # Any: the fields of a file model
        "trim": trim.model_copy(
            update={"gain_error": trim.gain_error + gain, "offset_error": trim.offset_error + offset_v}
        ),
        "adc": adc.model_copy(
            update={"gain_error": adc.gain_error + adc_gain, "offset_error": adc.offset_error + adc_offset_v}
        ),
    }
    if bad:
        changed["load"] = rail.load * math.prod(1.0 + item.load for item in bad)
    return rail.model_copy(update=changed)


def _check(
    name: str,
    check: BoardCheck,
    population: PopulationSettings,
    draw: Callable[[str, str], float],
    kinds: Mapping[str, Weakness],
) -> BoardCheck:
    inward_v = sum(weakness.thresholds.get(name, 0.0) for weakness in kinds.values())
    if name in population.thresholds:
        inward_v += draw(name, "threshold") * population.thresholds[name]
    changed: dict[str, Any] = {}  # Any: the fields of a file model
    if inward_v:
        changed["thresholds"] = tuple(_moved(threshold, inward_v) for threshold in check.thresholds)
    rates = [weakness.intermittent[name] for weakness in kinds.values() if name in weakness.intermittent]
    if rates:
        own = check.intermittent
        holds = math.prod(1.0 - rate for rate in (*rates, own.rate if own is not None else 0.0))
        changed["intermittent"] = Intermittent.model_construct(
            rate=1.0 - holds, burst=own.burst if own is not None else 1
        )
    return check.model_copy(update=changed)


def _moved(threshold: Threshold, inward_v: float) -> Threshold:
    if threshold.below is not None:
        return threshold.model_copy(update={"below": threshold.below + inward_v})
    assert threshold.above is not None  # the model admits nothing else
    return threshold.model_copy(update={"above": threshold.above - inward_v})
