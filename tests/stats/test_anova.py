from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats as scipy_stats

from cornerrun.stats.anova import one_way


def _certified(name):
    """NIST StRD, as the files lie in scipy's wheel: groups and readings from line 61 on."""
    path = Path(find_spec("scipy").origin).parent / "stats/tests/data/nist_anova" / f"{name}.dat"
    rows = [line.split() for line in path.read_text().splitlines()[60:]]
    groups: dict[str, list[float]] = {}
    for row in rows:
        if len(row) == 2:
            groups.setdefault(row[0], []).append(float(row[1]))
    return list(groups.values())


@pytest.mark.parametrize(
    ("name", "f", "r_squared", "deviation", "relative"),
    [
        # Certified values of the StRD; the numbers keep as many digits as their floats do (recomputed F of the floats
        # of AtmWtAg: 15.946733566677).
        ("AtmWtAg", 15.9467335677930, 0.257426544538321, 1.51048314446410e-05, 1e-9),
        ("SiRstv", 1.18046237440255, 0.190999039051129, 0.104076068334656, 1e-9),
        ("SmLs01", 21.0, 0.482758620689655, 0.1, 1e-12),
        ("SmLs02", 201.0, 0.471830985915493, 0.1, 1e-9),
        ("SmLs04", 21.0, 0.482758620689655, 0.1, 1e-7),
        ("SmLs05", 201.0, 0.471830985915493, 0.1, 1e-7),
        # 13 leading digits are constant: a float keeps 2 to 3 of the rest.
        ("SmLs07", 21.0, 0.482758620689655, 0.1, 2e-2),
    ],
)
def test_agrees_with_the_certified_values(name, f, r_squared, deviation, relative):
    found = one_way(_certified(name))
    assert found.f == pytest.approx(f, rel=relative)
    assert found.r_squared == pytest.approx(r_squared, rel=relative)
    assert found.within_deviation == pytest.approx(deviation, rel=relative)


_groups = st.lists(
    st.lists(st.integers(-50, 50), min_size=2, max_size=6).filter(lambda row: len(set(row)) > 1), min_size=2, max_size=5
)


@given(_groups)
def test_agrees_with_scipy(groups):
    found, oracle = one_way(groups), scipy_stats.f_oneway(*groups)
    assert found.f == pytest.approx(oracle.statistic, rel=1e-9, abs=1e-9)
    if oracle.statistic > 0:  # scipy has no p-value where rounding leaves an F just below 0
        assert found.p_value == pytest.approx(oracle.pvalue, rel=1e-9, abs=1e-12)


@given(_groups, st.randoms(use_true_random=False), st.floats(0.1, 100), st.integers(-1000, 1000))
def test_order_shift_and_scale_carry_over(groups, random, scale, shift):
    plain = one_way(groups)
    moved = [[scale * (value + shift) for value in row] for row in groups]
    random.shuffle(moved)
    found = one_way(moved)
    assert found.f == pytest.approx(plain.f, rel=1e-6, abs=1e-9)
    assert found.within_deviation == pytest.approx(scale * plain.within_deviation, rel=1e-6)
    assert found.between_deviation == pytest.approx(scale * plain.between_deviation, rel=1e-4, abs=1e-5 * scale)


def test_the_scatter_between_boards_is_found():
    generator = np.random.default_rng(1)
    boards = generator.normal(0, 3.0, 400)
    found = one_way(generator.normal(boards[:, None], 1.0, (400, 4)))
    assert found.between_deviation == pytest.approx(3.0, rel=0.12)
    assert found.within_deviation == pytest.approx(1.0, rel=0.06)


def test_readings_that_agree_exactly_have_no_ratio():
    found = one_way([[1, 1], [2, 2]])
    assert (found.f, found.p_value, found.r_squared) == (None, None, 1.0)


@pytest.mark.parametrize(
    ("groups", "message"),
    [
        ([[1, 2]], "at least two groups"),
        ([[1], [2]], "at least one group needs two readings"),
        ([[1, 2], []], "needs at least 1 readings"),
        ([[1, 2], [float("nan")]], "not finite"),
    ],
)
def test_refuses_what_cannot_be_split(groups, message):
    with pytest.raises(ValueError, match=message):
        one_way(groups)
