import itertools
import math
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cornerrun.bench.guard import Guard
from cornerrun.bench.pmbus.commands import COMMANDS, NON_VOLATILE
from cornerrun.bench.ports import Effect, Write
from cornerrun.errors import GuardRefusal
from cornerrun.plan.model import (
    Board,
    ControlPoints,
    CornerChoice,
    Criteria,
    HardLimits,
    Plan,
    Policy,
    Rail,
    Relation,
    Settle,
    Tracks,
)

OPERATION = COMMANDS["OPERATION"].code
SETTLE = Settle(band_ratio=0.005, stable_for_s=0.06, timeout_s=2.0)


def rail(name: str, nominal_v: float, *, low_v: float, high_v: float, accuracy: float = 0.005, **other: object) -> Rail:
    levels = {"nominal": nominal_v, "high": nominal_v * 1.05, "low": nominal_v * 0.95}
    given = {"levels": levels, "tracks": None, **other}
    return Rail(
        name=name,
        nominal_v=nominal_v,
        hard_limits=HardLimits(min_v=low_v, max_v=high_v),
        accuracy_ratio=accuracy,
        settle=SETTLE,
        **given,  # type: ignore[arg-type]
    )


def plan(*rails: Rail, relations: tuple[Relation, ...] = ()) -> Plan:
    return Plan(
        title="ship's chronometer",
        board=Board(name="chronometer", revision="A"),
        bench=None,
        devices={},
        rails=rails,
        groups={},
        relations=relations,
        conditions=(),
        corners=CornerChoice(schemes=(), control_points=ControlPoints()),
        checks=(),
        criteria=Criteria(),
        policy=Policy(),
        sources=(),
        directory=Path(),
    )


def move(*effects: tuple[str, float]) -> Write:
    return Write(
        address=0x40,
        pages=(0,),
        command=OPERATION,
        data=b"\xa8",
        effects=tuple(Effect(rail=name, target_v=volts) for name, volts in effects),
    )


CORE = rail("CORE", 0.85, low_v=0.78, high_v=0.92)
IO = rail("IO", 1.80, low_v=1.62, high_v=1.98)
VDDQ = rail("VDDQ", 1.20, low_v=1.11, high_v=1.29)
VTT = rail("VTT", 0.60, low_v=0.55, high_v=0.62, tracks=Tracks(rail="VDDQ", ratio=0.5))
AUX = rail("AUX", 3.3, low_v=3.0, high_v=3.6, levels={"nominal": 3.3}, why_fixed="bus pull-ups")
APART = Relation(rail="IO", minus="CORE", min_v=0.83, max_v=1.05)


def test_a_move_within_limits_is_permitted_and_remembered() -> None:
    guard = Guard(plan(CORE, IO))
    write = move(("CORE", 0.8925))
    guard.permit(write)
    assert guard.targets_v["CORE"] == 0.85
    guard.applied(write)
    assert guard.targets_v == {"CORE": 0.8925, "IO": 1.8}
    assert guard.on_their_way == {"CORE"}
    guard.seen("CORE", 0.8920)
    assert guard.on_their_way == frozenset()


@pytest.mark.parametrize("volts", [0.9155, 0.783, math.nan, math.inf, -0.85, 0.0])
def test_the_setpoint_with_its_accuracy_stays_within_the_hard_limits(volts: float) -> None:
    # 0.9155 V is below 0.92 V, and 0.5 % of it reach beyond.
    with pytest.raises(GuardRefusal, match=r"CORE would be moved to .*beyond its hard limits of 780 mV to 920 mV"):
        Guard(plan(CORE)).permit(move(("CORE", volts)))


def test_a_refused_write_leaves_no_trace() -> None:
    guard = Guard(plan(CORE))
    with pytest.raises(GuardRefusal):
        guard.permit(move(("CORE", 2.0)))
    assert guard.targets_v == {"CORE": 0.85}
    assert not guard.on_their_way


def test_a_rail_that_follows_is_judged_with_its_leader() -> None:
    with pytest.raises(GuardRefusal, match="VTT, which follows VDDQ, would be moved to 630 mV"):
        Guard(plan(VDDQ, VTT)).permit(move(("VDDQ", 1.26)))
    guard = Guard(plan(VDDQ, VTT))
    guard.applied(move(("VDDQ", 1.22)))
    assert guard.targets_v["VTT"] == pytest.approx(0.61)


def test_followers_of_followers_are_judged_too() -> None:
    third = rail("REF", 0.30, low_v=0.29, high_v=0.303, tracks=Tracks(rail="VTT", ratio=0.5))
    with pytest.raises(GuardRefusal, match="REF, which follows VDDQ"):
        Guard(plan(VDDQ, VTT, third)).permit(move(("VDDQ", 1.22)))


def test_what_is_stored_for_later_is_judged_by_the_hard_limits_too() -> None:
    stored = Write(
        address=0x40,
        pages=(0,),
        command=COMMANDS["VOUT_MARGIN_HIGH"].code,
        data=b"\x00\x10",
        stored=(Effect(rail="CORE", target_v=1.0),),
    )
    with pytest.raises(GuardRefusal, match="CORE would be stored to 1 V"):
        Guard(plan(CORE)).permit(stored)


def test_a_relation_holds_for_every_mix_of_old_and_new() -> None:
    guard = Guard(plan(CORE, IO, relations=(APART,)))
    up = (Effect(rail="CORE", target_v=0.8925), Effect(rail="IO", target_v=1.89))
    # Both ends keep the relation (0.95 V and 0.9975 V); IO high while CORE is still at nominal (1.04 V) does as well.
    guard.permit_together(up)
    down = (Effect(rail="CORE", target_v=0.8075), Effect(rail="IO", target_v=1.89))
    with pytest.raises(GuardRefusal, match=r"IO - CORE could be 1\.0825 V on the way, above 1\.05 V"):
        guard.permit_together(down)


def test_a_relation_is_kept_until_the_rail_is_seen_to_arrive() -> None:
    guard = Guard(plan(CORE, IO, relations=(APART,)))
    # At rest, CORE high leaves room for IO low (1.71 - 0.8925 = 0.8175 is too little), so IO may not go low.
    guard.applied(move(("CORE", 0.8075)))
    with pytest.raises(GuardRefusal, match="IO - CORE"):
        guard.permit(move(("IO", 1.66)))  # CORE may still be at 0.85: 0.81 V
    guard.seen("CORE", 0.85)
    with pytest.raises(GuardRefusal, match="IO - CORE"):
        guard.permit(move(("IO", 1.66)))
    guard.seen("CORE", 0.809)
    guard.permit(move(("IO", 1.66)))


def test_the_way_home_is_judged_by_hard_limits_only() -> None:
    guard = Guard(plan(CORE, IO, relations=(APART,)))
    guard.found((Effect(rail="CORE", target_v=0.9), Effect(rail="IO", target_v=1.7)))
    home = move(("IO", 1.64))
    with pytest.raises(GuardRefusal, match="IO - CORE"):
        guard.permit(home)
    guard.permit_return(home)
    with pytest.raises(GuardRefusal, match="hard limits"):
        guard.permit_return(move(("IO", 1.6281)))


def test_a_rail_that_the_plan_never_moves_is_not_moved() -> None:
    guard = Guard(plan(AUX))
    with pytest.raises(GuardRefusal, match=r"AUX would be moved to 3\.4 V; the plan never moves it \(bus pull-ups\)"):
        guard.permit(move(("AUX", 3.4)))
    guard.permit(move(("AUX", 3.3)))


def test_a_follower_is_never_commanded() -> None:
    with pytest.raises(GuardRefusal, match="follows VDDQ by hardware"):
        Guard(plan(VDDQ, VTT)).permit(move(("VTT", 0.6)))


def test_a_rail_that_is_not_in_the_plan_is_refused() -> None:
    with pytest.raises(GuardRefusal, match="no rail of the plan"):
        Guard(plan(CORE)).permit(move(("OTHER", 0.85)))


@pytest.mark.parametrize("code", sorted(NON_VOLATILE))
def test_non_volatile_commands_are_refused_whatever_they_claim(code: int) -> None:
    with pytest.raises(GuardRefusal, match="non-volatile"):
        Guard(plan(CORE)).permit(Write(address=0x40, pages=(0,), command=code, data=b""))


@pytest.mark.parametrize("name", ["OPERATION", "VOUT_COMMAND", "VOUT_TRIM", "VOUT_MAX"])
def test_a_write_that_may_move_an_output_must_say_where_to(name: str) -> None:
    silent = Write(address=0x40, pages=(0, 1), command=COMMANDS[name].code, data=b"\xa8")
    with pytest.raises(GuardRefusal, match="it is not said where to"):
        Guard(plan(CORE)).permit(silent)


def test_a_broadcast_must_say_what_it_does_to_every_page() -> None:
    write = Write(
        address=0x40, pages=(0, 1), command=OPERATION, data=b"\xa8", effects=(Effect(rail="CORE", target_v=0.85),)
    )
    with pytest.raises(GuardRefusal, match="it is not said where to"):
        Guard(plan(CORE, IO)).permit(write)


def test_a_margin_word_that_was_not_judged_is_not_stored() -> None:
    with pytest.raises(GuardRefusal, match="not judged"):
        Guard(plan(CORE)).permit(
            Write(address=0x40, pages=(0,), command=COMMANDS["VOUT_MARGIN_LOW"].code, data=b"\0\0")
        )


def test_turning_off_is_always_permitted() -> None:
    Guard(plan(CORE)).permit(Write(address=0x40, pages=(0,), command=OPERATION, data=b"\x00"))


@dataclass
class Oracle:
    """The rules written out: every voltage that a rail may be at, and every mix of them."""

    plan: Plan
    may_be_at: dict[str, set[float]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for item in self.plan.rails:
            self.may_be_at[item.name] = {item.nominal_v}

    def moved(self, name: str, volts: float) -> list[tuple[str, float]]:
        moved = [(name, volts)]
        for item in self.plan.rails:
            if item.tracks is not None and item.tracks.rail == name:
                moved += self.moved(item.name, volts * item.tracks.ratio)
        return moved

    def holds(self) -> bool:
        for item in self.plan.rails:
            for volts in self.may_be_at[item.name]:
                if volts * (1 + item.accuracy_ratio) > item.hard_limits.max_v:
                    return False
                if volts * (1 - item.accuracy_ratio) < item.hard_limits.min_v:
                    return False
        for relation in self.plan.relations:
            for one, other in itertools.product(self.may_be_at[relation.rail], self.may_be_at[relation.minus]):
                if relation.min_v is not None and one - other < relation.min_v - 1e-8:
                    return False
                if relation.max_v is not None and one - other > relation.max_v + 1e-8:
                    return False
        return True


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    rails = []
    for index in range(draw(st.integers(2, 5))):
        nominal_v = draw(st.floats(0.5, 3.3))
        accuracy = draw(st.floats(0, 0.02))
        room = accuracy + draw(st.floats(0.001, 0.12))
        leader = draw(st.sampled_from([None, *range(index)])) if index else None
        tracks = None
        if leader is not None:
            tracks = Tracks(rail=f"R{leader}", ratio=nominal_v / rails[leader].nominal_v)
        rails.append(
            rail(
                f"R{index}",
                nominal_v,
                low_v=nominal_v * (1 - room),
                high_v=nominal_v * (1 + room),
                accuracy=accuracy,
                tracks=tracks,
            )
        )
    relations = []
    for _ in range(draw(st.integers(0, 3))):
        one, other = draw(st.lists(st.sampled_from(rails), min_size=2, max_size=2, unique_by=lambda item: item.name))
        at_rest = one.nominal_v - other.nominal_v
        relations.append(
            Relation(
                rail=one.name,
                minus=other.name,
                min_v=draw(st.none() | st.floats(at_rest - 0.3, at_rest - 1e-3)),
                max_v=draw(st.none() | st.floats(at_rest + 1e-3, at_rest + 0.3)),
            )
        )
    return plan(*rails, relations=tuple(relations))


@settings(max_examples=150, deadline=None)
@given(plans(), st.data())
def test_no_permitted_write_breaks_a_hard_limit_or_a_relation_in_any_mix(some_plan: Plan, data: st.DataObject) -> None:
    guard, oracle = Guard(some_plan), Oracle(some_plan)
    commanded = [item for item in some_plan.rails if item.tracks is None]
    for _ in range(data.draw(st.integers(1, 8))):
        burst = [
            (item.name, item.nominal_v * data.draw(st.floats(0.85, 1.15)))
            for item in data.draw(
                st.lists(st.sampled_from(commanded), min_size=1, max_size=3, unique_by=lambda item: item.name)
            )
        ]
        try:
            guard.permit(move(*burst))
        except GuardRefusal:
            assert guard.targets_v.keys() == oracle.may_be_at.keys()
        else:
            guard.applied(move(*burst))
            for name, volts in itertools.chain.from_iterable(oracle.moved(*effect) for effect in burst):
                oracle.may_be_at[name].add(volts)
        assert oracle.holds()
        for item in commanded:
            if data.draw(st.booleans()):
                guard.seen(item.name, guard.targets_v[item.name])
                for name, volts in oracle.moved(item.name, guard.targets_v[item.name]):
                    oracle.may_be_at[name] = {volts}


@settings(max_examples=100, deadline=None)
@given(plans(), st.data())
def test_the_guard_permits_what_the_rules_allow(some_plan: Plan, data: st.DataObject) -> None:
    # The other half of the law: a guard that refused everything would keep every limit.
    guard, oracle = Guard(some_plan), Oracle(some_plan)
    item = data.draw(st.sampled_from([item for item in some_plan.rails if item.tracks is None]))
    volts = item.nominal_v * data.draw(st.floats(0.85, 1.15))
    for name, moved_v in oracle.moved(item.name, volts):
        oracle.may_be_at[name].add(moved_v)
    if oracle.holds():
        # A margin for the two ways of writing the same product.
        near = [r for r in some_plan.rails for v in oracle.may_be_at[r.name] if _is_at_edge(r, v)]
        if not near and not _is_at_relation_edge(some_plan, oracle):
            guard.permit(move((item.name, volts)))


def _is_at_edge(item: Rail, volts: float) -> bool:
    ends = (
        volts * (1 + item.accuracy_ratio) - item.hard_limits.max_v,
        volts * (1 - item.accuracy_ratio) - item.hard_limits.min_v,
    )
    return any(abs(end) < 1e-9 for end in ends)


def _is_at_relation_edge(some_plan: Plan, oracle: Oracle) -> bool:
    return any(
        abs(one - other - limit) < 1e-7
        for relation in some_plan.relations
        for limit in (relation.min_v, relation.max_v)
        if limit is not None
        for one, other in itertools.product(oracle.may_be_at[relation.rail], oracle.may_be_at[relation.minus])
    )
