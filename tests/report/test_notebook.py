import html
import re
import subprocess
import sys

import pytest
from large_run import a_large_run
from run_example import a_baseline, a_recipe

import cornerrun
from cornerrun.errors import StoreError, UsageError
from cornerrun.report.notebook import RunView
from cornerrun.results.store import Store


@pytest.fixture
def results(tmp_path):
    data = a_large_run(rails=3, corners=9)
    with Store.open(tmp_path / "runs.sqlite") as store:
        store.begin_run(data.run, a_recipe(data.run.run_id), a_baseline())
        for record in data.visits:
            store.finish_visit(data.run.run_id, record)
    return tmp_path


def test_a_run_is_loaded_by_name_prefix_or_as_the_last(results):
    for name in ("last", "large-00123-1", "large"):
        view = cornerrun.load_run(name, results=results)
        assert view.data.run.run_id == "large-00123-1"
    assert len(view.data.visits) == 9
    assert cornerrun.load_run(store=f"sqlite:///{results / 'runs.sqlite'}").data == view.data


def test_a_notebook_shows_the_page_in_a_frame_of_its_own(results):
    view = cornerrun.load_run(results=results)
    shown = view._repr_html_()
    inside = html.unescape(re.search(r'srcdoc="([^"]*)"', shown)[1])
    assert inside == view.page
    assert 'sandbox="allow-scripts"' in shown


def test_figures_tables_and_numbers_are_at_hand(results):
    view = cornerrun.load_run(results=results)
    assert view.figures["corners"]._repr_svg_().startswith("<?xml")
    assert len(view.tables["readings"]) == 27
    assert view.summary.tally.corners_run == 9


def test_a_hostile_serial_cannot_leave_the_frame():
    shown = RunView(a_large_run(rails=2, corners=2, serial='"><script>alert(1)</script>\x00'))._repr_html_()
    assert "<script>" not in shown
    assert shown.count('"') == 8


def test_a_folder_without_a_store_and_a_run_that_is_not_there_say_so(results, tmp_path):
    with pytest.raises(StoreError, match="no run has been kept"):
        cornerrun.load_run(results=tmp_path / "nowhere")
    with pytest.raises(UsageError, match="nope"):
        cornerrun.load_run("nope", results=results)


def test_importing_the_package_imports_nothing_heavy():
    code = "import cornerrun, sys; print([n for n in ('pandas', 'sqlalchemy', 'jinja2', 'numpy') if n in sys.modules])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=True, text=True).stdout == "[]\n"


def test_an_unknown_public_name_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        cornerrun.nothing  # noqa: B018
