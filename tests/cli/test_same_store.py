"""Same store, same cells: reports hold nothing but what the store holds, whoever makes them, where and when."""

import io
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path
from zipfile import ZipFile

import openpyxl
import pytest

VOLATILE = {"stdout of stress": "a run that was killed, and that nobody has closed, counts until now"}
"""What differs between two reports of one store, and why: files, parts and cells by name."""

LATER_CLOCK = Path(__file__).with_name("later_clock.py")
YEARS_S = 1.3 * 365 * 86400
HERE = {"PYTHONHASHSEED": "1", "TZ": "UTC", "LOGNAME": "one", "COLUMNS": "200"}
ELSEWHERE = {"PYTHONHASHSEED": "4711", "TZ": "Asia/Kathmandu", "LOGNAME": "another", "COLUMNS": "40", "LC_ALL": "C"}


def call(shift_s, *commands, cwd=None, env=None):
    words = [str(word) for command in commands for word in ("--then", *command)][1:]
    return subprocess.run(
        [sys.executable, LATER_CLOCK, str(shift_s), *words],
        cwd=cwd,
        env={**os.environ, **(env or {})},
        capture_output=True,
        check=True,
        timeout=120,
    ).stdout


def reports(results, folder, runs, *, shift_s, **options):
    """Write every kind of report into a folder; return each by its name."""
    folder.mkdir()
    store = ("--results", results)
    files = ("--out", folder / "run.xlsx", "--page", folder / "run.html", "--junit", folder / "run.xml")
    tables = ("--csv", folder / "csv", "--figures", folder / "figures")
    compared = ("--page", folder / "compared.html", "--workbook", folder / "compared.xlsx")
    boards = ("--page", folder / "boards.html", "--figures", folder / "boards")
    said = call(
        shift_s,
        ("report", runs[1], *store, "--json", *files, *tables),
        ("report", runs[1], *store),
        ("compare", *runs, *store, "--json", *compared),
        ("compare", *runs, *store),
        ("boards", *store, "--json", *boards),
        ("boards", *store),
        **options,
    )
    stress = call(shift_s, ("stress", "00123", *store), **options)
    call(0, ("report", runs[1], *store, "--parquet", folder / "parquet"), **options)
    written = {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    return {"stdout": said, "stdout of stress": stress, **written}


def pieces(found):
    """Take workbooks apart, so that what differs has a name: each part, each cell's formula and its cached value."""
    apart = dict(found)
    for name, content in found.items():
        if not name.endswith(".xlsx"):
            continue
        with ZipFile(io.BytesIO(content)) as package:
            apart |= {f"{name}: {part.filename}": (part.date_time, package.read(part)) for part in package.infolist()}
        for kind, data_only in (("value", True), ("formula", False)):
            for sheet in openpyxl.load_workbook(io.BytesIO(content), data_only=data_only):
                for cell in (cell for row in sheet.iter_rows() for cell in row if cell.value is not None):
                    text = getattr(cell.value, "text", cell.value)
                    apart[f"{name}: {kind} of {sheet.title}!{cell.coordinate}"] = text
    return apart


def kill(store, run_id):
    """Make the run one that was killed at its second visit."""
    with closing(sqlite3.connect(store)) as connection, connection:
        connection.execute(
            "UPDATE runs SET ended_utc = NULL, result = NULL, end_state = NULL WHERE run_id = ?", [run_id]
        )
        connection.execute("DELETE FROM visits WHERE run_id = ? AND visit >= 1", [run_id])
        connection.execute("DELETE FROM intents WHERE run_id = ? AND ordinal > 1", [run_id])


def test_the_later_clock_is_later():
    assert [float(word) for word in call("1e6", ("now",)).split()] == pytest.approx([1e6, 1e6], abs=60)


def test_the_same_store_gives_the_same_cells_and_bytes_in_every_format(cornerrun, desk, tmp_path):
    for seed in ("2", "3", "4"):
        run = ("run", "quickstart.yaml", "--serial", "00123", "--seed", seed, "--no-workbook")
        assert cornerrun(*run).code == 1
    runs = [run["run"] for run in cornerrun("runs", "--json").data]
    kill(desk / "results" / "runs.sqlite", runs.pop())
    away = tmp_path / "away"
    away.mkdir()
    here = pieces(reports("results", tmp_path / "here", runs, shift_s=0, cwd=desk, env=HERE))
    there = pieces(reports(desk / "results", tmp_path / "there", runs, shift_s=YEARS_S, cwd=away, env=ELSEWHERE))
    assert {Path(name).suffix for name in here} >= {".xlsx", ".html", ".xml", ".csv", ".svg", ".png", ".parquet"}
    assert len([name for name in here if " of Readings!" in name]) > 500
    different = {name for name in here | there if here.get(name) != there.get(name)}
    assert different == VOLATILE.keys()
