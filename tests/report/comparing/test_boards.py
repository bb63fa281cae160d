from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_run import a_plan, a_run_of, good_visits
from large_run import a_large_run
from scipy.stats import beta

from cornerrun.plan.serial import plan_to_json
from cornerrun.report.comparing.as_text import boards_text
from cornerrun.report.comparing.boards import summarise_boards
from cornerrun.report.comparing.boards_nouns import BoardDigest
from cornerrun.report.comparing.digest import Digester
from cornerrun.report.comparing.pages import boards_page
from cornerrun.report.figures.control_chart import control_charts
from cornerrun.results.records import Outcome, RunResult
from cornerrun.stats.proportions import proportion_interval

START = datetime(2026, 3, 2, tzinfo=UTC)


def a_digest(serial, hour, result=RunResult.PASS, *, corners=None, error=0.0, **changes):
    return BoardDigest(
        run_id=f"{serial}-{hour}",
        serial=serial,
        station="desk",
        title="plan",
        revision="C",
        started_utc=START + timedelta(hours=hour),
        result=result,
        is_simulated=False,
        corners=corners or {"all low": Outcome.PASS if result is RunResult.PASS else Outcome.FAIL_FUNCTIONAL},
        checks={},
        rails={},
        trim_error_ratio={"CORE": error},
        **changes,
    )


def test_first_pass_and_final_yield_count_boards():
    found = summarise_boards(
        [
            a_digest("a", 0),
            a_digest("b", 1, RunResult.FAIL),
            a_digest("b", 2),
            a_digest("c", 3, RunResult.FAIL),
            a_digest("c", 4, RunResult.FAIL),
        ]
    )
    total = found.total
    assert (total.first_passed, total.first_boards) == (1, 3)
    assert (total.final_passed, total.final_boards) == (2, 3)
    assert total.recovered == 1
    assert total.first == proportion_interval(1, 3)
    assert (found.runs, found.boards) == (5, 3)


def test_a_retest_that_fails_counts_at_last():
    found = summarise_boards([a_digest("a", 0), a_digest("a", 1, RunResult.FAIL)]).total
    assert (found.first_passed, found.final_passed, found.recovered) == (1, 0, 0)


@pytest.mark.parametrize("result", [RunResult.INCONCLUSIVE, RunResult.INCOMPLETE, RunResult.INVALID])
def test_a_board_without_a_verdict_is_in_no_share(result):
    found = summarise_boards([a_digest("a", 0), a_digest("b", 1, result)])
    assert (found.total.first_passed, found.total.first_boards) == (1, 1)
    assert found.total.no_verdict_first == 1
    assert any("no verdict" in caution for caution in found.cautions)


def test_bench_trouble_at_a_corner_is_neither_pass_nor_failure():
    digests = [a_digest(name, 0, corners={"all low": outcome}) for name, outcome in
               (("a", Outcome.PASS), ("b", Outcome.DISPUTED), ("c", Outcome.TRIPPED))]  # fmt: skip
    corner = next(item for item in summarise_boards(digests).yields if item.kind == "corner")
    assert (corner.first_passed, corner.first_boards, corner.no_verdict_first) == (1, 2, 1)


def test_first_pass_and_final_are_of_the_runs_that_met_the_corner():
    both = {"all low": Outcome.FAIL_FUNCTIONAL, "all high": Outcome.PASS}
    found = summarise_boards(
        [
            a_digest("a", 0, RunResult.FAIL, corners=both),
            a_digest("a", 1, corners={"all high": Outcome.TRIPPED}),
            a_digest("a", 2, corners={"all low": Outcome.PASS, "all high": Outcome.SKIPPED}, is_part=True),
        ]
    )
    low, high = sorted((item for item in found.yields if item.kind == "corner"), key=lambda item: item.first_passed)
    assert (low.name, low.first_passed, low.final_passed, low.recovered) == ("all low", 0, 1, 1)
    assert (high.first_passed, high.final_passed, high.final_boards) == (1, 0, 1), "tripped is the last that was met"
    assert any("1 runs were of some corners only" in caution for caution in found.cautions)


def test_yields_agree_with_arithmetic_by_hand():
    # 8 boards: 5 pass at once, 2 pass at the second run, 1 never. First pass 5/8, final 7/8.
    first = [a_digest(str(n), n, RunResult.PASS if n < 5 else RunResult.FAIL) for n in range(8)]
    again = [a_digest(str(n), 10 + n, RunResult.PASS if n < 7 else RunResult.FAIL) for n in range(5, 8)]
    total = summarise_boards(first + again).total
    assert (total.first.estimate, total.final.estimate, total.recovered) == (0.625, 0.875, 2)
    # Clopper-Pearson of 5 of 8 and 7 of 8 by the beta quantile (computed, no published figure).
    assert (total.first.low, total.first.high) == pytest.approx(beta.ppf([0.025, 0.975], [5, 6], [4, 3]), rel=1e-9)
    assert (total.final.low, total.final.high) == pytest.approx(beta.ppf([0.025, 0.975], [7, 8], [2, 1]), rel=1e-9)


def test_the_chart_of_trim_errors_agrees_with_the_handbook():
    # NIST/SEMATECH e-Handbook 6.3.2.2, flow rates (from memory), taken for trim errors in boards' order of time.
    rates = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    digests = [a_digest(f"b{n}", n, error=rate * 1e-5) for n, rate in enumerate(rates)]
    (chart,) = summarise_boards(digests[::-1]).charts
    assert chart.errors_ratio == pytest.approx([rate * 1e-5 for rate in rates])
    assert (chart.centre, chart.lower, chart.upper) == pytest.approx((50.81e-5, 45.8159e-5, 55.8041e-5), abs=2e-8)
    assert (chart.moving_range, chart.moving_range_upper) == pytest.approx((1.8778e-5, 6.1347e-5), abs=2e-8)
    assert chart.beyond == chart.jumps == ()


def test_outliers_lie_beyond_six_robust_deviations_of_the_median():
    # AEC-Q001, formula from memory: of 1..9 the quartiles are 3 and 7, so limits are 5 +- 6 * 4 / 1.35 = 5 +- 17.78.
    errors = [*range(1, 10)]
    within = summarise_boards([a_digest(str(n), n, error=value * 1e-4) for n, value in enumerate(errors)])
    assert within.outliers == ()
    # With a far one as the tenth the quartiles are 3.25 and 7.75, and the limits 5.5 +- 6 * 4.5 / 1.35 = 5.5 +- 20.
    for far, is_out in ((25.4, False), (25.6, True)):
        found = summarise_boards(
            [a_digest(str(n), n, error=value * 1e-4) for n, value in enumerate([*errors, far])]
        ).outliers
        assert [(item.serial, item.is_thin) for item in found] == ([("9", True)] if is_out else [])
        if is_out:
            assert (found[0].low, found[0].high) == pytest.approx((-14.5e-4, 25.5e-4))


def test_the_lowest_yield_comes_first():
    corners = {"a": Outcome.PASS, "b": Outcome.TRIPPED}
    found = summarise_boards([a_digest("x", 0, corners=corners)])
    assert [item.name for item in found.yields if item.kind == "corner"] == ["b", "a"]


@given(st.permutations([a_digest("a", 0), a_digest("b", 1, RunResult.FAIL), a_digest("b", 2), a_digest("c", 3)]))
def test_the_order_in_which_runs_come_changes_nothing(digests):
    assert summarise_boards(digests) == summarise_boards(sorted(digests, key=lambda item: item.started_utc))


def test_a_board_unlike_the_others_is_found_by_chart_and_by_limits():
    digests = [a_digest(f"{n:03d}", n, error=1e-4 * ((n * 7) % 5 - 2)) for n in range(40)]
    digests.append(a_digest("odd", 40, error=0.004))
    found = summarise_boards(digests, claim_ratio=0.0025)
    assert found.charts[0].beyond == ("odd",)
    assert [(item.rail, item.serial) for item in found.outliers] == [("CORE", "odd")]
    assert not found.outliers[0].is_thin
    chart = found.charts[0]
    assert chart.capability is not None
    assert chart.capability.low < chart.capability.high
    assert chart.serials[0] == "000"


def test_boards_that_are_all_equal_have_no_limits():
    chart = summarise_boards([a_digest(str(n), n, error=1e-4) for n in range(5)]).charts[0]
    assert (chart.centre, chart.beyond, chart.capability) == (None, (), None)


def test_many_boards_that_pass_only_later_point_to_the_bench():
    digests = [a_digest(str(n), n, RunResult.FAIL) for n in range(5)] + [a_digest(str(n), 10 + n) for n in range(5)]
    assert any("look at the bench" in caution for caution in summarise_boards(digests).cautions)


def test_nothing_at_all_is_a_summary_too():
    found = summarise_boards([])
    assert found.total.first.estimate is None
    assert "0 boards" in boards_text(found)
    assert control_charts(found) is None
    assert "no verdict" in boards_page(found).lower()


def test_a_digest_says_what_the_run_says():
    plan = a_plan()
    run = a_run_of(good_visits(plan, {1: 30}), plan_json=plan_to_json(plan))
    digest = Digester().digest(run)
    assert digest.corners["all high"] is Outcome.FAIL_FUNCTIONAL
    assert digest.checks["memory march"]["all high"] is Outcome.FAIL_FUNCTIONAL
    assert digest.checks["memory march"]["all low"] is Outcome.PASS
    assert set(digest.trim_error_ratio) == {"CORE", "IO"}
    readings = [item for record in run.visits for item in record.readings if item.rail == "IO"]
    shares = [(item.reference_v - item.setpoint_v) / item.setpoint_v for item in readings]
    assert digest.trim_error_ratio["IO"] == pytest.approx(sum(shares) / len(shares), rel=1e-12)


def test_a_run_that_never_ended_is_incomplete():
    plan = a_plan()
    run = a_run_of(good_visits(plan), result=None, plan_json=plan_to_json(plan))
    assert Digester().digest(run).result is RunResult.INCOMPLETE


def test_page_and_figure_of_many_boards():
    digester = Digester()
    runs = [a_large_run(rails=3, corners=6, serial=f"SN{n}", seed=n, is_troubled=n % 3 == 0) for n in range(1, 8)]
    digests = [digester.digest(run) for run in runs]
    digests.append(replace(digests[0], serial="<script>x</script>", run_id="r"))
    found = summarise_boards(digests, claim_ratio=digester.claim_ratio)
    page = boards_page(found)
    assert "<script>x" not in page
    assert "&lt;script&gt;x" in page
    chart = control_charts(found)
    assert chart is not None
    assert any("VRAIL_00" in getattr(shape, "text", "") for shape in chart.shapes)
