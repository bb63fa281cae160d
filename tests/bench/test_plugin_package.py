"""The package that the README's "Add your own driver" prints: installed, its own tests, and a run that uses it."""

import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PACKAGE = Path(__file__).parent / "plugin_package"
PRINTED = {"pyproject.toml": "toml", "bench_seven.py": "python", "test_bench_seven.py": "python"}


@pytest.fixture(scope="module")
def installed(tmp_path_factory):
    """Write the files as the README prints them, with what an installer writes beside them: their entry points."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    chapter = readme.partition("\n## Add your own driver\n")[2].partition("\n## ")[0]
    folder = tmp_path_factory.mktemp("site")
    for name, language in PRINTED.items():
        found = re.search(rf"^`{name}`:?$\n\n```{language}\n(.*?)```", chapter, flags=re.MULTILINE | re.DOTALL)
        assert found is not None, f"the README does not print {name}"
        (folder / name).write_text(found[1], encoding="utf-8")
    project = tomllib.loads((folder / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    about = folder / f"{project['name'].replace('-', '_')}-{project['version']}.dist-info"
    about.mkdir()
    (about / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {project['name']}\nVersion: {project['version']}\n")
    lines = [
        f"[{group}]\n{key} = {value}\n" for group, of in project["entry-points"].items() for key, value in of.items()
    ]
    (about / "entry_points.txt").write_text("".join(lines))
    return folder


def called(folder, *arguments, cwd=None, fails=False):
    places = [str(folder), str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
    done = subprocess.run(
        [sys.executable, *arguments],
        cwd=cwd or folder,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(places)},
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert "Traceback" not in done.stderr
    return done


@pytest.mark.parametrize("name", PRINTED)
def test_the_readme_prints_the_package_letter_for_letter(installed, name):
    assert (installed / name).read_text(encoding="utf-8") == (PACKAGE / name).read_text(encoding="utf-8")


def test_the_package_passes_the_contract_as_the_readme_shows_it(installed):
    done = called(installed, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", str(installed))
    assert done.returncode == 0, done.stdout
    assert "14 passed" in done.stdout


@pytest.fixture
def desk(tmp_path):
    shutil.copytree(ROOT / "plans", tmp_path / "desk", ignore=shutil.ignore_patterns("__pycache__", "results"))
    bench = tmp_path / "desk" / "quickstart_bench.yaml"
    text = bench.read_text(encoding="utf-8")
    assert "driver: scpi-meter" in text
    bench.write_text(text.replace("driver: scpi-meter", "driver: bench-seven"), encoding="utf-8")
    return tmp_path / "desk"


def cornerrun(folder, desk, *arguments):
    return called(folder, "-c", "from cornerrun.cli.main import main; main()", *arguments, cwd=desk)


def test_a_run_measures_through_the_installed_driver(installed, desk):
    with_built_in = desk / "built_in_bench.yaml"
    text = (desk / "quickstart_bench.yaml").read_text(encoding="utf-8")
    with_built_in.write_text(text.replace("driver: bench-seven", "driver: scpi-meter"), encoding="utf-8")
    assert cornerrun(installed, desk, "preflight", "quickstart.yaml").returncode == 0
    errors_v = {}
    for driver, bench in (("bench-seven", "quickstart_bench.yaml"), ("scpi-meter", "built_in_bench.yaml")):
        done = cornerrun(installed, desk, "run", "quickstart.yaml", "--serial", "1", "--bench", bench)
        assert done.returncode == 1, "the quickstart's board has trouble planted in it"
        report = json.loads(cornerrun(installed, desk, "report", "--json").stdout)
        levels = {(trim["rail"], level["level"]): level for trim in report["trim"] for level in trim["levels"]}
        errors_v[driver] = {name: level["mean_error_v"] for name, level in levels.items()}
    assert len(errors_v["bench-seven"]) >= 8
    # The driver of the package reads in the 10 V range, so offsets of tens of microvolts may lie between the two.
    assert errors_v["bench-seven"] == pytest.approx(errors_v["scpi-meter"], abs=150e-6)


def test_without_the_package_the_driver_is_unknown(desk, tmp_path):
    done = cornerrun(tmp_path, desk, "run", "quickstart.yaml", "--serial", "1")
    assert done.returncode == 2
    assert "no meter driver is called 'bench-seven'; known are" in done.stderr
