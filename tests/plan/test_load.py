from pathlib import Path

import pytest

from cornerrun.errors import EXIT_PLAN, PlanProblems
from cornerrun.plan.load import load_plan, load_units
from cornerrun.plan.model import (
    AllRails,
    Covering,
    Demonstrate,
    FullFactorial,
    NamedCorner,
    Screen,
    Screening,
    SingleRail,
    SupplyOutput,
    Tracks,
)
from cornerrun.plan.power_up import Ready
from cornerrun.plan.serial import plan_from_json, plan_to_json

CASES = {
    "a misspelt key": (
        "nominal: 0.90 V",
        "nominl: 0.90 V",
        "plan.yaml:11:5: rails[SRAM].nominl: unknown key 'nominl'; did you mean 'nominal'?",
    ),
    "a key that is missing": (
        "    nominal: 0.90 V\n",
        "",
        "plan.yaml:10:5: rails[SRAM].nominal: is missing; write 'nominal: 0.85 V'",
    ),
    "a bare number": (
        "nominal: 0.90 V",
        "nominal: 0.90",
        "plan.yaml:11:14: rails[SRAM].nominal: '0.90' has no unit; write it like '0.90 V'",
    ),
    "a unit of another kind": (
        "nominal: 0.90 V",
        "nominal: 0.90 A",
        "plan.yaml:11:14: rails[SRAM].nominal: '0.90 A': unit 'A' does not fit here; write it like '850 mV'",
    ),
    "a unit in the wrong case": (
        "nominal: 0.90 V",
        "nominal: 900 mv",
        "plan.yaml:11:14: rails[SRAM].nominal: '900 mv': unit 'mv' does not fit here; letter case counts: write 'mV'",
    ),
    "a decimal comma": (
        "nominal: 0.90 V",
        "nominal: 0,90 V",
        "plan.yaml:11:14: rails[SRAM].nominal: '0,90 V' is no quantity; use a decimal point, not a comma: '0.90 V'",
    ),
    "a decimal comma that YAML takes for a new key": (
        "nominal: 0.85 V",
        "nominal: 0,85 V",
        "plan.yaml:9:27: rails[CORE].nominal: '0,85 V' has a decimal comma; use a decimal point: '0.85 V'",
    ),
    "not a number": (
        "nominal: 0.90 V",
        "nominal: nan V",
        "plan.yaml:11:14: rails[SRAM].nominal: 'nan V' is no quantity; write it like '850 mV'",
    ),
    "a signed margin": (
        "low: 3 %",
        "low: -3 %",
        "plan.yaml:12:30: rails[SRAM].margin.low: '-3 %' has a sign; a margin is a magnitude: write '3 %'",
    ),
    "a margin without a unit": (
        "low: 3 %",
        "low: 3",
        "plan.yaml:12:30: rails[SRAM].margin.low: '3' has no unit; write '3 %' or '3 V'",
    ),
    "one voltage as the margin of both sides": (
        "margin: {high: 5 %, low: 3 %}",
        "margin: 0.95 V",
        (
            "plan.yaml:12:13: rails[SRAM].margin: '0.95 V' cannot be the margin of both sides; "
            "write {high: ..., low: ...} where a margin is a voltage"
        ),
    ),
    "high below nominal": (
        "high: 1.26 V",
        "high: 1.16 V",
        (
            "plan.yaml:17:20: rails[DDR].margin.high: high at 1.16 V lies below nominal, 1.2 V; "
            "write an absolute voltage above nominal"
        ),
    ),
    "a margin beyond a hard limit": (
        "low: 3 %",
        "low: 9 %",
        (
            "plan.yaml:12:30: rails[SRAM].margin.low: low of SRAM at 819 mV is beyond its hard limit min, 830 mV; "
            "low may be at least 834.1709 mV, unless the limit is wrong"
        ),
    ),
    "a margin that accuracy may carry beyond a hard limit": (
        "high: 5 %, low: 3 %",
        "high: 7.5 %, low: 3 %",
        (
            "plan.yaml:12:20: rails[SRAM].margin.high: high of SRAM at 967.5 mV, off by its accuracy of 0.5 %, "
            "reaches 972.3375 mV, beyond its hard limit max, 970 mV; "
            "high may be at most 965.1741 mV, unless the limit is wrong"
        ),
    ),
    "nominal beyond a hard limit": (
        "hard_limits: {min: 3.0 V, max: 3.6 V}",
        "hard_limits: {min: 3.4 V, max: 3.6 V}",
        (
            "plan.yaml:27:26: rails[AUX].nominal: nominal of AUX at 3.3 V is beyond its hard limit min, 3.4 V; "
            "nominal may be at least 3.417085 V, unless the limit is wrong"
        ),
    ),
    "hard limits the wrong way round": (
        "{min: 0.83 V, max: 0.97 V}",
        "{min: 0.97 V, max: 0.83 V}",
        "plan.yaml:13:18: rails[SRAM].hard_limits: min 970 mV is not below max 830 mV; swap the two, or mend one",
    ),
    "no hard limits": (
        "    hard_limits: {min: 0.83 V, max: 0.97 V}\n",
        "",
        (
            "plan.yaml:10:5: rails[SRAM]: has no 'hard_limits'; "
            "write 'hard_limits: {min: ..., max: ...}': voltages that nothing crosses"
        ),
    ),
    "a level whose sign belies its name": (
        "low7: -7 %",
        "low7: 7 %",
        (
            "plan.yaml:24:20: rails[IO].levels.low7: 'low7' at 7 % lies above nominal, 1.8 V; "
            "levels are signed: write '-7 %'"
        ),
    ),
    "a level called nominal": (
        "low7: -7 %",
        "nominal: -7 %",
        (
            "plan.yaml:24:14: rails[IO].levels.nominal: 'nominal' is a level of every rail; "
            "leave it out, or give this level another name"
        ),
    ),
    "a level that the margin sets too": (
        "low7: -7 %",
        "low: -7 %",
        "plan.yaml:24:14: rails[IO].levels.low: 'low' is set by 'margin' too; leave one of the two out",
    ),
    "a rail that tracks an unknown one": (
        "rail: DDR, ratio",
        "rail: DRD, ratio",
        "plan.yaml:20:49: rails[VTT].tracks.rail: no rail is called 'DRD'; did you mean 'DDR'?",
    ),
    "a rail that tracks itself": (
        "rail: DDR, ratio",
        "rail: VTT, ratio",
        (
            "plan.yaml:20:49: rails[VTT].tracks.rail: VTT follows itself: VTT tracks VTT; "
            "let one rail of the circle stand by itself"
        ),
    ),
    "a rail that tracks another and has a margin": (
        "tracks: {rail: DDR",
        "margin: 5 %, tracks: {rail: DDR",
        (
            "plan.yaml:20:42: rails[VTT].margin: has 'margin', though hardware makes it follow DDR; "
            "leave it out: its levels are those of the rail that it tracks"
        ),
    ),
    "a margin on a rail that is fixed": (
        "why_fixed: bus",
        "margin: 1 %, power: {device: PM1, page: 4}, why_fixed: bus",
        "plan.yaml:27:42: rails[AUX].margin: has 'margin' and 'why_fixed'; leave one of the two out",
    ),
    "two rails with one name": (
        "name: AUX",
        "name: IO",
        "plan.yaml:27:12: rails[IO].name: 'IO' is the name of another rail, in line 21; give each rail its own name",
    ),
    "two rails on one page": (
        "page: 1",
        "page: 0",
        "plan.yaml:14:32: rails[SRAM].power.page: page 0 of PM1 makes CORE already; give each rail a page of its own",
    ),
    "a page that makes no rail": (
        "page: 1",
        "page: 0xFF",
        "plan.yaml:14:32: rails[SRAM].power.page: '0xFF' is out of range; write a value at most 31",
    ),
    "a rail on an unknown device": (
        "device: PM1, page: 1",
        "device: MP1, page: 1",
        "plan.yaml:14:21: rails[SRAM].power.device: no device is called 'MP1'; did you mean 'PM1'?",
    ),
    "a rail on no device": (
        "    power: {device: PM1, page: 1}\n",
        "",
        (
            "plan.yaml:10:5: rails[SRAM]: SRAM is moved, but no device makes it; "
            "write 'power: {device: ..., page: ...}', or leave the margin out of a rail that is never moved"
        ),
    ),
    "an eight-bit address": (
        "address: 0x40",
        "address: 0x80",
        (
            "plan.yaml:6:29: devices.PM1.address: 0x80 is no address of a device; "
            "seven bits are due: 0x80 may be the eight-bit form of 0x40"
        ),
    ),
    "the alert response address": (
        "address: 0x40",
        "address: 0x0C",
        (
            "plan.yaml:6:29: devices.PM1.address: 0x0c is the alert response address of SMBus; "
            "write the address of the device itself"
        ),
    ),
    "an unknown rail in a group": (
        "[CORE, SRAM]",
        "[CORE, SARM]",
        "plan.yaml:28:24: groups.logic[1]: no rail is called 'SARM'; did you mean 'SRAM'?",
    ),
    "a group that names a rail twice": (
        "[CORE, SRAM]",
        "[CORE, CORE]",
        "plan.yaml:28:24: groups.logic[1]: 'CORE' is named twice in this group; name it once",
    ),
    "a relation with an unknown rail": (
        "minus: CORE",
        "minus: CORES",
        "plan.yaml:30:23: between_rails[0].minus: no rail is called 'CORES'; did you mean 'CORE'?",
    ),
    "a relation that nominal breaks": (
        "min: 0.7 V, max: 1.2 V",
        "min: 1 V",
        (
            "plan.yaml:30:34: between_rails[0].min: IO less CORE is 950 mV at nominal, beyond min 1 V; "
            "mend the limit, or swap the two rails: a board must be able to stand at nominal"
        ),
    ),
    "a relation that limits nothing": (
        ", min: 0.7 V, max: 1.2 V",
        "",
        "plan.yaml:30:5: between_rails[0]: limits nothing; write min, max or both",
    ),
    "an unknown scheme": (
        "- all_rails:",
        "- all_rail:",
        "plan.yaml:34:7: corners.schemes[0].all_rail: unknown key 'all_rail'; did you mean 'all_rails'?",
    ),
    "two schemes in one item": (
        "- all_rails: [high, low]",
        "- {all_rails: [high, low], single_rail: [high]}",
        (
            "plan.yaml:34:7: corners.schemes[0]: holds 'all_rails' and 'single_rail' together; "
            "give each scheme a list item of its own, with a dash before it"
        ),
    ),
    "a level that no rail has": (
        "- all_rails: [high, low]",
        "- all_rails: [hgih, low]",
        (
            "plan.yaml:34:19: corners.schemes[0].all_rails[0]: no rail that is moved has the level 'hgih'; "
            "did you mean 'high'?"
        ),
    ),
    "a text where a list is due": (
        "- all_rails: [high, low]",
        "- all_rails: high",
        "plan.yaml:34:18: corners.schemes[0].all_rails: a list is due, the text 'high' came; write a list: [high]",
    ),
    "a level that a rail of a factorial lacks": (
        "rails: [CORE, IO], levels: [low,",
        "rails: [CORE, IO], levels: [low7,",
        (
            "plan.yaml:37:52: corners.schemes[3].full_factorial.levels[0]: CORE has no level 'low7'; "
            "add that level, or leave it out of 'rails'"
        ),
    ),
    "a rail that hardware moves in a factorial": (
        "rails: [CORE, IO]",
        "rails: [VTT, IO]",
        "plan.yaml:37:32: corners.schemes[3].full_factorial.rails[0]: VTT follows DDR by hardware; set DDR instead",
    ),
    "a fixed rail in a factorial": (
        "rails: [CORE, IO]",
        "rails: [AUX, IO]",
        (
            "plan.yaml:37:32: corners.schemes[3].full_factorial.rails[0]: AUX is never moved; "
            "leave it out, or give it a margin"
        ),
    ),
    "a rail set twice through its group": (
        "pads: low}",
        "SRAM: low}",
        (
            "plan.yaml:38:56: corners.schemes[logic up pads down].levels.SRAM: "
            "SRAM is set twice by 'logic' and 'SRAM'; set each rail once"
        ),
    ),
    "an unknown level in a named corner": (
        "pads: low}",
        "pads: low8}",
        "plan.yaml:38:62: corners.schemes[logic up pads down].levels.pads: IO has no level 'low8'; did you mean 'low'?",
    ),
    "an unknown group in a named corner": (
        "pads: low}",
        "padz: low}",
        (
            "plan.yaml:38:56: corners.schemes[logic up pads down].levels.padz: no rail or group is called 'padz'; "
            "did you mean 'pads'?"
        ),
    ),
    "a corner called nominal": (
        "name: logic up pads down",
        "name: nominal",
        "plan.yaml:38:14: corners.schemes[nominal].name: 'nominal' is the control point; give this corner another name",
    ),
    "a forbidden nominal corner": (
        "{CORE: high, SRAM: low}",
        "{CORE: nominal}",
        (
            "plan.yaml:40:7: corners.forbidden[0]: forbids the nominal corner itself; "
            "name at least one level other than 'nominal'"
        ),
    ),
    "an unknown group in forbidden": (
        "{CORE: high, SRAM: low}",
        "{logics: high, IO: low}",
        "plan.yaml:40:8: corners.forbidden[0].logics: no rail or group is called 'logics'; did you mean 'logic'?",
    ),
    "a check with python and command": (
        "timeout: 5 s",
        "command: [./x], timeout: 5 s",
        "plan.yaml:42:5: checks[memory march]: has both 'python' and 'command'; leave one of the two out",
    ),
    "a check with python and a suite": (
        "timeout: 5 s",
        "pytest: tests, timeout: 5 s",
        "plan.yaml:42:5: checks[memory march]: has both 'python' and 'pytest'; leave one of the two out",
    ),
    "a check that calls nothing": (
        'python: "checks.py:memory_march", ',
        "",
        (
            "plan.yaml:42:5: checks[memory march]: calls nothing; "
            "write 'python: \"file.py:function\"', 'command: [./program]' or 'pytest: tests/board'"
        ),
    ),
    "a python check without function": (
        '"checks.py:memory_march"',
        "checks.py",
        (
            "plan.yaml:42:34: checks[memory march].python: 'checks.py' names no function; "
            "write 'file.py:function' or 'module:function'"
        ),
    ),
    "a command that is no list": (
        "[./link.sh]",
        "./link.sh",
        (
            "plan.yaml:43:34: checks[link errors].command: a list is due, the text './link.sh' came; "
            "write a list: [./link.sh]"
        ),
    ),
    "two checks with one name": (
        "name: link errors",
        "name: memory march",
        (
            "plan.yaml:43:12: checks[memory march].name: 'memory march' is the name of another check; "
            "rename one of the two"
        ),
    ),
    "a trial that takes longer than its timeout": (
        "takes: 20 ms",
        "takes: 20 s",
        (
            "plan.yaml:42:81: checks[memory march].timeout: a trial takes 20 s, and times out after 5 s; "
            "write a timeout well above 'takes'"
        ),
    ),
    "half a trial": (
        "trials: 30",
        "trials: 30.5",
        "plan.yaml:42:68: checks[memory march].trials: '30.5' is no whole number; write it like '12' or '0x40'",
    ),
    "no trials": (
        "trials: 30",
        "trials: 0",
        "plan.yaml:42:68: checks[memory march].trials: '0' is out of range; write a value at least 1",
    ),
    "a limit that says not which": (
        "{errors: {max: 0}}",
        "{errors: 0}",
        (
            "plan.yaml:43:79: checks[link errors].accept.errors: '0' says not on which side it limits; "
            "write {max: 0} or {min: 0}"
        ),
    ),
    "both criteria": (
        "checks: {demonstrate: {",
        "checks: {screen: {failures: 0}, demonstrate: {",
        (
            "plan.yaml:45:11: criteria.checks: asks for 'demonstrate' and 'screen' together; "
            "write {screen: {failures: 0}} or {demonstrate: {pass_probability: 0.90, confidence: 0.95}}"
        ),
    ),
    "a confidence in per cent without the sign": (
        "confidence: 0.95",
        "confidence: 95",
        (
            "plan.yaml:45:62: criteria.checks.demonstrate.confidence: '95' is no probability; "
            "write '95 %', or a number below 1"
        ),
    ),
    "a band that is no band": (
        "{band: 0.5 %",
        "{band: 150 %",
        "plan.yaml:7:51: defaults.rail.settle.band: '150 %' is out of range; write a value below 100 %",
    ),
    "yes for true": (
        "first: true",
        "first: yes",
        "plan.yaml:32:27: corners.control_points.first: 'yes' is neither true nor false; write 'true' or 'false'",
    ),
    "an unknown format": (
        "format: 1",
        "format: 2",
        "plan.yaml:1:9: format: format 2 is not known; this version reads format 1",
    ),
    "a key without a value": (
        "title: Tide-gauge node, quick margin screen",
        "title:",
        "plan.yaml:2:1: title: has no value; write 'title: Tide-gauge node, quick margin screen'",
    ),
    "a typo in the defaults": (
        "accuracy: 0.5 %",
        "acuracy: 0.5 %",
        "plan.yaml:7:19: defaults.rail.acuracy: unknown key 'acuracy'; did you mean 'accuracy'?",
    ),
    "defaults of an unknown section": (
        "{rail: {accuracy",
        "{rails: {accuracy",
        "plan.yaml:7:12: defaults.rails: unknown key 'rails'; did you mean 'rail'?",
    ),
    "a bare number in the defaults": (
        "accuracy: 0.5 %",
        "accuracy: 0.5",
        "plan.yaml:7:29: defaults.rail.accuracy: '0.5' has no unit; write it like '0.5 %'",
    ),
    "a timeout shorter than the hold": (
        "timeout: 2 s",
        "timeout: 50 ms",
        (
            "plan.yaml:7:86: defaults.rail.settle.timeout: times out after 50 ms, before 60 ms of hold can pass; "
            "write a timeout well above 'stable_for'"
        ),
    ),
    "a rail without a name": (
        "  - name: SRAM\n    nominal",
        "  - nominal",
        "plan.yaml:10:5: rails[1].name: is missing; write 'name: VDD_CORE'",
    ),
    "a name that would upset a terminal": (
        "name: AUX",
        'name: "A\\e[31mUX"',
        (
            "plan.yaml:27:12: rails[A [31mUX].name: 'A\\x1b[31mUX' holds characters that cannot be printed; "
            "write a name in one line, without them"
        ),
    ),
    "devices in a list": (
        "devices:\n  PM1: {",
        "devices:\n  - {",
        ("plan.yaml:6:3: devices: a mapping is due, a list came; write keys with values, like {key: value}"),
    ),
    "a section in one word": (
        "tracks: {rail: DDR, ratio: 0.5}",
        "tracks: DDR",
        ("plan.yaml:20:42: rails[VTT].tracks: a mapping is due, the text 'DDR' came; write {rail: VDDQ, ratio: 0.5}"),
    ),
    "no space after a colon": (
        "{bus: main",
        "{bus:main",
        "plan.yaml:6:9: devices.PM1.bus:main: unknown key 'bus:main'; put a space after the colon",
    ),
    "a key that stands twice": (
        "format: 1",
        "format: 1\nformat: 1",
        "plan.yaml:2:1: format: the key 'format' stands here twice; delete one of the two; the first is in line 1",
    ),
    "a merge key": (
        "format: 1",
        "<<: {title: x}\nformat: 1",
        "plan.yaml:1:1: <<: merge keys are not read; write the values out, or use 'defaults'",
    ),
    "a tag": (
        "format: 1",
        "format: !thing 1",
        "plan.yaml:1:9: format: the tag '!thing' means nothing here; leave it out",
    ),
}


@pytest.mark.parametrize(("old", "new", "said"), CASES.values(), ids=CASES.keys())
def test_a_mistake_makes_one_problem_at_its_place(broken, old: str, new: str, said: str) -> None:
    assert broken(old, new) == [said]


def test_every_problem_is_told_at_once_in_the_order_of_the_file(broken) -> None:
    old = "nominal: 0.90 V\n    margin: {high: 5 %, low: 3 %}"
    new = "nominal: 0.90\n    margin: {high: 5 %, low: -3 %}\n    levles: {x: 1 %}"
    lines = [line.split(": ")[0:2] for line in broken(old, new)]
    assert lines == [
        ["plan.yaml:11:14", "rails[SRAM].nominal"],
        ["plan.yaml:13:5", "rails[SRAM].levles"],
    ]


def test_a_broken_rail_hides_no_problem_of_other_parts_and_makes_none_of_its_own(broken) -> None:
    old = "nominal: 0.85 V, margin: 5 %, hard_limits: {min: 0.78 V, max: 0.92 V}, power: {device: PM1, page: 0}}\n"
    new = "nominal: 0.85, margin: 5 %, hard_limits: {min: 0.78 V, max: 0.92 V}, power: {device: PM1, page: 0}}\n"
    new += "  - {name: EXTRA, nominal: 1 V, margin: 5 %, hard_limits: {min: 0.9 V, max: 1.1 V}, "
    new += "power: {device: PMX, page: 0}}\n"
    assert [line.split(": ")[1] for line in broken(old, new)] == ["rails[CORE].nominal", "rails[EXTRA].power.device"]


@pytest.mark.parametrize(
    ("follows", "said"),
    [
        ("tied_to: B, margin: 5 %", "no rail is called 'B'; known: CORE, SRAM, DDR, VTT, IO, AUX, A"),
        (
            "tied_to: A, margin: 5 %",
            "A follows itself: A is tied to A; let one rail of the circle stand by itself",
        ),
        (
            "tied_to: IO, margin: 5 %",
            "A has no level 'low7', which IO has; give A the same levels as the rail that it is tied to",
        ),
        ("tied_to: AUX, margin: 5 %", "AUX is never commanded, so nothing can be tied to it; leave 'tied_to' out"),
        (
            "tied_to: CORE, tracks: {rail: CORE, ratio: 1.2}",
            "tracks CORE and is tied to CORE; leave out 'tied_to': hardware moves this rail",
        ),
    ],
)
def test_ties_must_name_a_commanded_rail_with_the_same_levels(broken, follows: str, said: str) -> None:
    rail = "name: A, nominal: 1.02 V, hard_limits: {min: 0.5 V, max: 1.5 V}, power: {device: PM1, page: 4}"
    lines = broken("groups: {", f"  - {{{rail}, {follows}}}\ngroups: {{")
    assert [line.split(": ", 2)[2] for line in lines] == [said]


def test_a_circle_of_ties_is_told_at_each_of_its_rails(broken) -> None:
    rail = "  - {{name: {0}, tied_to: {1}, nominal: 1 V, margin: 5 %, power: {{device: PM1, page: {2}}}, "
    rail += "hard_limits: {{min: 0.9 V, max: 1.1 V}}}}\n"
    lines = broken("groups: {", rail.format("A", "B", 4) + rail.format("B", "A", 5) + "groups: {")
    assert [line.split(": ", 2)[2].split(";")[0] for line in lines] == [
        "A follows itself: A is tied to B is tied to A",
        "B follows itself: B is tied to A is tied to B",
    ]


def test_a_named_corner_may_not_part_a_tied_rail_from_its_leader(broken) -> None:
    tied = "  - {name: A, tied_to: CORE, nominal: 1 V, margin: 5 %, power: {device: PM1, page: 4}, "
    tied += "hard_limits: {min: 0.9 V, max: 1.1 V}}\n"
    lines = broken("groups: {logic: [CORE, SRAM], pads: [IO]}", tied + "groups: {logic: [SRAM], pads: [A]}")
    assert [line.split(": ", 1)[1] for line in lines] == [
        (
            "corners.schemes[logic up pads down].levels.pads: A is tied to CORE, which is at 'nominal' here; "
            "set CORE alone: A goes with it"
        )
    ]


def test_reads_a_plan_into_si_units(tmp_path: Path, plan_text: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text, encoding="utf-8")
    plan = load_plan(path)
    assert [rail.name for rail in plan.rails] == ["CORE", "SRAM", "DDR", "VTT", "IO", "AUX"]
    assert plan.rail("CORE").levels == {"nominal": 0.85, "high": 0.8925, "low": 0.8075}
    assert plan.rail("SRAM").levels == {"nominal": 0.9, "high": 0.945, "low": 0.873}
    assert plan.rail("DDR").levels == {"nominal": 1.2, "high": 1.26, "low": 1.14}
    assert plan.rail("VTT").levels == {"nominal": 0.6, "high": 0.63, "low": 0.57}
    assert plan.rail("VTT").tracks == Tracks(rail="DDR", ratio=0.5)
    assert plan.rail("IO").levels["low7"] == 1.674
    assert [rail.name for rail in plan.commanded_rails] == ["CORE", "SRAM", "DDR", "IO"]
    assert plan.devices["PM1"].address == 0x40
    assert plan.corners.schemes == (
        AllRails(levels=("high", "low")),
        SingleRail(levels=("high", "low")),
        Covering(strength=2, levels=("high", "low")),
        FullFactorial(rails=("CORE", "IO"), levels=("low", "nominal", "high")),
        NamedCorner(name="logic up pads down", levels={"CORE": "high", "SRAM": "high", "IO": "low"}),
    )
    assert plan.corners.control_points.drift_ratio == 0.001
    assert plan.checks[0].takes_s == 0.02
    assert plan.criteria.checks == Demonstrate(pass_probability=0.9, confidence=0.95)
    assert plan.criteria.voltage_window_ratio == 0.01
    assert plan.bench == tmp_path / "bench.yaml"
    assert len(plan.sources[0].sha256) == 64


def test_reads_every_part_that_a_plan_may_have(tmp_path: Path, plan_text: str) -> None:
    text = plan_text.replace("address: 0x40", "address: 0x40, vout_mode: 0x14, scan: 20 ms")
    text = text.replace(
        "margin: {high: 5 %", "tied_to: CORE\n    device_limits: {ov_fault: 1.1 V}\n    margin: {high: 5 %"
    )
    text = text.replace(
        "drift: 0.1 %}", "drift: 0.1 %}\n  via_nominal: true\n  repeats: 3\n  order: shuffled\n  seed: 7"
    )
    text = text.replace("logic: high, pads", "CORE: high, SRAM: high, pads").replace(
        "{CORE: high, SRAM: low}", "{VTT: high, IO: low}"
    )
    text = text.replace("  voltage:", "  trim: {claim: 0.25 %}\n  voltage:")
    text += "conditions:\n  - {name: ambient, levels: {cold: -10 degC, room: 25 degC}}\n"
    text += "  - {name: input, unit: V, levels: {low: 10800 mV, high: 13.2 V}}\n"
    text += "policy: {on_trip: skip corner, on_fail: stop}\n"
    text = text.replace(
        "accept: {errors: {max: 0}}",
        "accept: {errors: {max: 0}}, at: {corners: [nominal, 'all *'], conditions: {ambient: [cold]}}, "
        "criterion: {screen: {failures: 2}}, set_up: {run: 'c.py:up', corner: [./up, '1']}, "
        "tear_down: {corner: 'm:down'}, settings: {port: 00123, ratio: 1.10, 'on': off}",
    )
    path = tmp_path / "plan.yaml"
    path.write_text(text, encoding="utf-8")
    plan = load_plan(path)
    assert (plan.devices["PM1"].vout_mode, plan.devices["PM1"].scan_s) == (0x14, 0.02)
    assert plan.rail("SRAM").tied_to == "CORE"
    assert plan.rail("SRAM").device_limits == {"ov_fault": 1.1}
    assert (plan.corners.via_nominal, plan.corners.repeats) == (True, 3)
    assert (plan.corners.order, plan.corners.seed) == ("shuffled", 7)
    assert plan.corners.forbidden == ({"DDR": "high", "IO": "low"},)
    assert plan.criteria.trim_claim_ratio == 0.0025
    assert plan.conditions[0].levels == {"cold": -10.0, "room": 25.0}
    assert (plan.conditions[1].unit, plan.conditions[1].levels) == ("V", {"low": 10.8, "high": 13.2})
    assert (plan.policy.on_trip, plan.policy.on_fail) == ("skip corner", "stop")
    check = plan.checks[1]
    assert check.at.corners == ("nominal", "all *")
    assert check.at.conditions == {"ambient": ("cold",)}
    assert check.criterion == Screen(failures=2)
    assert (check.run_set_up, check.corner_set_up, check.corner_tear_down) == ("c.py:up", ("./up", "1"), "m:down")
    assert check.settings == {"port": "00123", "ratio": "1.10", "on": "off"}


def test_reads_how_often_a_corner_that_tripped_is_visited_again(tmp_path: Path, plan_text: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text + "policy: {on_trip: retry, retries: 3, retry_period: 250 ms}\n", encoding="utf-8")
    policy = load_plan(path).policy
    assert (policy.on_trip, policy.retries, policy.retry_period_s) == ("retry", 3, 0.25)


@pytest.mark.parametrize(
    ("policy", "said"),
    [
        ("{on_trip: skip corner, retries: 2}", "retries without 'on_trip: retry'"),
        ("{on_trip: retry, retries: 0}", "retries"),
        ("{on_trip: retry, retry_period: 0 s}", "retry_period"),
        ("{on_trip: again}", "on_trip"),
    ],
)
def test_a_policy_that_makes_no_sense_is_told(tmp_path: Path, plan_text: str, policy: str, said: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(f"{plan_text}policy: {policy}\n", encoding="utf-8")
    with pytest.raises(PlanProblems, match=said):
        load_plan(path)


def test_reads_whose_limits_are_left_and_why(tmp_path: Path, plan_text: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text + "limits_kept: {IO: its comparator glitches, logic: a reason}\n", encoding="utf-8")
    plan = load_plan(path)
    assert plan.limits_kept == {"IO": "its comparator glitches", **dict.fromkeys(plan.groups["logic"], "a reason")}
    path.write_text(plan_text + "limits_kept: {all: slow parts}\n", encoding="utf-8")
    assert load_plan(path).limits_kept == {rail.name: "slow parts" for rail in plan.rails}


@pytest.mark.parametrize(
    ("kept", "said"), [("{IOO: why}", "'IOO'"), ("{IO: ''}", "limits_kept"), ("[IO]", "limits_kept")]
)
def test_limits_are_left_only_where_there_is_a_rail_and_a_reason(
    tmp_path: Path, plan_text: str, kept: str, said: str
) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(f"{plan_text}limits_kept: {kept}\n", encoding="utf-8")
    with pytest.raises(PlanProblems, match=said):
        load_plan(path)


def test_reads_how_a_board_is_turned_on(tmp_path: Path, plan_text: str) -> None:
    path = tmp_path / "plan.yaml"
    ready = "{console: node ready, ask: status, timeout: 30 s}"
    path.write_text(f"{plan_text}power_up: {{order: [IO, CORE], off_for: 1 s, ready: {ready}}}\n", encoding="utf-8")
    found = load_plan(path).power_up
    assert found is not None
    assert (found.order, found.by, found.off_for_s, found.cycles) == (("IO", "CORE"), "operation", 1.0, 3)
    assert found.ready == Ready(console="node ready", ask="status", timeout_s=30.0)
    path.write_text(f"{plan_text}power_up: {{by: input power, cycles: 1}}\n", encoding="utf-8")
    plan = load_plan(path)
    assert plan.power_up is not None
    assert plan.power_up.order == tuple(rail.name for rail in plan.commanded_rails)


@pytest.mark.parametrize(
    ("power_up", "said"),
    [
        ("{order: [IOO]}", "no rail is called 'IOO'"),
        ("{order: [IO, IO]}", "'IO' stands here twice"),
        ("{order: [VTT]}", "is turned on by nothing"),
        ("{cycles: 0}", "cycles"),
        ("{ready: {timeout: 1 s}}", "in one way"),
        ("{ready: {console: a, command: b, timeout: 1 s}}", "in one way"),
        ("{ready: {command: b, ask: c, timeout: 1 s}}", "'ask' without 'console'"),
        ("{ready: {console: a}}", "timeout"),
        ("{by: hand}", "by"),
    ],
)
def test_a_power_up_that_makes_no_sense_is_told(tmp_path: Path, plan_text: str, power_up: str, said: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(f"{plan_text}power_up: {power_up}\n", encoding="utf-8")
    with pytest.raises(PlanProblems, match=said):
        load_plan(path)


def test_chains_of_tracking_rails_end_at_the_rail_that_is_commanded(tmp_path: Path, plan_text: str) -> None:
    extra = "  - {name: VREF, nominal: 0.3 V, tracks: {rail: VTT, ratio: 0.5}, hard_limits: {min: 0.2 V, max: 0.4 V}}\n"
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text.replace("groups: {", extra + "groups: {"), encoding="utf-8")
    vref = load_plan(path).rail("VREF")
    assert vref.tracks == Tracks(rail="DDR", ratio=0.25)
    assert vref.levels == {"nominal": 0.3, "high": 0.315, "low": 0.285}


def test_defaults_of_margin_leave_fixed_and_tracking_rails_alone(tmp_path: Path, plan_text: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text.replace("{rail: {acc", "{rail: {margin: 2 %, acc").replace("margin: 5 %, hard", "hard"))
    plan = load_plan(path)
    assert plan.rail("CORE").levels["high"] == 0.867
    assert not plan.rail("AUX").is_moved
    assert plan.rail("VTT").levels["high"] == 0.63


def test_a_rail_completes_the_defaults_key_by_key(tmp_path: Path, plan_text: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text.replace("name: SRAM", "name: SRAM\n    settle: {timeout: 7 s}"), encoding="utf-8")
    settle = load_plan(path).rail("SRAM").settle
    assert (settle.band_ratio, settle.stable_for_s, settle.timeout_s) == (0.005, 0.06, 7.0)


@pytest.mark.parametrize("name", ["missing.yaml", "plan.yml"])
def test_a_file_that_is_not_there_is_a_plan_error(tmp_path: Path, plan_text: str, name: str) -> None:
    (tmp_path / "plan.yaml").write_text(plan_text, encoding="utf-8")
    with pytest.raises(PlanProblems, match="there is no such file") as caught:
        load_plan(tmp_path / name)
    assert caught.value.exit_code == EXIT_PLAN
    assert ("did you mean 'plan.yaml'?" in str(caught.value)) == (name == "plan.yml")


def test_a_directory_is_no_plan(tmp_path: Path) -> None:
    with pytest.raises(PlanProblems, match="is a directory; name the plan file in it"):
        load_plan(tmp_path)


def test_a_device_is_no_plan() -> None:
    with pytest.raises(PlanProblems, match="is no ordinary file"):
        load_plan(Path("/dev/zero"))


def test_reads_units_as_text(tmp_path: Path) -> None:
    path = tmp_path / "units.csv"
    path.write_text('serial;revision;note\n00123;C;"first; of all"\n1.10;D;\n', encoding="utf-8-sig")
    assert load_units(path) == {
        "00123": {"serial": "00123", "revision": "C", "note": "first; of all"},
        "1.10": {"serial": "1.10", "revision": "D", "note": ""},
    }


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "1:1: units: is empty; write a header row and one row for each"),
        ("number\n1\n", "1:1: serial: no column is called 'serial'; name the column of serials so"),
        ("serial\n1\n1\n", "3:1: serial: '1' stands here twice; delete one of the rows"),
        ("a,serial\n1,\n", "2:3: serial: a unit has no serial; write one"),
        ("serial,serial\n1,2\n", "1:8: units: the column 'serial' stands here twice; delete one of the two"),
        ("serial,b\n1,2,3\n", "2:5: units: '3' stands in a column that has no name; "),
        ('serial,b\n1,"2\n', "2:3: cell: a quote is not closed in its cell; "),
    ],
)
def test_a_broken_table_of_units_says_where(tmp_path: Path, text: str, said: str) -> None:
    path = tmp_path / "units.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlanProblems) as caught:
        load_units(path)
    assert str(caught.value).startswith(f"{path}:{said}")


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("order: quickest", "'as written', 'fastest', 'shuffled', 'blocked'"),
        ("seed: 7", "nothing is drawn from 'seed'"),
        ("order: fastest\n  seed: 7", "nothing is drawn from 'seed'"),
        ("order: blocked\n  seed: -1", "seed"),
    ],
)
def test_an_order_that_is_none_is_refused(tmp_path: Path, plan_text: str, keys: str, said: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text.replace("drift: 0.1 %}", f"drift: 0.1 %}}\n  {keys}"), encoding="utf-8")
    with pytest.raises(PlanProblems) as caught:
        load_plan(path)
    assert said in str(caught.value)


SUPPLIED = Path(__file__).parents[2] / "plans" / "supplied.yaml"


def test_a_rail_may_be_made_by_an_output_of_a_supply() -> None:
    rail = load_plan(SUPPLIED).rail("VDD_SENSE")
    assert rail.output == SupplyOutput(supply="FEED_B", number=1, current_limit_a=0.8, over_voltage_v=1.926)
    assert (rail.power, rail.maker, rail.place, rail.is_commanded) == (None, "FEED_B", "FEED_B output 1", True)
    plan = load_plan(SUPPLIED)
    assert plan_from_json(plan_to_json(plan)).rails == plan.rails


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("supply: FEED_B", "supply: FEED_A",
         "output: output 1 of FEED_A makes VDD_MCU already; give each rail an output of its own"),
        ("over_voltage: 107 %", "over_voltage: 105 %",
         "output.over_voltage: 1.89 V would trip at the highest level, 1.8957 V; raise it above every level"),
        ("over_voltage: 107 %", "over_voltage: +10 %", "is no place of a limit"),
        ("current_limit: 0.8 A, ", "", "output.current_limit"),
        ("current_limit: 0.8 A", "current_limit: 0 A", "out of range"),
        ("    output: {supply: FEED_B", "    tracks: {rail: VDD_MCU, ratio: 0.5}\n    output: {supply: FEED_B",
         "has 'output' and 'tracks'; leave one of the two out"),
    ],
)  # fmt: skip
def test_an_output_that_does_not_fit_says_where_and_what(tmp_path: Path, old: str, new: str, said: str) -> None:
    text = SUPPLIED.read_text()
    assert old in text
    (tmp_path / "plan.yaml").write_text(text.replace(old, new, 1))
    with pytest.raises(PlanProblems) as raised:
        load_plan(tmp_path / "plan.yaml")
    assert said in str(raised.value)


def test_a_covering_scheme_says_factors_and_how_often(tmp_path: Path, plan_text: str) -> None:
    covering = (
        "{covering: {levels: [high, low], strength: 3, times: 2, together: [logic], conditions: [ambient], "
        "include: [{IO: high}]}}"
    )
    text = plan_text.replace("schemes:\n", f"schemes:\n    - {covering}\n")
    text += "conditions:\n  - {name: ambient, levels: {cold: -10 degC, room: 25 degC}}\n"
    path = tmp_path / "plan.yaml"
    path.write_text(text, encoding="utf-8")
    assert load_plan(path).corners.schemes[0] == Covering(
        strength=3,
        levels=("high", "low"),
        times=2,
        together=(("CORE", "SRAM"),),
        conditions=("ambient",),
        include=({"IO": "high"},),
    )


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("together: [logics]", "no group is called 'logics'"),
        ("together: [logic, logic]", "CORE is in 'logic' too"),
        ("conditions: [ambiant]", "no condition is called 'ambiant'"),
        ("include: [{IO: low7}]", "low7"),
        ("include: [{OI: high}]", "OI"),
        ("rails: [CORE], include: [{IO: high}]", "covering does not vary IO"),
        ("times: 0", "times"),
    ],
)
def test_a_covering_scheme_that_names_what_is_not_there_is_refused(
    tmp_path: Path, plan_text: str, keys: str, said: str
) -> None:
    path = tmp_path / "plan.yaml"
    text = plan_text.replace("schemes:\n", f"schemes:\n    - {{covering: {{levels: [high, low], {keys}}}}}\n")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlanProblems) as caught:
        load_plan(path)
    assert said in str(caught.value)


def test_a_screening_scheme_says_its_design(tmp_path: Path, plan_text: str) -> None:
    schemes = (
        "    - {screening: {levels: [low, high], rails: [logic, IO], fold_over: true}}\n"
        "    - {screening: {levels: [low, high], design: fractional factorial}}\n"
    )
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text.replace("schemes:\n", f"schemes:\n{schemes}"), encoding="utf-8")
    found = load_plan(path).corners.schemes[:2]
    assert found == (
        Screening(levels=("low", "high"), rails=("CORE", "SRAM", "IO"), fold_over=True),
        Screening(levels=("low", "high"), resolution=4),
    )


@pytest.mark.parametrize(
    ("keys", "said"),
    [
        ("levels: [low]", "levels"),
        ("levels: [low, high, low7]", "levels"),
        ("levels: [low, low]", "named twice"),
        ("levels: [low, high], resolution: 4", "'resolution' belongs to a fractional factorial"),
        ("levels: [low, high], rails: [VTT]", "follows"),
    ],
)
def test_a_screening_scheme_that_is_none_is_refused(tmp_path: Path, plan_text: str, keys: str, said: str) -> None:
    path = tmp_path / "plan.yaml"
    text = plan_text.replace("schemes:\n", f"schemes:\n    - {{screening: {{{keys}}}}}\n")
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlanProblems) as caught:
        load_plan(path)
    assert said in str(caught.value)


def test_a_staged_plan_says_after_what_its_stages_end(tmp_path: Path, plan_text: str) -> None:
    path = tmp_path / "plan.yaml"
    for text, wanted in (("{}", {}), ("{stop_after: {single_rail: any failure}}", {"single_rail": "any failure"})):
        path.write_text(plan_text.replace("drift: 0.1 %}", f"drift: 0.1 %}}\n  staged: {text}"), encoding="utf-8")
        assert load_plan(path).corners.staged == wanted
    path.write_text(plan_text, encoding="utf-8")
    assert load_plan(path).corners.staged is None


@pytest.mark.parametrize(
    ("staged", "scheme", "said"),
    [
        ("{stop_after: {everything: never}}", "", "everything"),
        ("{stop_after: {all_rails: sometimes}}", "", "sometimes"),
        (
            "{}",
            "    - {covering: {levels: [high], conditions: [ambient]}}\n",
            "conditions are no factors of a staged run",
        ),
    ],
)
def test_stages_that_cannot_be_are_refused(tmp_path: Path, plan_text: str, staged: str, scheme: str, said: str) -> None:
    text = plan_text.replace("drift: 0.1 %}", f"drift: 0.1 %}}\n  staged: {staged}")
    text = text.replace("schemes:\n", f"schemes:\n{scheme}")
    text += "conditions:\n  - {name: ambient, levels: {cold: -10 degC, room: 25 degC}}\n"
    path = tmp_path / "plan.yaml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(PlanProblems) as caught:
        load_plan(path)
    assert said in str(caught.value)


def test_a_failed_corner_is_held_for_a_stated_time_only(tmp_path: Path, plan_text: str) -> None:
    path = tmp_path / "plan.yaml"
    path.write_text(plan_text + "policy: {on_fail: hold, hold: 10 min}\n", encoding="utf-8")
    assert (load_plan(path).policy.on_fail, load_plan(path).policy.hold_s) == ("hold", 600.0)
    for policy in ("{on_fail: hold}", "{hold: 10 min}", "{on_fail: stop, hold: 10 min}"):
        path.write_text(f"{plan_text}policy: {policy}\n", encoding="utf-8")
        with pytest.raises(PlanProblems, match="belong together"):
            load_plan(path)
