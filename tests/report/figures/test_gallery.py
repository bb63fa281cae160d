from dataclasses import replace

import pytest
from invented_run import a_plan, a_run_of, good_visits
from large_run import a_large_run
from lxml import etree

from cornerrun.plan.serial import plan_from_json
from cornerrun.report.drawing import Ink, Mark
from cornerrun.report.figures.gallery import figures, write_figures
from cornerrun.report.figures.pareto import causes
from cornerrun.report.figures.rows import RowPlot, ticks
from cornerrun.report.summary import summarise
from cornerrun.results.records import Outcome


def _all(run):
    plan = plan_from_json(run.run.plan_json)
    return figures(plan, summarise(run, plan=plan), run)


def test_a_run_with_trouble_has_every_figure():
    assert set(_all(a_large_run(rails=6, corners=60))) == {
        "corners",
        "pass-shares",
        "causes",
        "trim-error",
        "achieved-voltage",
        "settling",
        "faults",
        "interaction",
    }


def test_a_figure_without_anything_to_show_is_left_out():
    plan = a_plan()
    run = a_run_of(good_visits(plan))
    drawn = figures(plan, summarise(run, plan=plan), run)
    assert "causes" not in drawn
    assert "interaction" not in drawn


def test_figures_are_written_as_svg_and_png_and_each_svg_is_well_formed(tmp_path):
    run = a_large_run(rails=5, corners=30)
    plan = plan_from_json(run.run.plan_json)
    written = write_figures(plan, summarise(run, plan=plan), run, tmp_path / "new" / "folder")
    assert {path.suffix for path in written} == {".svg", ".png"}
    for path in written:
        if path.suffix == ".svg":
            etree.parse(path)


def test_a_name_of_a_rail_never_becomes_a_file_name(tmp_path):
    run = a_large_run(rails=2, corners=3, serial="../../etc/passwd\n")
    plan = plan_from_json(run.run.plan_json)
    written = write_figures(plan, summarise(run, plan=plan), run, tmp_path)
    assert all(path.parent == tmp_path for path in written)


def test_a_value_beyond_the_axis_stands_at_its_end_with_an_arrow():
    plot = RowPlot(names=["a"], low=0, high=1, axis="x")
    plot.mark(0, 5.0, Mark(x=0, y=0, ink=Ink.INK))
    drawing = plot.drawing(title="t", about="a")
    mark = next(shape for shape in drawing.shapes if isinstance(shape, Mark))
    assert mark.x == plot.x(1.0)
    assert any(getattr(shape, "text", "") == ">" for shape in drawing.shapes)


@pytest.mark.parametrize(("low", "high"), [(0.0, 1.0), (-0.3, 0.3), (1e-9, 3e-9), (5.0, 5.0), (-1e6, 2e6)])
def test_ticks_are_round_and_within_the_axis(low, high):
    found = ticks(low, high)
    assert 1 <= len(found) <= 12
    assert all(low - 1e-9 * abs(low) <= value <= high + 1e-9 * abs(high) for value in found)


def test_a_visit_counts_once_for_each_cause_and_void_visits_for_none():
    run = a_large_run(rails=4, corners=30)
    bad = [r for r in run.visits if r.visit.outcome is Outcome.FAIL_FUNCTIONAL]
    found = {(cause.name, cause.outcome): cause.visits for cause in causes(run)}
    assert found["check 0", Outcome.FAIL_FUNCTIONAL] == len(bad)
    void = tuple(replace(r, visit=replace(r.visit, is_void=True)) for r in run.visits)
    assert causes(replace(run, visits=void)) == ()


def test_a_trip_is_charged_to_the_rail_where_it_began():
    run = a_large_run(rails=4, corners=60)
    began = {fault.originator for record in run.visits for fault in record.faults}
    tripped = {cause.name for cause in causes(run) if cause.outcome is Outcome.TRIPPED}
    assert tripped == began
