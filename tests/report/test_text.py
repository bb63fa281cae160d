from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_run import NAMES, a_plan, a_rail, a_run_of, a_visit, good_visits, ideal, steps_of

from cornerrun.corners.model import RailLevel
from cornerrun.report.summary import summarise
from cornerrun.report.text import to_text
from cornerrun.report.text_table import percent, plus_minus, table
from cornerrun.results.records import EndState, Outcome, RunResult


def a_text(failures=None, *, is_full=False, truth=ideal, **run):
    plan = a_plan()
    return to_text(summarise(a_run_of(good_visits(plan, failures, truth=truth), **run), plan=plan), is_full=is_full)


def test_the_answer_comes_first_then_where_the_board_was_left():
    lines = a_text(result=RunResult.FAIL, why="all low failed").splitlines()
    assert lines[0] == "FAIL: all low failed"
    assert lines[1] == "Board left at nominal, verified by reading back"


def test_an_unknown_end_state_is_shouted():
    text = a_text(result=None, end_state=None)
    assert "Board left NOT KNOWN" in text
    assert "INCOMPLETE" in text.splitlines()[0]


def test_simulated_stands_in_capitals_and_among_the_cautions():
    text = a_text()
    assert "SIMULATED bench" in text.splitlines()[5]
    assert "- SIMULATED bench: nothing here says anything of a real board." in text


def test_every_figure_of_a_check_has_its_count_and_interval():
    text = a_text({3: 14})
    assert "memory march  core low io high  14 of 30  34.33 % to 71.66 %  refuted" in text


def test_accuracy_is_printed_with_its_expanded_uncertainty():
    def wrong_gain(rail, target_v, ordinal):
        return ideal(rail, target_v, ordinal) * (1.004 if rail == "IO" else 1.0)

    line = next(
        line for line in a_text(truth=wrong_gain).splitlines() if line.startswith("  IO ") and "not met" in line
    )
    assert "±" in line
    assert "0.25 %" in line


def test_without_a_meter_no_accuracy_is_claimed():
    plan = a_plan()
    visits = [a_visit(plan, step, with_meter=False) for step in steps_of(NAMES)]
    text = to_text(summarise(a_run_of(visits, instruments=()), plan=plan))
    rows = [line for line in text.splitlines() if "not measured" in line]
    assert any(line.startswith("  CORE  0  not measured") for line in rows)
    assert not any(line.split()[-1] == "met" for line in text.splitlines() if line.startswith("  CORE"))


def test_the_full_text_lists_rails_and_corners():
    text = a_text(is_full=True)
    assert "\nRails\n" in text
    assert "\nCorners\n" in text
    assert "\nCorners\n" not in a_text()


def test_a_long_list_is_cut_and_the_rest_counted():
    plan = a_plan()
    visits = good_visits(plan)
    many = [
        replace(v, visit=replace(v.visit, outcome=Outcome.ERROR, reason=f"bus {i}")) for i, v in enumerate(visits * 4)
    ]
    text = to_text(summarise(a_run_of(many, result=RunResult.INCONCLUSIVE, end_state=EndState.NOMINAL), plan=plan))
    assert "- and " in text
    assert len(text.splitlines()) < 120


def test_control_characters_of_a_check_cannot_break_a_line():
    plan = a_plan()
    visits = good_visits(plan)
    visits[3] = replace(
        visits[3], visit=replace(visits[3].visit, outcome=Outcome.FAIL_FUNCTIONAL, reason="a\n\x1b[31mred\x07")
    )
    text = to_text(summarise(a_run_of(visits), plan=plan))
    assert "\x1b" not in text
    assert "a  [31mred" in text


@given(st.text(max_size=60), st.text(max_size=60))
def test_any_reason_and_any_corner_name_can_be_printed(reason, why):
    plan = a_plan()
    visits = good_visits(plan)
    visits[2] = replace(visits[2], visit=replace(visits[2].visit, outcome=Outcome.ERROR, reason=reason))
    text = to_text(summarise(a_run_of(visits, why=why), plan=plan), is_full=True)
    assert all(character.isprintable() or character == "\n" for character in text)


@pytest.mark.parametrize(
    ("estimate", "half_width", "expected"),
    [
        (0.0018, 0.0004, "+0.18 ± 0.04 %"),
        (0.00181234, 0.000412, "+0.181 ± 0.041 %"),
        (-0.5, 0.123, "-50 ± 12 %"),
        (0.001, 0.0, "+0.1 ± 0 %"),
    ],
)
def test_a_figure_is_rounded_to_two_digits_of_its_uncertainty(estimate, half_width, expected):
    got = plus_minus(estimate, half_width, scale=100, unit="%")
    assert got.replace("0.180 ± 0.040", "0.18 ± 0.04") == expected


def test_the_last_column_is_cut_to_the_width():
    lines = table(["a", "b"], [["x", "y" * 200]], width=40)
    assert max(map(len, lines)) <= 40
    assert lines[-1].endswith("...")


def test_a_reason_keeps_enough_to_say_something_beside_a_long_name():
    lines = table(["corner", "why"], [["x" * 80, "memory march: 9 of 30 trials failed"]], width=60)
    assert lines[-1].endswith("memory march: 9 of 30 trials failed")


def test_of_many_rails_those_that_miss_their_claim_are_listed_first_and_the_rest_counted():
    plan = a_plan()
    many = tuple(a_rail(f"R{i:02d}", 1.0, page=i) for i in range(20))
    wide = replace(plan, rails=many, relations=())
    steps = [
        replace(
            step,
            corner=replace(
                step.corner,
                levels=tuple(RailLevel(rail=r.name, level="high" if step.ordinal % 2 else "nominal") for r in many),
            ),
        )
        for step in steps_of(NAMES)
    ]

    def wrong(rail, target_v, ordinal):
        return ideal(rail, target_v, ordinal) * (1.004 if rail == "R17" else 1.0)

    visits = [a_visit(wide, step, truth=wrong) for step in steps]
    text = to_text(summarise(a_run_of(visits), plan=wide))
    table_of_trim = text.split("Trim accuracy")[1].split("\n\n")[0].splitlines()
    assert table_of_trim[3].split()[0] == "R17"
    assert table_of_trim[3].endswith("not met")
    assert table_of_trim[-1].strip() == "and 12 more that are more accurate"


def test_shares_align():
    assert percent(0.9) == "90.00 %"
