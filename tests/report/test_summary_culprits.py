"""Culprits of whole runs: planted rails and pairs are named, innocent ones are not, and the next corner may be run."""

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from invented_run import a_plan, a_rail, a_run_of, a_visit

from cornerrun.corners.covering import covering_array
from cornerrun.corners.model import ConditionLevel, Corner, RailLevel, Step
from cornerrun.plan.model import Condition, Relation
from cornerrun.report.summary import summarise
from cornerrun.report.summary_culprits import VOLTAGES
from cornerrun.report.text import to_text
from cornerrun.results.records import Outcome

RAILS = tuple("ABCDEFGH")
SIX = tuple(RAILS[:6])


def _plan(rails=SIX, **changes):
    made = tuple(a_rail(name, 1.0, page=i) for i, name in enumerate(rails))
    return a_plan(rails=made, relations=(), **changes)


def _corner(i, levels, conditions=()):
    return Corner(
        name=f"corner {i}",
        levels=tuple(RailLevel(rail=rail, level=level) for rail, level in levels.items()),
        conditions=conditions,
        scheme="covering",
    )


def _covering(rails=SIX):
    rows = covering_array([2] * len(rails), strength=2)
    return [
        _corner(i, {rail: ("low", "high")[level] for rail, level in zip(rails, row, strict=True)})
        for i, row in enumerate(rows)
    ]


def _alone(rails=SIX, start=100):
    corners = []
    for i, (rail, level) in enumerate(product(rails, ("low", "high"))):
        corners.append(_corner(start + i, dict.fromkeys(rails, "nominal") | {rail: level}))
    return corners


def _summary(plan, corners, fails, *, trials=30, seed=None):
    """Run corners whose check fails where ``fails`` says, in every trial or with that probability."""
    generator = np.random.default_rng(seed)
    visits = []
    for i, corner in enumerate(corners):
        step = Step(ordinal=i, corner=corner, repeat=0, is_control=False, moves=(), return_order=())
        share = float(fails(corner.by_rail()))
        failures = int(generator.binomial(trials, share)) if 0 < share < 1 else int(share * trials)
        visits.append(a_visit(plan, step, failures=failures, trials=trials))
    return summarise(a_run_of(visits, corners=tuple(corners)), plan=plan)


def _only(summary):
    (found,) = summary.culprits
    return found


def test_a_planted_rail_is_named_and_no_other():
    found = _only(_summary(_plan(), [*_covering(), *_alone()], lambda at: at["C"] == "low"))
    assert found.what == "memory march"
    assert found.suspects[0].combination == (("C", "low"),)
    assert found.suspects_total == 1
    assert "C low alone explains all" in found.words[0]
    assert found.likely[0].combination == (("C", "low"),)


def test_a_planted_pair_is_named_though_neither_rail_can_be_convicted():
    corners = [*_covering(), *_alone()]
    found = _only(_summary(_plan(), corners, lambda at: (at["A"], at["D"]) == ("low", "high")))
    held = [item.combination for item in found.suspects if item.explains_all]
    assert (("A", "low"), ("D", "high")) in held
    assert not any(len(item.combination) == 1 for item in found.suspects)
    assert "no rail can be convicted" in " ".join(found.words)


def test_one_covering_pass_alone_cannot_convict_and_says_so():
    plan, corners = _plan(), _covering()
    found = _only(_summary(plan, corners, lambda at: (at["A"], at["D"]) == ("low", "high")))
    assert found.suspects_total > 1
    assert any("cannot be told apart" in words or "No single suspect" in words for words in found.words)
    assert min(effect.holm for effect in found.effects) > 0.05


def test_following_the_proposals_finds_the_planted_pair_in_few_more_corners():
    plan, corners = _plan(), _covering()

    def fails(at):
        return (at["A"], at["D"]) == ("low", "high")

    for more in range(12):
        found = _only(_summary(plan, corners, fails))
        if found.suspects_total == 1:
            break
        assert found.next_corner is not None
        corners.append(_corner(200 + more, dict(found.next_corner)))
    assert found.suspects[0].combination == (("A", "low"), ("D", "high"))
    # As many as a search by halves needs, and a few.
    assert more <= 8


def test_a_proposed_corner_breaks_no_relation_and_holds_nothing_forbidden():
    relation = Relation(rail="A", minus="D", min_v=-0.06)
    plan = replace(_plan(), relations=(relation,))
    plan = replace(plan, corners=replace(plan.corners, forbidden=({"A": "low", "B": "low"},)))
    corners = [corner for corner in _covering() if (corner.by_rail()["A"], corner.by_rail()["D"]) != ("low", "high")]
    found = _only(_summary(plan, corners, lambda at: at["A"] == "low" and at["C"] == "high"))
    if found.next_corner is not None:
        at = found.next_corner
        assert (at["A"], at["B"]) != ("low", "low")
        assert (at["A"], at["D"]) != ("low", "high")


def test_a_check_that_fails_now_and_then_is_judged_by_its_trials():
    corners = [*_covering(RAILS), *_alone(RAILS)]
    summary = _summary(
        _plan(RAILS), corners, lambda at: 0.3 if (at["B"], at["G"]) == ("high", "low") else 0.01, trials=100, seed=4
    )
    found = _only(summary)
    # Other pairs were in the very same corners, and cannot be told apart: they share the evidence.
    best = [item.combination for item in found.likely if item.p_value == found.likely[0].p_value]
    assert (("B", "high"), ("G", "low")) in best
    assert all(item.p_value < 1e-3 for item in found.likely if item.combination in best)
    assert any(words.startswith("By trials: ") for words in found.words)


def test_two_causes_are_found_one_after_the_other_and_their_company_is_not():
    corners = [*_covering(RAILS), *_alone(RAILS)]
    found = _only(
        _summary(_plan(RAILS), corners, lambda at: max(0.6 * (at["B"] == "high"), 0.5 * (at["G"] == "low")), seed=2)
    )
    assert {item.combination for item in found.likely} == {(("B", "high"),), (("G", "low"),)}
    assert sum(words.startswith("Apart from that: ") for words in found.words) == 1


def test_a_passing_corner_with_few_trials_clears_nobody_for_sure():
    corners = [*_covering(), *_alone()]
    found = _only(_summary(_plan(), corners, lambda at: 0.2 if at["A"] == "low" else 0, trials=5, seed=1))
    assert any("passing corners clear nobody for sure" in words for words in found.words)


def test_a_run_without_failures_has_no_culprits():
    assert _summary(_plan(), _covering(), lambda at: 0).culprits == ()


def test_a_run_that_fails_everywhere_convicts_nobody():
    found = _only(_summary(_plan(), [*_covering(), *_alone()], lambda at: 1))
    assert (found.suspects, found.next_corner) == ((), None)
    assert "no rail can be told from any other" in found.words[0]


def test_null_data_name_a_likely_culprit_no_more_often_than_claimed():
    # 1 % of trials fail anywhere: whoever is named is innocent. At most 5 % of runs may name one.
    plan, corners = _plan(), [*_covering(), *_alone()]
    named = 0
    for seed in range(150):
        culprits = _summary(plan, corners, lambda at: 0.01, trials=40, seed=seed).culprits
        named += any(item.likely for item in culprits)
    assert named / 150 <= 0.09  # 5 % and two standard errors of 150 runs


def test_a_condition_is_a_suspect_beside_rails():
    levels = {"cold": 0.0, "hot": 60.0}
    plan = replace(_plan(), conditions=(Condition(name="ambient", unit="degC", levels=levels),))
    corners = []
    for name, value in levels.items():
        there = (ConditionLevel(condition="ambient", level=name, value=value),)
        for i, corner in enumerate(_alone()):
            corners.append(replace(corner, name=f"corner {i} @ ambient {name}", conditions=there))
    visits = []
    for i, corner in enumerate(corners):
        step = Step(ordinal=i, corner=corner, repeat=0, is_control=False, moves=(), return_order=())
        visits.append(a_visit(plan, step, failures=30 * (corner.conditions[0].level == "hot")))
    found = summarise(a_run_of(visits, corners=tuple(corners)), plan=plan).culprits[0]
    assert found.suspects[0].combination == (("ambient", "hot"),)


def test_tied_rails_are_told_by_the_one_that_leads():
    rails = (a_rail("A", 1.0), replace(a_rail("B", 1.0, page=1), tied_to="A"), a_rail("C", 1.0, page=2))
    plan = a_plan(rails=rails, relations=())
    corners = [
        _corner(i, {"A": a, "B": a, "C": c}) for i, (a, c) in enumerate(product(("low", "nominal", "high"), repeat=2))
    ]
    found = _only(_summary(plan, corners, lambda at: at["A"] == "low"))
    assert [item.combination for item in found.suspects] == [(("A", "low"),)]


def test_voltages_that_fail_are_analysed_apart_from_checks():
    plan, corners = _plan(), _alone()
    visits = []
    for i, corner in enumerate(corners):
        step = Step(ordinal=i, corner=corner, repeat=0, is_control=False, moves=(), return_order=())
        is_bad = corner.by_rail()["E"] == "high"
        visits.append(a_visit(plan, step, outcome=Outcome.TRIPPED if is_bad else None, trials=30))
    found = summarise(a_run_of(visits, corners=tuple(corners)), plan=plan).culprits
    assert [item.what for item in found] == [VOLTAGES]
    assert found[0].suspects[0].combination == (("E", "high"),)


def test_the_text_names_suspect_evidence_and_next_corner():
    text = to_text(_summary(_plan(), _covering(), lambda at: (at["A"], at["D"]) == ("low", "high")))
    assert "Culprits" in text
    assert "The corner that would tell:" in text
    assert "run it next" in text


@pytest.mark.parametrize("order", [1, 2, 3])
def test_the_order_of_visits_changes_nothing(order):
    corners = [*_covering(), *_alone()]
    plain = _only(_summary(_plan(), corners, lambda at: at["C"] == "low"))
    mixed = list(corners)
    np.random.default_rng(order).shuffle(mixed)
    found = _only(_summary(_plan(), mixed, lambda at: at["C"] == "low"))
    assert (found.suspects, found.likely, found.words[0]) == (plain.suspects, plain.likely, plain.words[0])


def test_other_names_of_rails_change_nothing_but_the_names():
    plain = _only(_summary(_plan(), [*_covering(), *_alone()], lambda at: at["C"] == "low"))
    names = tuple(f"VDD{i}" for i in range(6))
    other = _only(_summary(_plan(names), [*_covering(names), *_alone(names)], lambda at: at["VDD2"] == "low"))
    assert other.suspects[0].combination == (("VDD2", "low"),)
    assert (other.suspects_total, other.failing_corners) == (plain.suspects_total, plain.failing_corners)
