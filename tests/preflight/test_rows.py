"""Each row of the arithmetic before a run: a plan that trips it, and a near neighbour that passes.

What the words mean is worked out once: VOUT_MODE 0x14 is a step of 1/4096 V. CORE: nominal 3482 = 0.850098 V, high
3656 = 0.892578 V, low 3308 = 0.807617 V. DDR: nominal 4915 = 1.199951 V, high 5161 = 1.260010 V, low 4669 = 1.139893 V.
Accuracy 0.5 % takes CORE high to 0.897041 V and low to 0.803579 V. Figures are computed; none is published.
"""

import numpy as np
import pytest

CORE, DDR = "page: 0}}", "page: 1}}"
NOISY = "ripple: 10 mV, overshoot: 8 mV, comparator: 1.5 %"


def core(text: str) -> list[tuple[str, str]]:
    """Add keys to CORE."""
    return [(CORE, f"page: 0}}, {text}}}")]


def limit(name: str, volts: str, more: str = "") -> list[tuple[str, str]]:
    return core(f"device_limits: {{{name}: {volts}}}{', ' if more else ''}{more}")


def fed(text: str) -> list[tuple[str, str]]:
    return core(f"upstream: {{rail: DDR, {text}}}")


def accept(text: str) -> list[tuple[str, str]]:
    return [("command: [./link.sh],", f"command: [./link.sh], accept: {{{text}}},")]


def meter(reading: str) -> list[tuple[str, str]]:
    return [("reading: 35 ppm", f"reading: {reading}"), ("  voltage:", "  trim: {claim: 0.25 %}\n  voltage:")]


ALL_LOW = [
    ("- all_rails: [high, low]\n    - single_rail: [high, low]", "- all_rails: [low]"),
    ("[nominal, all *]", "[nominal, all low]"),
]
VIN = [
    ("\ncorners:\n", "\nconditions:\n  - {name: vin, levels: {low: 4.5 V, full: 5 V}}\ncorners:\n"),
    ("channels: {CORE", "conditions: {vin: {driver: simulated}}\nchannels: {CORE"),
]
# (name, what trips it, what passes, severity, rule, a part of what is said)
ROWS: list[tuple[str, list[tuple[str, str]], list[tuple[str, str]], str, str, str]] = [
    # 0.897041 V against the fault itself.
    (
        "OV fault, accuracy alone",
        limit("ov_fault", "0.8970 V"),
        limit("ov_fault", "0.8971 V"),
        "error",
        "device limits",
        "high at 892.58 mV may come to 897.04 mV (accuracy 0.5 %), and ov_fault in the plan of 897 mV acts there",
    ),
    # 0.897041 + 0.005 + 0.008 = 0.910041 V; 0.923 less 1.5 % = 0.909155 V, 0.925 less 1.5 % = 0.911125 V.
    (
        "OV fault, all told",
        limit("ov_fault", "0.923 V", NOISY),
        limit("ov_fault", "0.925 V", NOISY),
        "error",
        "device limits",
        "910.04 mV (accuracy 0.5 %, half of 10 mV ripple, 8 mV overshoot), and ov_fault in the plan of 923 mV may act",
    ),
    (
        "OV warning, all told",
        limit("ov_warn", "0.923 V", NOISY),
        limit("ov_warn", "0.925 V", NOISY),
        "warning",
        "device limits",
        "the device would warn",
    ),
    # What the converter may read: 0.897041 * 1.005 + 3 * 1 mV = 0.904526 V.
    (
        "OV warning by the device's converter",
        limit("ov_warn", "0.9045 V", "telemetry: {noise: 1 mV, error: 0.5 %}"),
        limit("ov_warn", "0.9046 V", "telemetry: {noise: 1 mV, error: 0.5 %}"),
        "warning",
        "device limits",
        "high at 892.58 mV may read 904.53 mV (accuracy 0.5 %, telemetry error 0.5 %, 3 x 1 mV telemetry noise)",
    ),
    (
        "OV warning below the setpoint itself",
        limit("ov_warn", "0.8925 V"),
        limit("ov_warn", "0.8971 V"),
        "error",
        "device limits",
        "high is 892.58 mV, and ov_warn in the plan is 892.5 mV",
    ),
    # 0.803579 - 0.005 - 0.008 = 0.790579 V; 0.779 and 1.5 % = 0.790685 V, 0.7785 and 1.5 % = 0.790178 V.
    (
        "UV fault, all told",
        limit("uv_fault", "0.779 V", NOISY),
        limit("uv_fault", "0.7785 V", NOISY),
        "error",
        "device limits",
        "790.58 mV (accuracy 0.5 %, half of 10 mV ripple, 8 mV undershoot), and uv_fault in the plan of 779 mV may act",
    ),
    ("UV warning", limit("uv_warn", "0.8036 V"), limit("uv_warn", "0.8035 V"), "warning", "device limits", "uv_warn"),
    (
        "a limit as a share of nominal",  # 105.5 % of 0.85 V is 0.89675 V, 105.6 % is 0.8976 V
        limit("ov_fault", "105.5 %"),
        limit("ov_fault", "105.6 %"),
        "error",
        "device limits",
        "ov_fault in the plan of 896.75 mV",
    ),
    (
        "VOUT_MAX",
        limit("vout_max", "0.8925 V"),
        limit("vout_max", "0.8926 V"),
        "error",
        "device limits",
        "high is 892.58 mV, beyond vout_max in the plan of 892.5 mV: the device would clamp there, in silence",
    ),
    ("VOUT_MIN", limit("vout_min", "0.8077 V"), limit("vout_min", "0.8076 V"), "error", "device limits", "vout_min"),
    (
        "power good at low, at worst",
        limit("power_good_off", "0.8036 V"),
        limit("power_good_off", "0.8035 V"),
        "warning",
        "power good",
        "power good would go away",
    ),
    (
        "power good at low, surely",
        limit("power_good_off", "0.8077 V"),
        limit("power_good_off", "0.8035 V"),
        "error",
        "power good",
        "low is 807.62 mV, and power_good_off in the plan is 807.7 mV",
    ),
    # Nominal at worst: 0.850098 less 0.5 % = 0.845847 V.
    (
        "power good back at nominal",
        limit("power_good_on", "0.8459 V"),
        limit("power_good_on", "0.8458 V"),
        "warning",
        "power good",
        "power good would not come back at nominal",
    ),
    # 0.897041 V and 23 mV are 0.920041 V; the hard limit is 0.92 V.
    (
        "hard limit, with load steps",
        core("overshoot: 23.0 mV"),
        core("overshoot: 22.9 mV"),
        "error",
        "hard limits",
        "may come to 920.04 mV (accuracy 0.5 %, 23 mV overshoot), beyond the hard limit of 920 mV by 41.016 µV",
    ),
    # 0.892578 - 0.850098 = 42.480 mV, and low is 42.481 mV away; 44.7 mV less 5 % = 42.465, 44.8 mV less 5 % = 42.56.
    (
        "trim authority",
        core("trim: {range: 44.7 mV, tolerance: 5 %}"),
        core("trim: {range: 44.8 mV, tolerance: 5 %}"),
        "error",
        "trim authority",
        "asks for a move of 42.48 mV, and the trim is sure to reach 42.465 mV (44.7 mV less 5 %)",
    ),
    # Half a step against a tenth of 42.48 mV.
    (
        "trim steps against the margin",
        core("trim: {step: 8.6 mV}"),
        core("trim: {step: 8.4 mV}"),
        "warning",
        "trim authority",
        "one step of the trim is 8.6 mV: its rounding may take 10.1 % of the margin",
    ),
    # DDR low gives at worst 1.139893 less 0.5 % = 1.134193 V, CORE nominal takes at worst 0.854348 V: 279.845 mV left.
    (
        "dropout, at worst",
        fed("dropout: 280 mV"),
        fed("dropout: 279.8 mV"),
        "warning",
        "upstream headroom",
        "1.1342 V; output 850.1 mV, at worst 854.35 mV, leaves 279.84 mV of the 280 mV that the regulator needs",
    ),
    (
        "dropout, surely",  # 1.139893 - 0.850098 = 289.795 mV
        fed("dropout: 290 mV"),
        fed("dropout: 279.8 mV"),
        "error",
        "upstream headroom",
        "of the 290 mV",
    ),
    (
        "greatest duty",  # 0.854348 / 1.134193 = 75.33 %
        fed("max_duty: 75.3 %"),
        fed("max_duty: 75.4 %"),
        "warning",
        "upstream headroom",
        "asks for a duty of 75.33 %, and 75.3 % is the most",
    ),
    (
        "lockout",
        fed("lockout: 1.1342 V"),
        fed("lockout: 1.1341 V"),
        "warning",
        "upstream headroom",
        "the converter turns off below 1.1342 V",
    ),
    (
        "lockout at a low input voltage",
        [*core("upstream: {condition: vin, lockout: 4.6 V}"), *VIN],
        [*core("upstream: {condition: vin, lockout: 4.4 V}"), *VIN],
        "error",
        "upstream headroom",
        "condition vin gives 4.5 V, at worst 4.5 V, and the converter turns off below 4.6 V; corner",
    ),
    # At low 10 A are 9.501 A: 0.803579 V less 3.80 mV = 0.799778 V, less 2.85 mV = 0.800728 V.
    (
        "the load's pin at low",
        core("load: {current: 10 A, path: 0.4 mOhm, min: 0.80 V}"),
        core("load: {current: 10 A, path: 0.3 mOhm, min: 0.80 V}"),
        "warning",
        "load pin",
        "low may be 799.78 mV at the load's pin (accuracy 0.5 %, 3.8006 mV in the path), and its range begins at 800",
    ),
    (
        "the load's pin at high",
        core("load: {max: 0.8970 V}"),
        core("load: {max: 0.8971 V}"),
        "warning",
        "load pin",
        "its range ends at 897 mV",
    ),
    # Constant power: 10 A * 0.85 / 0.807617 = 10.525 A, at worst / 0.803579 = 10.578 A.
    (
        "constant power at low, at worst",
        core("load: {current: 10 A, kind: constant power, limit: 10.55 A}"),
        core("load: {current: 10 A, kind: constant power, limit: 10.58 A}"),
        "warning",
        "load current",
        "low draws 10.52 A, at worst 10.58 A (constant power, 10 A at nominal), and the supply's limit is 10.55 A",
    ),
    (
        "switching logic at high, surely",  # 10 A * 0.892578 / 0.85 = 10.501 A
        core("load: {current: 10 A, limit: 10.5 A}"),
        core("load: {current: 10 A, limit: 10.56 A}"),
        "error",
        "load current",
        "high draws 10.5 A",
    ),
    # Both rails go low together; for a while DDR may be there and CORE not yet: 1.139893 - 0.850098 = 0.289795 V,
    # though the targets' difference is 0.29 V exactly. At the corner itself it is 0.332 V.
    (
        "a relation between old and new, as the words mean it",
        [*ALL_LOW, ("min: 0.2 V", "min: 0.29 V")],
        [*ALL_LOW, ("min: 0.2 V", "min: 0.2897 V")],
        "error",
        "relations",
        "DDR - CORE could be 289.79 mV on the way, below 290 mV, as the words mean it (CORE to low, DDR to low; corner",
    ),
    # High to low is 84.961 mV, 284 steps of 0.3 mV.
    (
        "a closed-loop trim that is too slow",
        core("trim: {step: 0.3 mV, update: 7 ms}"),
        core("trim: {step: 0.3 mV, update: 3 ms}"),
        "error",
        "settling",
        "892.58 mV to 807.62 mV takes 1.988 s into the band (284 trim steps of 7 ms); with one conversion every 20 ms",
    ),
    (
        "a ramp that leaves no room",  # 84.961 mV at 0.08 V/s are 1.062 s of 2 s, at 0.1 V/s 0.850 s
        core("response: {slew: 0.08 V/s}"),
        core("response: {slew: 0.1 V/s}"),
        "warning",
        "settling",
        "(ramp 1.062 s)",
    ),
    (
        "a time constant that is too long",  # ln(84.961 / 8.076) = 2.353 time constants into 1 % of 0.8076 V
        core("response: {time_constant: 900 ms}"),
        core("response: {time_constant: 380 ms}"),
        "error",
        "settling",
        "2.4 time constants of 900 ms",
    ),
    # Limits of error without a coverage factor: U = 2 * limit / sqrt(3). CORE low, on 1 V: 600 ppm * 0.807617 + 5 uV =
    # 0.48957 mV, U = 0.5653 mV; the claim is 2.0190 mV: 3.57 to 1. At 480 ppm 4.4 and, DDR on 10 V, 4.1 to 1.
    (
        "a meter that is not good enough for the claim",
        meter("600 ppm"),
        meter("480 ppm"),
        "warning",
        "meter",
        "2.019 mV at 807.62 mV, and the meter's expanded uncertainty (k = 2) on its range of 1 V is 565.31 µV",
    ),
    (
        "an error ratio without counted bits",
        accept("ber: {max: 1e-12}"),
        accept("ber: {max: 1e-12}, bits: {min: 3e12}"),
        "error",
        "error ratio",
        "'link errors' judges 'ber', a ratio of errors, and asks for no count of what was sent",
    ),
    # Without an error 2e12 bits show 1.498e-12 at 95 % (-ln 0.05 / n); 3e12 show 0.9986e-12.
    (
        "too few bits for the ratio that is asked",
        accept("bit error rate: {max: 1e-12}, bits: {min: 2e12}"),
        accept("bit error rate: {max: 1e-12}, bits: {min: 3e12}"),
        "error",
        "error ratio",
        "2e+12 bits without an error show a ratio below 1.5e-12 at 95 % confidence, and can never show the 1e-12",
    ),
]


@pytest.mark.parametrize(
    ("trips", "severity", "rule", "said"), [(r[1], r[3], r[4], r[5]) for r in ROWS], ids=[r[0] for r in ROWS]
)
def test_a_row_trips(looked, trips, severity: str, rule: str, said: str) -> None:
    found = looked(*trips)
    assert {(item.severity, item.rule) for item in found} == {(severity, rule)}
    assert any(said in item.numbers for item in found), [item.numbers for item in found]
    assert all(item.advice and item.position for item in found)


@pytest.mark.parametrize("passes", [r[2] for r in ROWS], ids=[r[0] for r in ROWS])
def test_its_near_neighbour_passes(looked, passes) -> None:
    assert looked(*passes) == []


def test_trim_steps_as_coarse_as_the_band_can_never_settle(looked) -> None:
    # 1 % of 0.8075 V is 8.075 mV: half a step of 16.2 mV is beyond, of 16.1 mV within.
    errors = [item for item in looked(*core("trim: {step: 16.2 mV}")) if item.severity == "error"]
    assert [(item.rule, item.rail) for item in errors] == [("trim authority", "CORE")]
    assert errors[0].advice == "widen the band: the rail may never settle"
    assert {item.severity for item in looked(*core("trim: {step: 16.1 mV}"))} == {"warning"}


def test_the_side_of_a_rail_that_is_fed_is_told_at_its_worst_corner_only(looked) -> None:
    found = looked(*fed("dropout: 340 mV"))
    assert [(item.severity, item.rule, item.rail) for item in found] == [("error", "upstream headroom", "CORE")]


def test_power_at_high_margin_is_told(looked) -> None:
    # Switching logic: power goes with the square of the voltage. (0.892578 / 0.850098) ** 2 - 1 = 10.24 % (5 % and its
    # rounding; exactly 5 % would be 10.25 %).
    numbers = [i.numbers for i in looked(*core("load: {current: 10 A}"), notes=True) if i.rule == "power"]
    assert numbers == ["1 load of known current draws 8.502 W at nominal and 9.373 W at 'all high' (+10.24 %)"]


def test_a_fault_in_one_trial_of_twenty_is_weighed(looked) -> None:
    # 1 - 0.95 ** 30 = 78.5 %; 59 trials see it with 95 % (ln 0.05 / ln 0.95 = 58.4; zero-failure rule, computed).
    found = [i for i in looked(notes=True) if i.rule == "intermittent"]
    assert found[0].numbers == (
        "'memory march': a fault in 5 % of trials shows itself in 30 trials with a chance of 78.5 %, and a corner that "
        "has it passes with one of 21.5 %"
    )
    assert found[0].advice == "59 trials would show it with 95 %"


def test_counted_bits_without_a_ratio_are_told_what_they_show(looked) -> None:
    notes = [i.numbers for i in looked(*accept("errors: {max: 0}, bits: {min: 3e12}"), notes=True)]
    assert "'link errors': no errors in 3e+12 bits show a ratio below 1e-12 at 95 % confidence, a trial" in notes


def test_what_could_not_be_looked_at_is_said(looked) -> None:
    notes = [i.numbers for i in looked(notes=True) if i.rule == "not checked"]
    assert any("no vout_max, ov_fault, ov_warn, uv_warn, uv_fault, vout_min" in text for text in notes)
    assert any(text.startswith("ripple and overshoot of CORE, DDR, VTT are not told") for text in notes)
    told = core(f"{NOISY}, telemetry: {{noise: 0.1 mV}}, device_limits: {{ov_fault: 0.95 V}}")
    after = [i.numbers for i in looked(*told, notes=True) if i.rule == "not checked"]
    assert any(text.startswith("ripple and overshoot of DDR, VTT are not told") for text in after)
    assert any("no ov_fault is known for DDR" in text for text in after)


def test_the_risk_of_a_poor_meter_is_told_in_figures(looked) -> None:
    # Claim 2.0190 mV, meter 0.5653 mV / 2, set-points normal with 2.0190 mV / 1.95996; against random draws.
    (found, *_) = looked(*meter("600 ppm"))
    rng = np.random.default_rng(1)
    error = rng.normal(0.0, 2.0190 / 1.95996, 400_000)
    reading = error + rng.normal(0.0, 0.5653 / 2, error.size)
    wrong = float(np.mean((abs(error) > 2.0190) & (abs(reading) <= 2.0190))) * 100
    said = float(found.numbers.split("keep the claim, ")[1].split(" %")[0])
    assert said == pytest.approx(wrong, abs=0.06)  # four standard errors of 400 000 draws
