from pathlib import Path

import pytest

from cornerrun.errors import EXIT_PLAN, PlanError
from cornerrun.plan.load import load_bench, load_plan
from cornerrun.preflight.rules import findings, stop_on_errors


def test_a_sound_plan_has_no_errors_and_no_warnings(looked) -> None:
    assert looked() == []


# Each row trips one rule; what stands beside it is the whole of what is found.
TRIPS = {
    "trials that can never show what is asked": (
        [("trials: 30", "trials: 28")],
        (
            "plan.yaml:19:61: error: trials: 'memory march' has 28 trials at 'all high': without a failure they show "
            "89.9 % at 95 % confidence, and can never show the 90 % that is asked; "
            "run 29 at each corner, or ask for less"
        ),
    ),
    "a screen that can never fail": (
        [("{failures: 0}", "{failures: 1}")],
        (
            "plan.yaml:20:5: error: trials: 'link errors' has 1 trial at 'all high' and may fail 1 of them: "
            "it can never fail; allow fewer failures, or ask for more trials"
        ),
    ),
    "a corner that no scheme makes": (
        [("[nominal, all *]", "[nominal, all hihg]")],
        (
            "plan.yaml:20:71: error: checks: 'link errors': no corner that is visited is called, or fits, 'all hihg'; "
            "did you mean 'all high'?"
        ),
    ),
    "a check whose file is missing": (
        [("checks.py:march", "cheks.py:march")],
        (
            "plan.yaml:19:34: error: checks: 'memory march': cheks.py cannot be read: No such file or directory; "
            "did you mean 'checks.py'?"
        ),
    ),
    "a check whose function is missing": (
        [("checks.py:march", "checks.py:marsh")],
        "plan.yaml:19:34: error: checks: 'memory march': checks.py has no function 'marsh'; did you mean 'march'?",
    ),
    "a command that is missing": (
        [("./link.sh", "./lnk.sh")],
        "plan.yaml:20:34: error: checks: 'link errors': ./lnk.sh is not there; did you mean 'link.sh'?",
    ),
    "a program that is not installed": (
        [("./link.sh", "no-such-program-here")],
        (
            "plan.yaml:20:34: error: checks: 'link errors': no program 'no-such-program-here' is on PATH; "
            "install it, or write './NAME' for your own"
        ),
    ),
    "a bus that the bench lacks": (
        [("bus: main", "bus: mian")],
        "plan.yaml:5:14: error: devices: PM1 sits on bus 'mian', which bench.yaml does not have; did you mean 'main'?",
    ),
    "a meter whose calibration is over": (
        [("2999-01-01", "2020-01-01")],
        (
            "bench.yaml: instruments.meter: error: calibration: the meter's calibration was due on 2020-01-01; "
            "calibrate it, or write 'overrides: {expired_calibration: {because: ...}}' into the plan"
        ),
    ),
    "a claim without a meter's specification": (
        [
            ("    uncertainty: {reading: 35 ppm, range: 5 ppm}\n", ""),
            ("  voltage:", "  trim: {claim: 0.25 %}\n  voltage:"),
        ],
        (
            "bench.yaml: instruments.meter: warning: calibration: the meter's specification is not stated; "
            "write 'uncertainty': a claim without it stays open"
        ),
    ),
    "a condition that nothing sets": (
        [("checks:\n  -", "conditions:\n  - {name: ambient, levels: {cold: 0 degC}}\nchecks:\n  -")],
        (
            "plan.yaml:19:5: error: conditions: the plan sets 'ambient', and bench.yaml has nothing that does; "
            "add it under 'conditions'"
        ),
    ),
    "a level at the device's OV fault limit": (
        [("page: 0}}", "page: 0}, device_limits: {ov_fault: 0.896 V}}")],
        (
            "plan.yaml:8:43: error: device limits: CORE: high at 892.58 mV may come to 897.04 mV (accuracy 0.5 %), and "
            "ov_fault in the plan of 896 mV acts there: the device would shut the rail down; move high or ov_fault"
        ),
    ),
    "a level at the device's UV warning limit": (
        [("page: 0}}", "page: 0}, device_limits: {uv_warn: 0.805 V}}")],
        (
            "plan.yaml:8:43: warning: device limits: CORE: low at 807.62 mV may come to 803.58 mV (accuracy 0.5 %), "
            "and uv_warn in the plan of 805 mV acts there: the device would warn; move low or uv_warn"
        ),
    ),
}


@pytest.mark.parametrize(("changes", "said"), TRIPS.values(), ids=TRIPS.keys())
def test_a_rule_says_what_is_the_matter(looked, changes, said: str) -> None:
    assert [str(item) for item in looked(*changes)] == [said]


def test_rounding_may_carry_a_level_over_a_hard_limit(looked) -> None:
    # Step 1/512 V: 0.8925 V encodes to 457/512 V = 0.892578 V, which its accuracy of 0.5 % takes to 0.897041 V.
    sound = looked(("vout_mode: 0x14", "vout_mode: 0x17"), ("max: 0.92 V", "max: 0.8971 V"))
    assert sound == []
    found = looked(("vout_mode: 0x14", "vout_mode: 0x17"), ("max: 0.92 V", "max: 0.897 V"))
    assert [(item.severity, item.rule, item.rail) for item in found] == [("error", "hard limits", "CORE")]
    assert found[0].numbers == (
        "high at 892.58 mV (code 0x01C9), off by 0.5 %, crosses the hard limits of 780 mV to 897 mV by 41.016 µV"
    )


def test_a_code_that_two_levels_share_is_an_error(looked) -> None:
    # Step 1/8 V: nominal 0.85 V is 6.8 steps, high 0.8925 V 7.14, low 0.8075 V 6.46; of DDR 9.6, 10.08 and 9.12.
    found = looked(("vout_mode: 0x14", "vout_mode: 0x1D"), ("min: 0.78 V, max: 0.92 V", "min: 0.7 V, max: 1 V"))
    same = [item for item in found if "same code" in item.numbers]
    assert [(item.severity, item.rail) for item in same] == [("error", "CORE"), ("error", "DDR")]
    assert same[0].numbers == "high and nominal have the same code, 0x0007"


def test_rounding_that_takes_a_share_of_the_margin_is_told(looked) -> None:
    # Step 1/128 V: 0.8925 V is 114.24 steps, so 114 steps = 0.890625 V, 1.875 mV off, 4.4 % of 42.5 mV;
    # 0.8075 V is 103.36 steps, 103 steps = 0.8046875 V, 2.8 mV off, 6.6 %; 1.26 V 161.28, 1.14 V 145.92: small.
    assert looked(("vout_mode: 0x14", "vout_mode: 0x19")) == []
    # Step 1/64 V: 0.8925 V is 57.12, 0.8075 V is 51.68: 5 mV off, 11.8 % of the margin; 1.26 V 80.64: 5.6 mV, 9.4 %.
    found = looked(("vout_mode: 0x14", "vout_mode: 0x1A"))
    assert [(item.severity, item.rail) for item in found] == [("warning", "CORE")]
    assert "low at 807.5 mV becomes 812.5 mV: rounding takes 11.8 % of the margin" in found[0].numbers


def test_an_unknown_vout_mode_is_said_and_not_guessed(looked) -> None:
    found = looked((", vout_mode: 0x14", ""), notes=True)
    assert "codes of 2 rails of PM1 are not known: nothing says its VOUT_MODE" in [item.numbers for item in found]
    assert all(item.severity == "note" for item in found)


def test_a_vout_mode_that_cannot_be_encoded_is_an_error(looked) -> None:
    found = looked(("vout_mode: 0x14", "vout_mode: 0x20"))
    assert {(item.severity, item.rule) for item in found} == {("error", "quantisation")}
    assert "VOUT_MODE says VID" in found[0].numbers


def test_relations_are_judged_on_what_the_words_mean(looked) -> None:
    # DDR low less CORE high: 1.14 V - 0.8925 V = 0.2475 V as targets, 4669/4096 V - 3656/4096 V = 0.247314 V as words.
    scheme = ("- all_rails: [high, low]", "- {name: skew, levels: {CORE: high, DDR: low}}")
    place = ("[nominal, all *]", "[nominal, skew]")
    assert looked(scheme, place, ("min: 0.2 V", "min: 0.2473 V")) == []
    found = looked(scheme, place, ("min: 0.2 V", "min: 0.2474 V"))
    assert [(item.severity, item.rule) for item in found] == [("error", "relations")]
    assert found[0].numbers == (
        "DDR - CORE could be 247.31 mV on the way, below 247.4 mV, as the words mean it (CORE to high, DDR to low; "
        "corner 'skew')"
    )


def test_corners_that_cannot_be_run_are_named_with_their_reason(looked) -> None:
    found = looked(("max: 0.6 V", "max: 0.38 V"))
    assert {item.rule for item in found} == {"corners"}
    assert all(item.severity == "warning" for item in found)
    assert any("'DDR high' is not run: DDR - CORE would be 410 mV, above 380 mV" in item.numbers for item in found)


def test_a_plan_without_corners_is_an_error(looked) -> None:
    schemes = "- all_rails: [high, low]\n    - single_rail: [high, low]"
    found = looked((schemes, "- full_factorial: {rails: [CORE], levels: [nominal]}"), ("[nominal, all *]", "[nominal]"))
    assert [(item.severity, item.numbers) for item in found] == [("error", "no corner is left to run")]


@pytest.mark.parametrize(("scan", "severity"), [("900 ms", "error"), ("650 ms", "warning"), ("300 ms", None)])
def test_settling_needs_time_for_three_conversions(looked, scan: str, severity: str | None) -> None:
    # Three readings, the first a scan after the command: three scans in all; the timeout is 2 s.
    found = looked(("vout_mode: 0x14", f"vout_mode: 0x14, scan: {scan}"))
    assert {item.severity for item in found} == ({severity} if severity else set())
    assert {item.rail for item in found} == ({"CORE", "DDR"} if severity else set())


def test_a_hold_shorter_than_three_conversions_is_noted(looked) -> None:
    found = looked(("vout_mode: 0x14", "vout_mode: 0x14, scan: 50 ms"), notes=True)
    notes = [item.numbers for item in found if item.rule == "settling"]
    assert notes[0] == "3 conversions every 50 ms span 100 ms, longer than the hold of 60 ms"


def test_a_band_that_rounding_alone_fills_can_never_settle(looked) -> None:
    found = looked(("vout_mode: 0x14", "vout_mode: 0x19"), ("band: 1 %", "band: 0.2 %"))
    errors = [item for item in found if item.severity == "error"]
    # 1.2 V is 153.6 steps of 1/128 V: 154 steps are 0.26 % off, so DDR and what follows it are at fault too.
    assert {item.rail for item in errors} == {"CORE", "DDR", "VTT"}
    assert errors[0].advice == "widen the band: the rail can never settle"


def test_a_window_narrower_than_the_accuracy_warns_for_each_rail_that_moves(looked) -> None:
    found = looked(("window: 1 %", "window: 0.4 %"))
    assert [(item.severity, item.rail) for item in found] == [("warning", rail) for rail in ("CORE", "DDR", "VTT")]


def test_rails_that_nothing_measures_are_named(looked) -> None:
    found = looked((", VTT: 103, AUX: 104", ""))
    assert [(item.severity, item.rail) for item in found] == [("warning", "VTT"), ("warning", "AUX")]
    found = looked(("DDR: 102, ", ""))
    assert [item.numbers for item in found] == ["no channel of the meter is on DDR"]


def test_a_channel_of_an_unknown_rail_is_an_error(looked) -> None:
    found = looked(("AUX: 104", "AXU: 104"))
    assert str(found[0]) == (
        "bench.yaml: channels: error: channels: channel 104 is for 'AXU', which is no rail of the plan; "
        "did you mean 'AUX'?"
    )


def test_a_page_beyond_the_profile_is_an_error(looked, tmp_path: Path) -> None:
    from importlib.resources import files

    generic = (files("cornerrun.bench.pmbus") / "profiles" / "generic.yaml").read_text(encoding="utf-8")
    lines = ["pages: 1" if line.startswith("pages:") else line for line in generic.splitlines()]
    (tmp_path / "small.yaml").write_text("\n".join(lines), encoding="utf-8")
    found = looked(("vout_mode: 0x14", "vout_mode: 0x14, profile: small"))
    assert [(item.severity, item.rail, item.rule) for item in found] == [("error", "DDR", "devices")]
    assert found[0].numbers == "page 1 of PM1, but profile 'small' has 1 pages, from 0 to 0"


def test_a_profile_that_is_not_there_is_an_error(looked) -> None:
    found = looked(("vout_mode: 0x14", "vout_mode: 0x14, profile: nonesuch"))
    assert [(item.severity, item.rule, item.position) for item in found] == [("error", "devices", "plan.yaml:5:61")]


def test_a_scheme_that_is_not_available_stops_the_plan(looked, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(plan: object) -> None:
        raise PlanError("this scheme asks for too many corners")

    monkeypatch.setattr("cornerrun.preflight.facts.select", refuse)
    found = looked()
    assert [(item.severity, item.rule, item.numbers) for item in found] == [
        ("error", "corners", "this scheme asks for too many corners")
    ]


def test_tells_what_trials_show_without_a_failure(looked) -> None:
    # Published: 20 trials without a failure show 86.1 % at 95 % (the rule behind it: n = ln(1 - C) / ln R, so
    # R = 0.05 ** (1 / 20) = 0.8609; zero-failure demonstration, computed).
    found = looked(("{demonstrate: {pass_probability: 0.90,", "{demonstrate: {pass_probability: 0.85,"),
                   ("trials: 30", "trials: 20"), notes=True)  # fmt: skip
    assert any("20 trials at 'all high': without a failure they show 86.1 % at 95 %" in item.numbers for item in found)


def test_tells_the_chance_that_a_good_board_passes(looked) -> None:
    # 30 trials at six corners, no failure allowed; 60 at nominal, first and last, of which one may fail (46 are enough
    # for that); link errors once at two corners and twice at nominal. 0.999 ** 184 times (0.999 ** 60 + 60 times 0.001
    # times 0.999 ** 59) = 0.830 (computed, no published figure).
    numbers = [item.numbers for item in looked(notes=True) if "a board that passes" in item.numbers]
    assert numbers == [
        "a board that passes 99.9 % of its trials meets all 10 criteria (check times corner) with a chance of 83 %"
    ]


def test_errors_come_first(looked) -> None:
    found = looked(("trials: 30", "trials: 3"), ("2999-01-01", "2020-01-01"), notes=True)
    order = [item.severity for item in found]
    assert order == sorted(order, key=["error", "warning", "note"].index)
    assert order[0] == "error"


def test_positions_are_given_only_while_the_file_is_what_was_read(looked) -> None:
    looked(("trials: 30", "trials: 3"))
    plan = load_plan(Path("plan.yaml"))
    Path("plan.yaml").write_text("format: 1\n", encoding="utf-8")
    errors = [item for item in findings(plan) if item.severity == "error"]
    assert errors[0].position == "checks.memory march.trials"


def test_stops_a_run_before_the_bench_is_touched(looked) -> None:
    looked(("trials: 30", "trials: 3"))
    with pytest.raises(PlanError, match=r"preflight finds 1 error:\nplan\.yaml:19:61: error: trials: ") as caught:
        stop_on_errors(load_plan(Path("plan.yaml")))
    assert caught.value.exit_code == EXIT_PLAN


def test_lets_a_sound_plan_pass(looked) -> None:
    looked()
    stop_on_errors(load_plan(Path("plan.yaml")))


def supplied(tmp_path: Path, old: str = "", new: str = "", *, in_bench: bool = False) -> list[str]:
    for path in (Path(__file__).parents[2] / "plans").glob("supplied*"):
        text = path.read_text()
        if old and path.name == ("supplied_bench.yaml" if in_bench else "supplied.yaml"):
            assert old in text
            text = text.replace(old, new)
        (tmp_path / path.name).write_text(text)
    found = findings(load_plan(tmp_path / "supplied.yaml"), load_bench(tmp_path / "supplied_bench.yaml"))
    return [f"{item.severity}: {item.numbers}" for item in found if item.rule == "supplies"]


def test_supplies_of_a_plan_are_looked_for_in_the_bench_file(tmp_path: Path) -> None:
    assert supplied(tmp_path) == []
    assert supplied(tmp_path, "over_voltage: 3.53 V", "over_voltage: 3.6 V") == [
        "note: FEED_A would trip at 3.6 V, beyond the hard limit of 3.55 V"
    ]
    assert "error: VDD_MCU is made by supply 'FEED_X', which" in supplied(tmp_path, "FEED_A", "FEED_X")[0]
    number = supplied(tmp_path, "supply: FEED_B,", "supply: FEED_B, number: 3,")
    assert "error: output 3 of FEED_B, and its dialect has 1" in number
    old, new = "FEED_B: {driver: scpi-supply,", "FEED_B: {driver: scpi-supply, dialect: no,"
    dialect = supplied(tmp_path, old, new, in_bench=True)
    assert any(item.startswith("error: there is no dialect 'no'") for item in dialect)


def test_a_condition_over_scpi_that_can_not_be_set_is_an_error(looked) -> None:
    planned = ("corners:\n", "conditions:\n  - {name: ambient, levels: {hot: 60 degC}}\ncorners:\n")
    oven = "instruments:\n  oven: {driver: scpi-condition, resource: ASRL1}\n"
    for line, said in (
        ("{driver: scpi, instrument: oven}", "write 'within'"),
        ("{driver: scpi, within: 1 degC, stable_for: 1 s}", "nothing says which instrument sets it"),
    ):
        bench = ("instruments:\n", f"conditions: {{ambient: {line}}}\n{oven}")
        found = [item for item in looked(planned, bench) if item.rule == "conditions"]
        assert [item.severity for item in found] == ["error"]
        assert said in found[0].numbers
