"""Measure whether intervals cover as often as they say, and how often the innocent are named. Fixed seeds, one table.

    python tests/benchmarks/intervals.py            everything, some minutes
    python tests/benchmarks/intervals.py --quick    a tenth of the draws

Coverage by enumeration is exact; else over 10,000 draws, where the standard error of 95 % is 0.22 %. Nothing here is a
test; the same simulations with their limits are tests in tests/stats.
"""

import argparse
import math
from collections.abc import Callable, Iterator

import numpy as np
from scipy import special, stats

from cornerrun.stats.capability import capability_from_moments
from cornerrun.stats.culprits import firth_logistic, level_associations
from cornerrun.stats.likely_suspects import likely_suspects
from cornerrun.stats.line import fit_line
from cornerrun.stats.meter import MeterSpecification
from cornerrun.stats.proportions import Method, difference_interval, proportion_interval
from cornerrun.stats.threshold import fit_threshold
from cornerrun.stats.tolerance import tolerance_factor
from cornerrun.stats.trim import estimate_trim
from cornerrun.stats.uncertainty import Budget, Component

_SETPOINTS = np.repeat([0.80, 0.825, 0.85, 0.875, 0.90], 6)
_SIDES = ["down", "down", "up", "down", "up", "up"] * 5


def main() -> None:
    """Run every simulation and print one line each."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a tenth of the draws")
    draws = 1000 if parser.parse_args().quick else 10_000
    print(f"{'coverage of 95 % intervals':74} {'draws':>7} {'%':>7}   wanted")
    for line in _by_enumeration():
        print(line, flush=True)
    parts: tuple[Callable[[int], Iterator[str]], ...] = (
        _tolerance,
        _capability,
        _uncertainty,
        _line_and_inverse,
        _trim,
        _threshold,
    )
    for part in parts:
        for line in part(draws):
            print(line, flush=True)
    print(f"\n{'the innocent named at level 5 %':74} {'draws':>7} {'%':>7}   wanted")
    for line in _null(draws // 10):
        print(line, flush=True)


def _say(what: str, draws: int, share: float, wanted: str) -> str:
    return f"{what:74} {draws:>7} {share * 100:>7.2f}   {wanted}"


def _by_enumeration() -> Iterator[str]:
    methods: tuple[Method, ...] = ("clopper-pearson", "wilson", "jeffreys")
    for method in methods:
        least, total, count = 1.0, 0.0, 0
        for n in (5, 10, 20, 30, 59, 100):
            intervals = [proportion_interval(x, n, method=method) for x in range(n + 1)]
            for p in (np.arange(200) + 0.5) / 200:
                weights = stats.binom.pmf(range(n + 1), n, p)
                held = sum(w for w, i in zip(weights, intervals, strict=True) if p in i)
                least, total, count = min(least, held), total + held, count + 1
        wanted = "never below 95" if method == "clopper-pearson" else "95 on average"
        yield _say(f"{method}: least over 1,200 cases, n 5 to 100", 0, least, wanted)
        yield _say(f"{method}: on average over them", 0, total / count, wanted)
    n, total, count = 15, 0.0, 0
    table = {(x, y): difference_interval(x, n, y, n) for x in range(n + 1) for y in range(n + 1)}
    for p in np.linspace(0.05, 0.95, 10):
        for q in np.linspace(0.05, 0.95, 10):
            w, v = stats.binom.pmf(range(n + 1), n, p), stats.binom.pmf(range(n + 1), n, q)
            total += sum(w[x] * v[y] for (x, y), interval in table.items() if p - q in interval)
            count += 1
    yield _say("Newcombe's difference, 15 against 15: on average over 100 cases", 0, total / count, "95 on average")


def _tolerance(draws: int) -> Iterator[str]:
    for sides in (1, 2):
        for n in (5, 12, 30):
            samples = np.random.default_rng(12).normal(0, 1, (draws, n))
            k = tolerance_factor(n, coverage=0.90, confidence=0.95, sides=sides)
            mean, reach = samples.mean(axis=1), k * samples.std(axis=1, ddof=1)
            content = special.ndtr(mean + reach) - (special.ndtr(mean - reach) if sides == 2 else 0.0)
            share = float((content >= 0.90).mean())
            yield _say(f"tolerance limits of 90 % of boards, {sides}-sided, n {n}", draws, share, "94 to 96")


def _capability(draws: int) -> Iterator[str]:
    for n in (20, 50, 100):
        samples = np.random.default_rng(3).normal(0, 1, (draws, n))
        cp = cpk = 0
        for mean, s in zip(samples.mean(axis=1), samples.std(axis=1, ddof=1), strict=True):
            found = capability_from_moments(mean, s, n, lower=-3.99, upper=3.99)
            one = capability_from_moments(mean, s, n, upper=3.99)
            cp += found.cp_interval is not None and 1.33 in found.cp_interval
            cpk += 1.33 in one.cpk_interval
        yield _say(f"Cp 1.33, n {n} (chi-square, exact)", draws, cp / draws, "94 to 96")
        yield _say(f"Cpk 1.33 of one limit, n {n} (Bissell's approximation)", draws, cpk / draws, "94 to 96 from n 50")


def _uncertainty(draws: int) -> Iterator[str]:
    generator = np.random.default_rng(7)
    held = 0
    for _ in range(draws):
        a, b, known = generator.normal(0, 3, 8), generator.normal(0, 2, 12), generator.normal(0, 0.5)
        budget = Budget(
            [
                Component("a", a.std(ddof=1) / math.sqrt(8), 7),
                Component("b", b.std(ddof=1) / math.sqrt(12), 11),
                Component("known", 0.5),
            ]
        )
        held += abs(a.mean() + b.mean() + known) <= budget.expanded()
    yield _say("expanded uncertainty of two repeated inputs and a known one", draws, held / draws, "94 to 96")


def _line_and_inverse(draws: int) -> Iterator[str]:
    generator = np.random.default_rng(20260302)
    x = np.linspace(0.8, 0.9, 8)
    held = np.zeros(3)
    for y in 1.002 * x + 0.0003 + generator.normal(0, 2e-4, (draws, x.size)):
        line = fit_line(x, y)
        slope, intercept = line.slope_interval(), line.intercept_interval()
        observed = 1.002 * 0.86 + 0.0003 + generator.normal(0, 2e-4)
        held += (
            slope is not None and 1.002 in slope,
            intercept is not None and 0.0003 in intercept,
            0.86 in line.inverse(observed),
        )
    for what, count in zip(("slope of a line", "its intercept", "inverse prediction from it"), held, strict=True):
        yield _say(what, draws, float(count) / draws, "94 to 96")


def _trim(draws: int) -> Iterator[str]:
    """Draw as many benches, each with a meter error of its own within its specification (normal, k = 2)."""
    generator = np.random.default_rng(5)
    gain, offset_v, scatter_v = 0.002, 3e-4, 1e-4
    meter = MeterSpecification(reading_ratio=1.5e-3, range_ratio=1e-3, coverage=2)
    names = ("gain error", "offset", "worst error", "repeatability", "hysteresis (none there)")
    held = dict.fromkeys(names, 0)
    below = 0
    for _ in range(draws):
        reading = (_SETPOINTS * (1 + gain) + offset_v) * (1 + generator.normal(0, 0.75e-3))
        reading += generator.normal(0, 0.5e-3) + generator.normal(0, scatter_v, _SETPOINTS.size)
        found = estimate_trim(_SETPOINTS, reading, direction=_SIDES, meter=meter, range_v=1.0)
        at_worst_v = gain * found.worst.setpoint_v + offset_v
        for name, interval, truth in (
            ("gain error", found.gain_error, gain),
            ("offset", found.offset_v, offset_v),
            ("worst error", found.worst_error_v, at_worst_v),
            ("repeatability", found.repeatability_v, scatter_v),
            ("hysteresis (none there)", found.hysteresis_v, 0.0),
        ):
            held[name] += interval is not None and truth in interval
        below += found.lack_of_fit is not None and found.lack_of_fit.p_value <= 0.05
    # At one setpoint the maker's two limits add up linearly, wider than two independent errors need.
    wanted = {"worst error": "at least 95", "hysteresis (none there)": "at least 95 (Bonferroni)"}
    for name in names:
        yield _say(
            f"trim, 5 setpoints x 6, meter counted in: {name}", draws, held[name] / draws, wanted.get(name, "94 to 96")
        )
    yield _say("trim: lack of fit found on a straight line, at 5 %", draws, below / draws, "4 to 6")


def _threshold(draws: int) -> Iterator[str]:
    generator = np.random.default_rng(5)
    levels = np.linspace(-2, 2, 9)
    shares = special.expit(2 * levels)
    held = sum(
        0.0 in fit_threshold(levels, generator.binomial(25, shares), [25] * 9).level_interval()
        for _ in range(draws // 5)
    )
    yield _say("median threshold, 9 levels x 25 (Fieller)", draws // 5, held / (draws // 5), "93 to 97")


def _null(draws: int) -> Iterator[str]:
    generator = np.random.default_rng(8)
    rails = [f"R{i}" for i in range(6)]
    holm = firth = likely = 0
    for _ in range(draws):
        corners = [dict(zip(rails, generator.choice(["low", "high"], 6), strict=True)) for _ in range(24)]
        failed = generator.random(24) < 0.3
        holm += any(item.holm <= 0.05 for item in level_associations(corners, failed))
        failures = generator.binomial(30, 0.03, 24)
        likely += any(
            item.p_value <= 0.05 for item in likely_suspects(corners, [int(f) for f in failures], [30] * 24, strength=2)
        )
        factor = generator.normal(0, 1, 40)
        firth += firth_logistic([[x] for x in factor], generator.random(40) < 0.3).p_values[1] <= 0.05
    yield _say("a rail at a level, Fisher with Holm, 6 rails, 24 corners", draws, holm / draws, "at most 5")
    yield _say(
        "a rail or a pair by its trials, Bonferroni over all, 24 corners x 30", draws, likely / draws, "at most 5"
    )
    yield _say("one factor, Firth's penalised likelihood ratio, 40 corners", draws, firth / draws, "near 5")


if __name__ == "__main__":
    main()
