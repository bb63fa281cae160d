from itertools import product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.stats.culprits import level_associations, surviving_suspects

RAILS = ("CORE", "IO", "DDR", "AUX")
ALL = [dict(zip(RAILS, levels, strict=True)) for levels in product(("low", "high"), repeat=4)]


def holds(corner, *combination):
    return all(corner[rail] == level for rail, level in combination)


def test_a_planted_rail_is_named_and_innocent_ones_are_not():
    failed = [holds(corner, ("IO", "low")) for corner in ALL]
    associations = level_associations(ALL, failed)
    assert (associations[0].rail, associations[0].level) == ("IO", "low")
    assert associations[0].holm < 0.001
    assert all(item.holm == 1.0 for item in associations[1:])
    assert [s.combination for s in surviving_suspects(ALL, failed)] == [(("IO", "low"),)]


def test_a_planted_pair_is_named_though_no_rail_alone_can_be_convicted():
    pair = (("CORE", "low"), ("DDR", "high"))
    failed = [holds(corner, *pair) for corner in ALL]
    suspects = surviving_suspects(ALL, failed)
    assert [s.combination for s in suspects] == [pair]
    assert (suspects[0].failing, suspects[0].explains_all) == (4, True)
    assert level_associations(ALL, failed)[0].holm > 0.05


def test_a_planted_triple_needs_strength_three():
    triple = (("CORE", "low"), ("IO", "low"), ("AUX", "low"))
    failed = [holds(corner, *triple) for corner in ALL]
    assert surviving_suspects(ALL, failed, strength=2) == ()
    assert [s.combination for s in surviving_suspects(ALL, failed, strength=3)] == [triple]


def test_two_causes_are_both_kept_and_neither_explains_all():
    failed = [holds(c, ("CORE", "low"), ("IO", "high")) or holds(c, ("DDR", "low"), ("AUX", "low")) for c in ALL]
    suspects = surviving_suspects(ALL, failed)
    assert {s.combination for s in suspects} == {
        (("CORE", "low"), ("IO", "high")),
        (("DDR", "low"), ("AUX", "low")),
    }
    assert not any(s.explains_all for s in suspects)


def test_associations_count_with_and_without():
    corners = [{"A": level, "B": "nominal"} for level in ("low", "low", "high", "nominal")]
    (first, *rest) = level_associations(corners, [True, False, False, False])
    assert (first.level, first.failed_with, first.n_with, first.failed_without, first.n_without) == ("low", 1, 2, 0, 2)
    assert {item.rail for item in rest} == {"A"}


def test_two_levels_are_one_test():
    # Twenty rails at two levels: twenty tests, not forty, so that Holm is not twice as strict as need be.
    corners = [{f"R{i}": "high" if (c >> i) & 1 else "low" for i in range(4)} for c in range(16)]
    assert len(level_associations(corners, [c == 0 for c in range(16)])) == 4


@given(
    st.lists(
        st.tuples(st.sampled_from(["low", "nominal", "high"]), st.sampled_from(["low", "high"]), st.booleans()),
        min_size=1,
        max_size=20,
    ),
    st.randoms(use_true_random=False),
)
def test_the_order_of_corners_changes_nothing(rows, random):
    shuffled = rows[:]
    random.shuffle(shuffled)

    def found(items):
        corners, failed = [{"A": a, "B": b} for a, b, _ in items], [f for *_, f in items]
        suspects = {(s.combination, s.failing) for s in surviving_suspects(corners, failed)}
        return suspects, sorted(item.p_value for item in level_associations(corners, failed))

    (one, p), (other, q) = found(rows), found(shuffled)
    assert one == other
    assert p == pytest.approx(q)


@given(st.lists(st.tuples(st.booleans(), st.booleans(), st.booleans()), min_size=1, max_size=16))
def test_survivors_are_in_a_failing_corner_and_in_no_passing_one(rows):
    corners = [{"A": str(a), "B": str(b)} for a, b, _ in rows]
    failed = [f for *_, f in rows]
    for suspect in surviving_suspects(corners, failed):
        where = [f for corner, f in zip(corners, failed, strict=True) if holds(corner, *suspect.combination)]
        assert where
        assert all(where)


def test_convictions_on_null_data_stay_at_or_below_their_level():
    generator = np.random.default_rng(8)
    draws = 600
    wrong = 0
    for _ in range(draws):
        corners = [dict(zip(RAILS, generator.choice(["low", "high"], 4), strict=True)) for _ in range(20)]
        associations = level_associations(corners, generator.random(20) < 0.3)
        wrong += any(item.holm <= 0.05 for item in associations)
    # Fisher's test is careful with small counts: well below 5 %.
    assert wrong / draws <= 0.05


def test_nothing_run_has_no_suspects():
    assert level_associations([], []) == surviving_suspects([], []) == ()


@pytest.mark.parametrize(
    ("levels", "failed", "strength", "message"),
    [
        ([{"A": "low"}], [], 2, "each corner needs an outcome"),
        ([{"A": "low"}, {"B": "low"}], [True, False], 2, "the same rails"),
        ([{"A": "low"}], [True], 0, "strength must be"),
        ([{"A": "low"}], [True], 4, "strength must be"),
    ],
)
def test_refuses_corners_that_do_not_fit(levels, failed, strength, message):
    with pytest.raises(ValueError, match=message):
        surviving_suspects(levels, failed, strength=strength)
