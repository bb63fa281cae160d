from dataclasses import replace
from pathlib import Path

import pytest

from cornerrun.cli.banner import banner
from cornerrun.plan.load import load_bench, load_plan

PLANS = Path(__file__).parents[2] / "plans"


@pytest.fixture
def plan():
    return load_plan(PLANS / "quickstart.yaml")


@pytest.fixture
def bench_file():
    return load_bench(PLANS / "quickstart_bench.yaml")


def squeezed(text):
    return text.replace("  ", "")


def test_a_simulated_bench_is_called_so_in_large(plan, bench_file):
    assert "SIMULATED" in squeezed(banner(plan, bench_file, serial="1", visits=20))


def test_hardware_is_called_so_and_brings_the_cautions(plan, bench_file):
    text = banner(plan, replace(bench_file, kind="hardware"), serial="1", visits=20)
    assert "HARDWARE" in squeezed(text)
    assert "Not a safety device" in text
    assert "Local codes and licensed practice rule" in text


def test_each_moved_rail_shows_volts_and_share_of_the_hard_limit(plan, bench_file):
    text = banner(plan, bench_file, serial="1", visits=20)
    # VDD_CORE: 850 mV less 5 % is 42.5 mV of the 70 mV to its hard limit of 780 mV.
    line = next(line for line in text.splitlines() if "VDD_CORE" in line)
    assert "807.5 mV (61%)" in line
    assert "780 mV to 920 mV" in line
    assert "follows VDDQ" in text
    assert "VDD_AUX" not in text, "a rail that is never moved is none of those to be moved"


def test_the_banner_says_where_the_board_will_be_left(plan, bench_file):
    assert "Ends at nominal, verified" in banner(plan, bench_file, serial="1", visits=20)


def test_the_banner_fits_a_terminal_of_a_hundred_columns(plan, bench_file):
    forty = load_plan(PLANS / "forty_rails.yaml")
    for one in (plan, forty):
        assert max(map(len, banner(one, bench_file, serial="1", visits=192).splitlines())) <= 100
