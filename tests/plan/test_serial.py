from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.errors import PlanError
from cornerrun.plan.load import load_plan
from cornerrun.plan.model import (
    Acceptance,
    AllRails,
    At,
    Board,
    Check,
    Condition,
    ControlPoints,
    CornerChoice,
    Covering,
    Criteria,
    Demonstrate,
    Device,
    FullFactorial,
    HardLimits,
    NamedCorner,
    PageAddress,
    Plan,
    Policy,
    Rail,
    Relation,
    Screen,
    Settle,
    SingleRail,
    Source,
    Tracks,
)  # fmt: skip
from cornerrun.plan.serial import plan_from_json, plan_to_json

names = st.text(min_size=1, max_size=8)
volts = st.floats(allow_nan=False, allow_infinity=False)
levels = st.lists(names, min_size=1, max_size=3).map(tuple)
schemes = st.one_of(
    st.builds(AllRails, levels=levels),
    st.builds(SingleRail, levels=levels, rails=st.none() | levels),
    st.builds(FullFactorial, rails=levels, levels=levels),
    st.builds(Covering, strength=st.integers(1, 6), levels=levels, rails=st.none() | levels),
    st.builds(NamedCorner, name=names, levels=st.dictionaries(names, names, max_size=3)),
)
criteria = st.one_of(
    st.builds(Demonstrate, pass_probability=volts, confidence=volts), st.builds(Screen, failures=st.integers(0))
)
calls = st.none() | names | levels
plans = st.builds(
    Plan,
    title=names,
    board=st.builds(Board, name=names, revision=names),
    bench=st.none() | st.just(Path("bench.yaml")),
    devices=st.dictionaries(
        names,
        st.builds(Device, name=names, bus=names, address=st.integers(8, 119), profile=names, scan_s=st.none() | volts),
        max_size=2,
    ),
    rails=st.lists(
        st.builds(
            Rail,
            name=names,
            nominal_v=volts,
            levels=st.dictionaries(names, volts, max_size=3),
            hard_limits=st.builds(HardLimits, min_v=volts, max_v=volts),
            accuracy_ratio=volts,
            settle=st.builds(Settle, band_ratio=volts, stable_for_s=volts, timeout_s=volts),
            power=st.none() | st.builds(PageAddress, device=names, page=st.integers(0, 31)),
            tracks=st.none() | st.builds(Tracks, rail=names, ratio=volts),
            tied_to=st.none() | names,
        ),
        max_size=2,
    ).map(tuple),
    groups=st.dictionaries(names, levels, max_size=2),
    relations=st.lists(st.builds(Relation, rail=names, minus=names, min_v=st.none() | volts), max_size=2).map(tuple),
    conditions=st.lists(
        st.builds(Condition, name=names, unit=names, levels=st.dictionaries(names, volts)), max_size=1
    ).map(tuple),
    corners=st.builds(
        CornerChoice,
        schemes=st.lists(schemes, max_size=3).map(tuple),
        control_points=st.builds(ControlPoints, every=st.none() | st.integers(1)),
        forbidden=st.lists(st.dictionaries(names, names, max_size=2), max_size=2).map(tuple),
    ),
    checks=st.lists(
        st.builds(
            Check,
            name=names,
            python=st.none() | names,
            command=st.none() | levels,
            accept=st.dictionaries(names, st.builds(Acceptance, min=st.none() | volts), max_size=2),
            at=st.builds(At, corners=st.none() | levels),
            criterion=st.none() | criteria,
            run_set_up=calls,
            corner_tear_down=calls,
        ),
        max_size=2,
    ).map(tuple),
    criteria=st.builds(Criteria, checks=criteria, trim_claim_ratio=st.none() | volts),
    policy=st.just(Policy()),
    sources=st.just((Source(role="plan", path=Path("plan.yaml"), sha256="00"),)),
    directory=st.just(Path("/somewhere")),
)


@given(plan=plans)
def test_a_plan_comes_back_from_json_as_it_went(plan: Plan) -> None:
    assert plan_from_json(plan_to_json(plan)) == plan


def test_a_plan_from_a_file_comes_back_and_stays_frozen(tmp_path: Path, plan_text: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text, encoding="utf-8")
    plan = load_plan(path)
    again = plan_from_json(plan_to_json(plan))
    assert again == plan
    assert [type(scheme) for scheme in again.corners.schemes] == [type(scheme) for scheme in plan.corners.schemes]
    assert isinstance(again.directory, Path)


@pytest.mark.parametrize("text", ["", "{}", "[1]", '{"title": 5}', "\x00"])
def test_what_is_no_stored_plan_is_a_plan_error(text: str) -> None:
    with pytest.raises(PlanError, match="the stored plan cannot be read"):
        plan_from_json(text)
