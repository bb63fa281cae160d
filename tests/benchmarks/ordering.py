"""Settling time of the order of corners beside the order as written, and beside the exact optimum where it is proven.

`python tests/benchmarks/ordering.py` from the checkout. Boards are drawn from a fixed seed: rails with slopes of 0.5 to
20 V/s and time constants of 1 to 100 ms, one relation between neighbours in four. The optimum is that of Held and Karp
over the same costs; up to 12 corners the product proves it itself, beyond that only this benchmark does, up to 16.
"""

import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from cornerrun.corners import route
from cornerrun.corners.order import steps
from cornerrun.corners.select import select
from cornerrun.corners.settle_cost import SettleCost
from cornerrun.corners.way_costs import WayCosts
from cornerrun.plan.model import (
    Board,
    ControlPoints,
    CornerChoice,
    Covering,
    Criteria,
    HardLimits,
    PageAddress,
    Plan,
    Policy,
    Rail,
    Relation,
    Settle,
)
from cornerrun.plan.supply import Response, Supply

CASES = ((8, 2), (16, 2), (32, 2), (64, 2), (8, 3), (16, 3), (32, 3), (44, 3))


def board(count: int, strength: int, order: str) -> Plan:
    rng = np.random.default_rng(count)
    rails = tuple(
        Rail(
            name=f"R{number}",
            nominal_v=1.0,
            levels={"nominal": 1.0, "high": 1.05, "low": 0.95},
            hard_limits=HardLimits(min_v=0.85, max_v=1.15),
            accuracy_ratio=0.005,
            settle=Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=2.0),
            power=PageAddress(device="PM1", page=number),
            supply=Supply(
                response=Response(
                    slew_v_per_s=float(np.exp(rng.uniform(np.log(0.5), np.log(20)))),
                    time_constant_s=float(np.exp(rng.uniform(np.log(0.001), np.log(0.1)))),
                )
            ),
        )
        for number in range(count)
    )
    related = tuple(
        Relation(rail=f"R{number}", minus=f"R{number + 1}", min_v=-0.07, max_v=None)
        for number in range(0, count - 1, 4)
    )
    choice = CornerChoice(
        schemes=(Covering(strength=strength, levels=("high", "low")),), control_points=ControlPoints(), order=order
    )  # type: ignore[arg-type]  # the order is one of the four
    return Plan(
        title="ordering", board=Board(name="drawn", revision="0"), bench=None, devices={}, rails=rails, groups={},
        relations=related, conditions=(), corners=choice, checks=(), criteria=Criteria(), policy=Policy(), sources=(),
        directory=Path(),
    )  # fmt: skip


def settling_s(plan: Plan) -> tuple[float, float, int]:
    selection = select(plan)
    started_s = time.perf_counter()
    planned = steps(plan, selection)
    return sum(SettleCost(plan).steps_s(planned)), time.perf_counter() - started_s, len(selection.corners)


def optimum_s(plan: Plan) -> float | None:
    """Prove the least settling time by Held and Karp, beyond what the product does on every start."""
    corners = select(plan).corners
    if len(corners) > 16:
        return None
    ways = WayCosts(plan).between(corners)
    ground = route.Ground(
        costs=ways.between, home_out=ways.from_nominal, home_in=ways.to_nominal, by_home=[False] * len(corners)
    )
    product, route.EXACT_UP_TO = route.EXACT_UP_TO, 16
    route._cheapest.cache_clear()  # it may know the order that the search found
    try:
        best = route.cheapest(ground)
    finally:
        route.EXACT_UP_TO = product
        route._cheapest.cache_clear()
    written = replace(plan, corners=replace(plan.corners, order="as written"))
    selection = select(plan)
    ordered = replace(selection, corners=tuple(corners[place] for place in best))
    return sum(SettleCost(plan).steps_s(steps(written, ordered)))


def main() -> None:
    print(f"{'':26} {'corners':>8} {'as written':>11} {'ordered':>9} {'saved':>7} {'optimum':>9} {'took':>8}")
    for count, strength in CASES:
        written_s, _, corners = settling_s(board(count, strength, "as written"))
        ordered_s, took_s, _ = settling_s(board(count, strength, "fastest"))
        best_s = optimum_s(board(count, strength, "fastest"))
        told = f"{best_s:>8.3f}s" if best_s is not None else f"{'-':>9}"
        print(
            f"{count:>3} rails, strength {strength:<8} {corners:>8} {written_s:>10.3f}s {ordered_s:>8.3f}s "
            f"{1 - ordered_s / written_s:>7.1%} {told} {took_s:>7.2f}s",
            flush=True,
        )


if __name__ == "__main__":
    main()
