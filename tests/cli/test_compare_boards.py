import json

import pytest

from cornerrun.cli.main import main


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    import shutil
    from pathlib import Path

    folder = tmp_path_factory.mktemp("boards")
    for path in (Path(__file__).parents[2] / "plans").glob("quickstart*"):
        shutil.copy(path, folder)
    for serial, seed, only in (("00001", 1, "all low"), ("00002", 2, "all *"), ("00002", 3, "all *")):
        arguments = ["run", str(folder / "quickstart.yaml"), "--serial", serial, "--seed", str(seed), "--only", only]
        with pytest.raises(SystemExit):
            main([*arguments, "--results", str(folder / "results"), "--no-workbook"])
    return folder


@pytest.fixture
def call(bench, capsys):
    def run(*arguments):
        with pytest.raises(SystemExit) as ended:
            main([*map(str, arguments), "--results", str(bench / "results")])
        captured = capsys.readouterr()
        return ended.value.code, captured.out, captured.err

    return run


def _runs(call):
    return [item["run"] for item in json.loads(call("runs", "--json")[1])]


def test_two_runs_are_compared_in_the_terminal_on_a_page_and_in_a_workbook(call, tmp_path):
    newest, _, oldest = _runs(call)
    page, book = tmp_path / "new" / "page.html", tmp_path / "new" / "book.xlsx"
    code, out, _ = call("compare", oldest[:6], newest[:6], "--page", page, "--workbook", book)
    assert code == 0
    assert "00001" in out
    assert "00002" in out
    assert "Checks at corners" in out
    assert 'id="comparison"' in page.read_text(encoding="utf-8")
    assert book.stat().st_size > 10_000


def test_a_comparison_is_there_for_programs(call):
    newest, before, _ = _runs(call)
    code, out, _ = call("compare", before, newest, "--json")
    assert code == 0
    found = json.loads(out)
    assert found["a"]["header"]["run_id"] == before
    assert {"corners", "checks", "trim", "margins", "cautions", "worse"} <= set(found)


def test_an_unknown_run_is_named(call):
    code, _, err = call("compare", "nope", "last")
    assert code == 2
    assert "nope" in err


def test_many_runs_come_together_by_board(call, tmp_path):
    code, out, _ = call("boards", "--page", tmp_path / "b" / "boards.html", "--figures", tmp_path / "figures")
    assert code == 0
    assert "2 boards in 3 runs" in out
    assert (tmp_path / "b" / "boards.html").exists()


def test_a_hold_is_no_run_of_a_plan(call, bench, tmp_path):
    import shutil

    shutil.copytree(bench / "results", tmp_path / "results")
    for command in (
        ["goto", str(bench / "quickstart.yaml"), "all low", "--hold", "1s", "--serial", "00001"],
        ["boards", "--json", "--page", str(tmp_path / "boards.html")],
    ):
        with pytest.raises(SystemExit) as ended:
            main([*command, "--results", str(tmp_path / "results")])
        assert ended.value.code == 0
    page = (tmp_path / "boards.html").read_text(encoding="utf-8")
    assert "hold at" not in page
    assert "3 runs" in page


@pytest.mark.parametrize(
    ("filters", "runs"),
    [
        (["--serial", "00002"], 2),
        (["--serial", "00001", "--serial", "00002"], 3),
        (["--plan", "quickstart.yaml"], 3),
        (["--plan", "Tide-gauge node, quick margin screen"], 3),
        (["--station", "desk"], 3),
        (["--since", "2020-01-01", "--until", "2999-12-31"], 3),
    ],
)
def test_runs_are_chosen_by_what_is_asked(call, filters, runs):
    code, out, _ = call("boards", *filters, "--json")
    assert code == 0
    assert json.loads(out)["runs"] == runs


@pytest.mark.parametrize(
    "filters", [["--serial", "nobody"], ["--plan", "other"], ["--station", "x"], ["--until", "2020-01-01"]]
)
def test_a_choice_that_fits_nothing_says_so(call, filters):
    code, _, err = call("boards", *filters)
    assert code == 2
    assert "fits" in err
