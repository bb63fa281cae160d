import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import pytest

from cornerrun.bench.simulated.checks import board_of, numbers, trial
from cornerrun.errors import CheckError

FILE = """
format: 1
rails: [{name: CORE, nominal: 0.85 V}]
board: {checks: {march: {thresholds: [{rail: CORE, below: 0.80 V, spread: 4 mV}]}}}
population: {weak: {returned: {serials: ["666"], thresholds: {march: 40 mV}}}}
"""


@dataclass(frozen=True)
class Rail:
    best_v: float


@dataclass(frozen=True, kw_only=True)
class View:
    directory: Path
    core_v: float = 0.85
    check: str = "march"
    serial: str = "00123"
    conditions: Mapping[str, float] = field(default_factory=dict)
    visit: int = 0
    trial: int = 0
    seed: int = 1
    settings: Mapping[str, str] = field(default_factory=lambda: {"simulation": "board.yaml"})
    board: Mapping[str, str] = field(default_factory=dict)

    @property
    def readings(self) -> Mapping[str, Rail]:
        return {"CORE": Rail(self.core_v)}


@pytest.fixture
def view(tmp_path: Path) -> View:
    (tmp_path / "board.yaml").write_text(FILE)
    return View(directory=tmp_path)


def test_a_check_of_the_package_asks_the_board_by_its_name(view: View) -> None:
    assert trial(view)
    assert not trial(replace(view, core_v=0.75))


def test_numbers_tell_failures_and_slack(view: View) -> None:
    assert numbers(view) == {"failures": 0.0, "slack": 12.5}
    assert numbers(replace(view, core_v=0.75))["failures"] == 1.0


def test_the_unit_is_the_one_of_the_serial_number(view: View) -> None:
    assert trial(replace(view, core_v=0.82))
    assert not trial(replace(view, core_v=0.82, serial="666"))


def test_a_bench_in_this_process_names_the_file_itself(view: View) -> None:
    told = replace(view, settings={}, board={"simulation": str(view.directory / "board.yaml")})
    assert board_of(told) == board_of(view)


def test_where_nothing_names_the_file_it_says_what_to_write(view: View) -> None:
    with pytest.raises(CheckError, match=r"add `settings: \{simulation: FILE\.yaml\}`"):
        trial(replace(view, settings={}))


@pytest.mark.parametrize("state", ["off", "booting"])
def test_a_board_that_is_not_up_passes_nothing(view: View, state: str) -> None:
    assert not trial(replace(view, board={"state": state}))


HANGS = """
from pathlib import Path
from cornerrun.bench.simulated.checks import trial
from types import SimpleNamespace as N
trial(N(settings={settings}, board={board}, check="march", directory=Path("."), serial=""))
"""


@pytest.mark.parametrize(
    ("settings", "board"), [({}, {"state": "hung"}), ({"through": "console"}, {"state": "up", "console": "lost"})]
)
def test_a_board_that_hangs_gives_no_answer(settings: dict[str, str], board: dict[str, str]) -> None:
    with pytest.raises(subprocess.TimeoutExpired):
        subprocess.run([sys.executable, "-c", HANGS.format(settings=settings, board=board)], timeout=2.0, check=False)
