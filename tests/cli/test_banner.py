from dataclasses import replace
from pathlib import Path

import pytest

from cornerrun.cli.banner import banner
from cornerrun.corners.choose import chosen
from cornerrun.corners.select import select
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.plan.model import Proof

PLANS = Path(__file__).parents[2] / "plans"


@pytest.fixture
def plan():
    return load_plan(PLANS / "quickstart.yaml")


@pytest.fixture
def bench_file():
    return load_bench(PLANS / "quickstart_bench.yaml")


def corners_of(plan, *names):
    selection = select(plan)
    return chosen(plan, selection, names) if names else selection.corners


def squeezed(text):
    return text.replace("  ", "")


def test_a_simulated_bench_is_called_so_in_large(plan, bench_file):
    assert "SIMULATED" in squeezed(banner(plan, bench_file, serial="1", corners=corners_of(plan), visits=20))


def test_hardware_is_called_so_and_brings_the_cautions(plan, bench_file):
    text = banner(plan, replace(bench_file, kind="hardware"), serial="1", corners=corners_of(plan), visits=20)
    assert "HARDWARE" in squeezed(text)
    assert "Not a safety device" in text
    assert "Local codes and licensed practice rule" in text


def test_each_moved_rail_shows_volts_and_share_of_the_hard_limit(plan, bench_file):
    text = banner(plan, bench_file, serial="1", corners=corners_of(plan), visits=20)
    # VDD_CORE: 850 mV less 5 % is 42.5 mV of the 70 mV to its hard limit of 780 mV.
    line = next(line for line in text.splitlines() if "VDD_CORE" in line)
    assert "807.5 mV (61%)" in line
    assert "780 mV to 920 mV" in line
    assert "follows VDDQ" in text
    assert "VDD_AUX" not in text, "a rail that is never moved is none of those to be moved"


def test_the_banner_says_where_the_board_will_be_left(plan, bench_file):
    assert "Ends at nominal, verified" in banner(plan, bench_file, serial="1", corners=corners_of(plan), visits=20)


def test_the_banner_fits_a_terminal_of_a_hundred_columns(plan, bench_file):
    forty = load_plan(PLANS / "forty_rails.yaml")
    for one in (plan, forty):
        assert (
            max(map(len, banner(one, bench_file, serial="1", corners=corners_of(one), visits=192).splitlines())) <= 100
        )


def test_only_rails_and_levels_that_the_visits_reach_are_announced(plan, bench_file):
    one = banner(plan, bench_file, serial="1", corners=corners_of(plan, "VDDQ low"), visits=1)
    assert "1 visit\n" in one
    assert "Moves 2 of 6 rails" in one, "VDDQ and VTT, which follows it"
    assert "VDD_CORE" not in one
    assert [line.split()[3] for line in one.splitlines() if line.startswith("  VDDQ ")] == ["1.14"]
    assert "1.26 V" not in one, "it never goes high"


def test_a_level_beyond_the_margin_shows_only_where_a_visit_goes_there(plan, bench_file):
    assert "1.674 V" in banner(plan, bench_file, serial="1", corners=corners_of(plan, "io to the limit"), visits=1)
    assert "1.674 V" not in banner(plan, bench_file, serial="1", corners=corners_of(plan, "all low"), visits=1)


def test_the_steps_of_the_wiring_proof_are_announced_too(plan, bench_file):
    proven = replace(plan, proof=Proof(step_ratio=0.02))
    assert "steps by 2 % of nominal" in banner(proven, bench_file, serial="1", corners=corners_of(plan), visits=1)
    assert "proof" not in banner(plan, bench_file, serial="1", corners=corners_of(plan), visits=1)
