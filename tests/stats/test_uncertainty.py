import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.stats.uncertainty import Budget, Component, rectangular


def _end_gauge():
    # JCGM 100:2008 H.1, by way of the documentation of MSL New Zealand's GTC; nanometres.
    length = 50_000_623
    expansion, difference = 11.5e-6, -0.1
    return Budget(
        [
            Component("standard", 25, 18),
            Component("repeated readings", 5.8, 24),
            Component("random effects", 3.9, 5),
            Component("systematic effects", 6.7, 8),
            Component("difference of expansion", rectangular(1e-6), 50, -length * difference),
            Component("difference of temperature", rectangular(0.05), 2, -length * expansion),
        ]
    )


def test_end_gauge_agrees_with_the_gum():
    budget = _end_gauge()
    assert budget.combined == pytest.approx(31.663879, abs=1e-6)  # printed 32
    assert budget.effective_degrees_of_freedom == pytest.approx(16.75, abs=0.01)  # printed 16.7, then 16
    assert budget.coverage_factor(0.99) == pytest.approx(2.9207816, abs=1e-7)  # t99(16)
    assert budget.expanded(0.99) == pytest.approx(93, abs=1)  # printed, from rounded figures
    contributions = [component.contribution for component in budget.components]
    assert contributions[4:] == pytest.approx([2.89, 16.6], abs=0.01)
    assert math.hypot(*contributions[1:4]) == pytest.approx(9.68, abs=0.01)  # printed 9.7


def test_relative_uncertainties_agree_with_the_gum():
    # JCGM 100:2008 G.4.1; inputs from memory.
    budget = Budget([Component("a", 0.25, 9), Component("b", 0.57, 4), Component("c", 0.82, 14)])
    assert budget.combined == pytest.approx(1.0294659, abs=1e-7)
    assert budget.effective_degrees_of_freedom == pytest.approx(18.998742, abs=1e-6)
    assert budget.coverage_factor(0.95) == pytest.approx(2.093, abs=5e-4)
    assert budget.expanded(0.95) == pytest.approx(2.2, abs=0.05)


def test_correlated_resistance_agrees_with_the_gum():
    # JCGM 100:2008 H.2, by way of suncal's tests: V, I and phase measured together five times.
    volts = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    amps = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1e3
    phase = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    v, i, phi = volts.mean(), amps.mean(), phase.mean()
    u = {name: x.std(ddof=1) / math.sqrt(5) for name, x in (("V", volts), ("I", amps), ("phi", phase))}
    r = np.corrcoef([volts, amps, phase])
    correlations = {("V", "I"): r[0, 1], ("V", "phi"): r[0, 2], ("I", "phi"): r[1, 2]}
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.36, 0.86, -0.65], abs=0.005)

    def combined(dv, di, dphi):
        parts = [Component("V", u["V"], 4, dv), Component("I", u["I"], 4, di), Component("phi", u["phi"], 4, dphi)]
        return Budget(parts, correlations=correlations).combined

    cos, sin = math.cos(phi), math.sin(phi)
    assert v / i * cos == pytest.approx(127.732170, abs=1e-6)
    assert combined(cos / i, -v * cos / i**2, -v / i * sin) == pytest.approx(0.0710714, abs=1e-7)
    assert combined(sin / i, -v * sin / i**2, v / i * cos) == pytest.approx(0.2955817, abs=1e-7)
    assert combined(1 / i, -v / i**2, 0.0) == pytest.approx(0.2363361, abs=1e-7)


_components = st.lists(
    st.tuples(st.floats(1e-6, 1e3), st.floats(1, 200), st.floats(-10, 10)), min_size=1, max_size=8
).filter(lambda items: any(abs(c) > 1e-3 for *_, c in items))


@given(_components, st.randoms(use_true_random=False), st.floats(1e-6, 1e6))
def test_order_and_unit_change_nothing_but_the_unit(items, random, scale):
    parts = [Component(str(i), u, nu, c) for i, (u, nu, c) in enumerate(items)]
    scaled = [Component(str(i), u * scale, nu, c) for i, (u, nu, c) in enumerate(items)]
    random.shuffle(scaled)
    assert Budget(scaled).combined == pytest.approx(Budget(parts).combined * scale, rel=1e-9)
    assert Budget(scaled).effective_degrees_of_freedom == pytest.approx(
        Budget(parts).effective_degrees_of_freedom, rel=1e-6
    )


@given(_components)
def test_effective_degrees_of_freedom_lie_between_the_least_and_the_sum(items):
    budget = Budget(Component(str(i), u, nu, c) for i, (u, nu, c) in enumerate(items))
    degrees = [component.degrees_of_freedom for component in budget.components if component.contribution > 0]
    assert min(degrees) * (1 - 1e-9) <= budget.effective_degrees_of_freedom <= sum(degrees) * (1 + 1e-9)


def test_a_specification_alone_gives_the_normal_factor():
    budget = Budget([Component("meter", rectangular(1.0))])
    assert budget.effective_degrees_of_freedom == math.inf
    assert budget.coverage_factor(0.95) == pytest.approx(1.959964, abs=1e-6)


def test_nothing_uncertain_expands_to_nothing():
    assert Budget([Component("exact", 0.0)]).expanded() == 0.0


def test_expanded_uncertainty_covers_as_stated():
    # Two components by repeats and one that is known: Welch and Satterthwaite's answer is an approximation.
    generator = np.random.default_rng(7)
    draws, held = 10_000, 0
    for _ in range(draws):
        a, b = generator.normal(0, 3, 8), generator.normal(0, 2, 12)
        known = generator.normal(0, 0.5)
        budget = Budget(
            [
                Component("a", a.std(ddof=1) / math.sqrt(8), 7),
                Component("b", b.std(ddof=1) / math.sqrt(12), 11),
                Component("known", 0.5),
            ]
        )
        held += abs(a.mean() + b.mean() + known) <= budget.expanded()
    assert 0.94 <= held / draws <= 0.96


@pytest.mark.parametrize(
    ("build", "message"),
    [
        (lambda: Budget([]), "at least one component"),
        (lambda: Component("a", -1.0, 3), "not negative"),
        (lambda: Component("a", float("nan"), 3), "finite"),
        (lambda: Component("a", 1.0, 0), "must be positive"),
        (lambda: Component("a", 1.0, 3, math.inf), "must be finite"),
        (lambda: rectangular(-1.0), "half width"),
        (lambda: Budget([Component("a", 1.0)], correlations={("a", "b"): 0.5}), "not two components"),
        (
            lambda: Budget([Component("a", 1.0), Component("b", 1.0)], correlations={("a", "b"): 1.5}),
            "between -1 and 1",
        ),
        (
            lambda: Budget(
                [Component("a", 1.0), Component("a", 1.0), Component("b", 1.0)], correlations={("a", "b"): 0}
            ),
            "names of their own",
        ),
    ],
)
def test_refuses_what_is_no_uncertainty(build, message):
    with pytest.raises(ValueError, match=message):
        build()
