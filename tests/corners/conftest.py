"""Plans for the tests of this folder, built without files."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import pytest

from cornerrun.plan.model import (
    Board,
    Condition,
    ControlPoints,
    CornerChoice,
    Criteria,
    HardLimits,
    PageAddress,
    Plan,
    Policy,
    Rail,
    Relation,
    Scheme,
    Settle,
    Tracks,
)
from cornerrun.plan.supply import Supply, Upstream

SETTLE = Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=2.0)


def rail(
    name: str,
    nominal_v: float = 1.0,
    *,
    page: int = 0,
    levels: Mapping[str, float] | None = None,
    tied_to: str | None = None,
    tracks: Tracks | None = None,
    why_fixed: str | None = None,
    fed_by: str | None = None,
) -> Rail:
    """Build a rail; without ``levels`` it has high and low, 5 % around nominal."""
    if levels is None:
        levels = {"high": nominal_v * 1.05, "low": nominal_v * 0.95}
    return Rail(
        name=name,
        nominal_v=nominal_v,
        levels={"nominal": nominal_v, **levels},
        hard_limits=HardLimits(min_v=nominal_v * 0.85, max_v=nominal_v * 1.15),
        accuracy_ratio=0.005,
        settle=SETTLE,
        power=None if tracks else PageAddress(device="PM1", page=page),
        tracks=tracks,
        tied_to=tied_to,
        why_fixed=why_fixed,
        supply=Supply(upstream=Upstream(rail=fed_by) if fed_by else None),
    )


def plan(
    rails: Sequence[Rail],
    schemes: Sequence[Scheme] = (),
    *,
    relations: Sequence[Relation] = (),
    conditions: Sequence[Condition] = (),
    forbidden: Sequence[Mapping[str, str]] = (),
    control_points: ControlPoints | None = None,
    via_nominal: bool = False,
    repeats: int = 1,
    asked: Sequence[Mapping[str, str]] = (),
    **choice: object,
) -> Plan:
    """Build a plan around rails and schemes."""
    return Plan(
        title="test",
        board=Board(name="tide-gauge node", revision="C"),
        bench=None,
        devices={},
        rails=tuple(rails),
        groups={},
        relations=tuple(relations),
        conditions=tuple(conditions),
        corners=CornerChoice(
            schemes=tuple(schemes),
            control_points=control_points or ControlPoints(),
            forbidden=tuple(forbidden),
            via_nominal=via_nominal,
            repeats=repeats,
            conditions=tuple(asked),
            **choice,
        ),
        checks=(),
        criteria=Criteria(),
        policy=Policy(),
        sources=(),
        directory=Path("/nowhere"),
    )


@pytest.fixture
def make_rail() -> Callable[..., Rail]:
    return rail


@pytest.fixture
def make_plan() -> Callable[..., Plan]:
    return plan
