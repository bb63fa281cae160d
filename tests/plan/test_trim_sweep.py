from pathlib import Path

import pytest

from cornerrun.plan.load import load_plan
from cornerrun.plan.serial import plan_from_json, plan_to_json
from cornerrun.plan.trim_levels import is_trim_level, trim_names
from cornerrun.plan.trim_model import Declared, TrimSweep, WarmUp


def _load(plan_text, trim, old="", new=""):
    assert old in plan_text
    Path("plan.yaml").write_text(plan_text.replace(old, new, 1) + f"trim: {trim}\n", encoding="utf-8")
    return load_plan(Path("plan.yaml"))


@pytest.fixture(autouse=True)
def _here(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


def test_setpoints_reach_as_far_as_the_rails_own_levels(plan_text):
    plan = _load(plan_text, "{}")
    assert plan.trim == TrimSweep(
        rails=("CORE", "SRAM", "DDR", "IO"),
        levels=("trim -2", "trim -1", "nominal", "trim +1", "trim +2"),
        repeats=3,
        together=True,
    )
    io = plan.rail("IO").levels
    assert [io[level] for level in plan.trim.levels] == pytest.approx([1.674, 1.737, 1.80, 1.845, 1.89])
    assert plan.rail("SRAM").levels["trim -2"] == pytest.approx(0.873)


def test_a_span_holds_for_every_rail(plan_text):
    plan = _load(plan_text, "{setpoints: 7, span: {low: 2 %, high: 3 %}, rails: [logic], repeats: 2, together: false}")
    assert plan.trim.rails == ("CORE", "SRAM")
    assert not plan.trim.together
    core = plan.rail("CORE").levels
    assert [core[level] for level in trim_names(7)] == pytest.approx(
        [0.85 * (1 + x) for x in (-0.02, -0.04 / 3, -0.02 / 3, 0, 0.01, 0.02, 0.03)]
    )
    assert not any(is_trim_level(level) for level in plan.rail("IO").levels)


def test_rails_that_follow_have_the_setpoints_of_their_leader(plan_text):
    plan = _load(plan_text, "{rails: [DDR]}")
    assert plan.rail("VTT").levels["trim +2"] == pytest.approx(0.63)
    assert not any(is_trim_level(level) for level in plan.rail("AUX").levels)


def test_warm_up_and_declared_parts_are_in_si_units_and_survive_the_store(plan_text):
    trim = (
        "{warm_up: {drift: 0.01 %, over: 2 min, timeout: 1 h}, "
        "declared: [{name: ground offset, half_width: 0.2 mV}, {name: sense drop, half_width: 1 mV, rails: [logic]}]}"
    )
    plan = _load(plan_text, trim)
    assert plan.trim.warm_up == WarmUp(drift_ratio=1e-4, over_s=120.0, timeout_s=3600.0)
    assert plan.trim.declared == (
        Declared(name="ground offset", half_width_v=2e-4),
        Declared(name="sense drop", half_width_v=1e-3, rails=("CORE", "SRAM")),
    )
    assert plan_from_json(plan_to_json(plan)) == plan


def test_a_plan_without_the_section_has_no_setpoints(plan_text):
    Path("plan.yaml").write_text(plan_text, encoding="utf-8")
    plan = load_plan(Path("plan.yaml"))
    assert plan.trim is None
    assert not any(is_trim_level(level) for rail in plan.rails for level in rail.levels)


@pytest.mark.parametrize(
    ("trim", "message"),
    [
        ("{setpoints: 4}", "trim.setpoints: 4 setpoints have none in the middle; write 5: nominal is one of them"),
        ("{setpoints: 1}", "trim.setpoints: "),
        ("{span: 5}", "trim.span: '5' has no unit"),
        ("{span: {}}", "trim.span: has no value; write it like '5 %' or {low: 3 %, high: 5 %}"),
        ("{span: {high: 8.5 %}}", "trim.span: trim +2 of CORE at 922.25 mV"),
        ("{rails: [CORR]}", "trim.rails[0]: no rail or group is called 'CORR'; did you mean 'CORE'?"),
        ("{rails: [VTT]}", "trim.rails[0]: VTT follows DDR by hardware; name DDR instead"),
        ("{rails: [AUX]}", "trim.rails[0]: AUX is never moved; leave it out, or give it a margin"),
        ("{rails: [IO, IO]}", "trim.rails[1]: 'IO' is named twice; name it once"),
        ("{warm_up: {drift: 1 %, over: 2 min, timeout: 1 min}}", "times out before its drift can be told"),
        ("{declared: [{name: x, half_width: 1 mV, rails: [NIX]}]}", "no rail or group is called 'NIX'"),
        ("{declared: [{name: x, half_width: -1 mV}]}", "trim.declared[x].half_width: '-1 mV' is out of range"),
        ("{repeat: 3}", "unknown key 'repeat'; did you mean 'repeats'?"),
        ("[1]", "trim"),
    ],
)
def test_each_mistake_says_what_to_write(broken, trim, message):
    lines = broken("criteria:", f"trim: {trim}\ncriteria:")
    assert any(message in line for line in lines), lines


def test_one_span_too_wide_is_one_problem_a_rail(broken):
    lines = broken("criteria:", "trim: {span: {high: 8.5 %}}\ncriteria:")
    assert len(lines) == len({line.split(" of ")[1].split()[0] for line in lines})


def test_without_the_section_a_level_may_have_any_name(broken):
    assert broken("low7: -7 %", "trim -1: -7 %") == []


def test_the_name_of_a_setpoint_is_taken_where_the_section_is(plan_text):
    with pytest.raises(Exception, match="'trim -1' is a name that 'trim' gives its setpoints"):
        _load(plan_text, "{}", "low7: -7 %", "trim -1: -7 %")
