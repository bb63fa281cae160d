"""What holds only at some levels of a condition: read, checked, and combined where several conditions say it."""

from pathlib import Path

import jsonschema
import pytest
from ruamel.yaml import YAML

from cornerrun.plan.load import load_plan
from cornerrun.plan.model import Acceptance, ForbiddenAt, Settle
from cornerrun.plan.schema import schemas
from cornerrun.plan.serial import plan_from_json, plan_to_json
from tests.plan import conftest

CONDITIONS = """
conditions:
  - {name: input, levels: {low: 10.8 V, high: 13.2 V}, ramp: 2 V/s, settle_at: {low: {timeout: 3 s}}}
  - name: ambient
    levels: {cold: -20 degC, room: 25 degC, hot: 70 degC}
    ramp: 2 K/min
    cold_boot: [cold]
    rest: room
    dew_point: {temperature: 23 degC, humidity: 45 %}
    takes: 40 min
    allow: {hot: [low], cold: {logic: [high], CORE: [low]}}
    settle_at: {cold: {timeout: 5 s, stable_for: 200 ms}, hot: {CORE: {band: 1 %}}}
power_up: {order: [CORE]}
between_rails:
"""
ACCEPT = """accept: {errors: {max: 0}},
     accept_at: {ambient: {hot: {errors: {max: 2}}}, input: {low: {errors: {max: 1}, eye: {min: 3}}}}}"""


@pytest.fixture
def plan(plan_text: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(tmp_path)
    text = plan_text.replace("between_rails:\n", CONDITIONS.lstrip(), 1)
    text = text.replace("accept: {errors: {max: 0}}}", ACCEPT)
    text = text.replace(
        "voltage: {window: 1 %}", "voltage: {window: 1 %, window_at: {ambient: {cold: 2 %}, input: {low: 1.5 %}}}"
    )
    text = text.replace(
        "    - {CORE: high, SRAM: low}",
        "    - {CORE: high, SRAM: low}\n    - {CORE: high, ambient: hot}\n    - {ambient: cold, input: low}",
    )
    Path("plan.yaml").write_text(text, encoding="utf-8")
    return load_plan(Path("plan.yaml"))


def test_temperatures_stand_outermost_whatever_the_order_of_the_file(plan):
    assert [condition.name for condition in plan.conditions] == ["ambient", "input"]


def test_a_condition_is_read_in_si_units(plan):
    ambient, supply = plan.conditions
    assert ambient.ramp_per_s == pytest.approx(2 / 60)
    assert supply.ramp_per_s == 2.0
    assert (ambient.cold_boots, ambient.rest, ambient.takes_s) == (("cold",), 25.0, 2400.0)
    assert ambient.dew_point_degc == pytest.approx(10.4, abs=0.1)  # psychrometric tables, from memory
    assert (supply.cold_boots, supply.rest, supply.dew_point_degc) == ((), None, None)


def test_what_is_allowed_is_told_by_rail_its_own_name_before_its_group(plan):
    allow = plan.conditions[0].allow
    assert set(allow["hot"]) == {rail.name for rail in plan.commanded_rails}
    assert set(allow["hot"].values()) == {("low",)}
    others = set(plan.groups["logic"]) - {"CORE"}
    assert allow["cold"] == {"CORE": ("low",), **dict.fromkeys(others, ("high",))}


def test_of_several_conditions_the_longest_patience_counts(plan):
    core, base = plan.rail("CORE"), plan.rail("CORE").settle
    assert core.settle_in({}) == base
    assert core.settle_in({"ambient": "room", "input": "high"}) == base
    assert core.settle_in({"ambient": "cold", "input": "low"}) == Settle(
        band_ratio=base.band_ratio, stable_for_s=0.2, timeout_s=5.0
    )
    assert core.settle_in({"ambient": "room", "input": "low"}).timeout_s == 3.0
    assert core.settle_in({"ambient": "hot"}).band_ratio == 0.01
    assert core.longest_settle_s == 5.0


def test_of_several_conditions_only_what_all_accept_is_accepted(plan):
    link = next(check for check in plan.checks if check.accept)
    assert link.accept_in({"ambient": "room", "input": "high"}) == {"errors": Acceptance(max=0)}
    assert link.accept_in({"ambient": "hot", "input": "high"}) == {"errors": Acceptance(max=2)}
    assert link.accept_in({"ambient": "hot", "input": "low"}) == {"errors": Acceptance(max=1), "eye": Acceptance(min=3)}


def test_of_several_conditions_the_narrowest_window_counts(plan):
    criteria = plan.criteria
    assert criteria.window_in({"ambient": "room", "input": "high"}) == 0.01
    assert criteria.window_in({"ambient": "cold", "input": "high"}) == 0.02
    assert criteria.window_in({"ambient": "cold", "input": "low"}) == 0.015


def test_what_is_forbidden_may_name_conditions(plan):
    assert plan.corners.forbidden == ({"CORE": "high", "SRAM": "low"},)
    assert plan.corners.forbidden_at == (
        ForbiddenAt(levels={"CORE": "high"}, conditions={"ambient": "hot"}),
        ForbiddenAt(levels={}, conditions={"ambient": "cold", "input": "low"}),
    )


def test_the_published_schema_accepts_it(plan):
    text = (plan.directory / "plan.yaml").read_text()
    jsonschema.validate(YAML(typ="safe", pure=True).load(text), schemas()["plan"])


def test_all_of_it_comes_back_from_the_store(plan):
    assert plan_from_json(plan_to_json(plan)) == plan


AMBIENT = "conditions:\n  - {name: ambient, levels: {cold: -20 degC, hot: 70 degC}, KEY}\nbetween_rails:\n"


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("allow: {warm: [low]}", "ambient has no level 'warm'"),
        ("allow: {hot: [lwo]}", "no rail has the level 'lwo'; did you mean 'low'"),
        ("allow: {hot: {CORR: [low]}}", "'CORR'; did you mean 'CORE'"),
        ("allow: {hot: {CORE: [lwo]}}", "CORE has no level 'lwo'; did you mean 'low'"),
        ("allow: {hot: low}", "allows nothing that is known; write levels like [nominal, low]"),
        ("settle_at: {hot: {timeout: 5}}", "'5' has no unit"),
        ("settle_at: {hot: {time_out: 5 s}}", "time_out"),
        ("settle_at: {hot: {}}", "changes nothing; write figures like {timeout: 5 s}"),
        ("settle_at: {hot: {CORE: {}}}", "changes nothing"),
        ("settle_at: {hot: {timeout: 1 ms}}", "would time out after 1 ms, before 60 ms of hold can pass"),
        ("settle_at: {tepid: {timeout: 5 s}}", "ambient has no level 'tepid'"),
        ("ramp: 2 V/s", "unit 'V/s' does not fit here"),
        ("ramp: 0 K/min", "gets nowhere; write it like '3 K/min'"),
        ("rest: rooom", "or name a level: cold, hot"),
        ("rest: 5 V", "unit 'V' does not fit here"),
        ("dew_point: {temperature: 23 degC}", "tells no dew point; write it like '11 degC'"),
        ("dew_point: 5 V", "unit 'V' does not fit here"),
        ("cold_boot: true", "the board is turned off and on here, and nothing says how; write 'power_up'"),
        ("cold_boot: [cool]", "ambient has no level 'cool'"),
        ("cold_boot: often", "tells no levels; write 'cold_boot: true'"),
        ("takes: 0 s", "takes"),
    ],
)
def test_each_mistake_has_a_place_and_an_advice(broken, key, said):
    lines = broken("between_rails:\n", AMBIENT.replace("KEY", key))
    assert any(said in line for line in lines), lines
    assert all(line.startswith("plan.yaml:") for line in lines if said in line), lines


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("    - {CORE: high, SRAM: low}", "    - {ambient: warm}", "ambient has no level 'warm'"),
        ("    - {CORE: high, SRAM: low}", "    - {CORE: nominal, ambient: hot}", "forbids the nominal corner itself"),
        ("  forbidden:\n", "  conditions: [{ambeint: hot}]\n  forbidden:\n", "no condition is called 'ambeint'"),
        ("  forbidden:\n", "  conditions: [{ambient: warm}]\n  forbidden:\n", "ambient has no level 'warm'"),
        ("accept: {errors: {max: 0}}", "accept_at: {ambient: {warm: {errors: {max: 0}}}}", "has no level 'warm'"),
        ("accept: {errors: {max: 0}}", "accept_at: {ambeint: {hot: {errors: {max: 0}}}}", "no condition is called"),
        ("voltage: {window: 1 %}", "voltage: {window: 1 %, window_at: {ambient: {warm: 2 %}}}", "has no level 'warm'"),
    ],
)
def test_other_sections_name_conditions_that_are_there(broken, monkeypatch, old, new, said):
    text = conftest.PLAN.replace("between_rails:\n", AMBIENT.replace(", KEY", ""), 1)
    monkeypatch.setattr(conftest, "PLAN", text)
    lines = broken(old, new)
    assert any(said in line for line in lines), lines


def test_a_speed_of_what_has_none_is_refused(broken):
    lines = broken(
        "between_rails:\n", "conditions:\n  - {name: clock, levels: {slow: 90 MHz}, ramp: 1 K/min}\nbetween_rails:\n"
    )
    assert any("neither a temperature nor a voltage" in line for line in lines)
