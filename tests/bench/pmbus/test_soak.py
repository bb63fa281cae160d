"""A short soak at 1 % bus faults of every kind; the long one is `python tests/benchmarks/soak_pmbus.py`."""

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "benchmarks"))

from soak_pmbus import KINDS, RATE, Soak
from soak_runs import soak_runs


@pytest.mark.parametrize(("page_plus", "gap"), [(False, "never"), (True, "also")])
def test_no_wrong_reading_and_no_write_to_another_rail_at_one_per_cent_of_faults(
    tmp_path: Path, page_plus: bool, gap: str
) -> None:
    tally = Soak(tmp_path, seed=7, page_plus=page_plus, gap=gap).run(12_000)
    assert tally.messages >= 12_000
    assert tally.faults.total() >= 0.7 * RATE * tally.messages
    assert set(tally.faults) == set(KINDS)
    assert (tally.wrong_readings, tally.strays, tally.beyond_limits, tally.unsafe) == (0, 0, 0, 0), tally.problems
    assert tally.readings > 1000


def test_every_write_that_goes_astray_in_the_gap_of_plain_page_is_found(tmp_path: Path) -> None:
    tally = Soak(tmp_path, seed=7, page_plus=False, gap="only", kinds=KINDS[14:15], rate=0.3).run(12_000)
    assert tally.strays > 0
    assert tally.strays_found == tally.strays
    assert (tally.wrong_readings, tally.unsafe) == (0, 0), tally.problems


def test_the_soak_itself_sees_a_wrong_reading_and_a_stray(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from cornerrun.bench.pmbus.paging import PagedDevice

    # A driver that never verifies PAGE must be caught by the soak, or the soak proves nothing.
    monkeypatch.setattr(PagedDevice, "_verify", lambda self, page: setattr(self, "_is_verified", True))
    # Nor does it write limits: on a wrong page they would end the soak before anything is read.
    tally = Soak(
        tmp_path, seed=7, page_plus=False, gap="also", kinds=KINDS[14:15], rate=0.05, keeps_limits="a broken driver"
    ).run(6_000)
    assert tally.wrong_readings > 0


def test_whole_runs_finish_or_stop_safe_and_say_why(tmp_path: Path) -> None:
    tally = soak_runs(tmp_path, messages=4_000, seed=5)
    assert tally.runs >= 1
    assert tally.lies == []
    assert tally.mute == 0
