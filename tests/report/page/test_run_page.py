import re

import pytest
from invented_run import NAMES, a_plan, a_run_of, a_visit, good_visits, steps_of
from large_run import a_large_plan, a_large_run

from cornerrun.errors import ReportError
from cornerrun.plan.serial import plan_to_json
from cornerrun.report.page.run_page import run_page, write_page
from cornerrun.report.page.visits import embedded, visit_data


def test_the_page_holds_all_that_it_needs():
    page = run_page(a_large_run(rails=4, corners=6))
    assert not re.findall(r"""(?:src|href)=["'](?!#)""", page)
    assert "@import" not in page
    assert "url(" not in page
    assert "default-src 'none'" in page


def test_the_same_run_gives_the_same_page():
    assert run_page(a_large_run(rails=4, corners=6)) == run_page(a_large_run(rails=4, corners=6))


def test_the_result_comes_before_the_map_and_the_map_before_everything_else():
    page = run_page(a_large_run(rails=4, corners=12))
    order = [
        page.index(f'id="{name}"') for name in ("result", "map", "checks", "trim", "rails", "coverage", "with-what")
    ]
    assert order == sorted(order)


def test_every_section_of_a_run_with_trouble_is_there():
    page = run_page(a_large_run(rails=6, corners=60))
    for name in ("failed", "map", "checks", "causes", "trim", "rails", "faults", "interaction", "coverage", "cautions"):
        assert f'<section id="{name}"' in page


def test_a_run_without_meter_says_that_accuracy_is_not_measured():
    plan = a_plan()
    visits = [a_visit(plan, step, with_meter=False) for step in steps_of(NAMES)]
    page = run_page(a_run_of(visits, plan_json=plan_to_json(plan), instruments=()))
    assert "Not measured: no reference meter read a rail." in page


def test_a_run_that_was_killed_before_its_first_visit_has_a_page():
    plan = a_plan()
    page = run_page(a_run_of((), result=None, end_state=None, plan_json=plan_to_json(plan)))
    assert "INCOMPLETE" in page
    assert "not visited" in page


def test_hostile_names_are_text():
    plan = a_plan(title="<script>alert(1)</script>")
    page = run_page(a_run_of(good_visits(plan), plan_json=plan_to_json(plan), title=plan.title, serial="<b>\x00&"))
    assert "<script>alert(1)" not in page
    assert "&lt;script&gt;alert(1)" in page
    assert "\x00" not in page


def test_embedded_data_cannot_end_its_script():
    text = embedded({"a": "</script><!--&\u2028"})
    assert not set(text) & set("<>&\u2028")


def test_a_run_too_large_for_a_page_keeps_readings_of_what_did_not_pass(monkeypatch):
    monkeypatch.setattr("cornerrun.report.page.visits._MOST_READINGS", 40)
    run = a_large_run(rails=4, corners=12)
    visits = visit_data(a_large_plan(4), run)["visits"]
    kept = {visit["o"] for visit in visits if "rd" in visit}
    assert "pass" not in kept
    assert kept
    assert all(visit.get("cut") for visit in visits if "rd" not in visit)


def test_a_page_that_cannot_be_written_says_where(tmp_path):
    with pytest.raises(ReportError, match="the page cannot be written"):
        write_page(a_large_run(rails=2, corners=2), tmp_path / "missing" / "page.html")
