import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cornerrun.errors import UnitError
from cornerrun.units import Kind, kind_of, pattern, quantity, show

finite = st.floats(allow_nan=False, allow_infinity=False, min_value=-1e9, max_value=1e9)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("850 mV", Kind.VOLTAGE, 0.85),
        ("0.85V", Kind.VOLTAGE, 0.85),
        (" .5 V ", Kind.VOLTAGE, 0.5),
        ("+1.2e3 µV", Kind.VOLTAGE, 0.0012),
        ("1.2e3 μV", Kind.VOLTAGE, 0.0012),
        ("-7 %", Kind.RATIO, -0.07),
        ("5%", Kind.RATIO, 0.05),
        ("35 ppm", Kind.RATIO, 35e-6),
        ("1 per mil", Kind.RATIO, 0.001),
        ("20 min", Kind.TIME, 1200.0),
        ("1.5 h", Kind.TIME, 5400.0),
        ("60 ms", Kind.TIME, 0.06),
        ("400 kHz", Kind.FREQUENCY, 400e3),
        ("2 mOhm", Kind.RESISTANCE, 0.002),
        ("2 kΩ", Kind.RESISTANCE, 2000.0),
        ("-10 °C", Kind.TEMPERATURE, -10.0),
        ("1 V/ms", Kind.SLEW, 1000.0),
        ("2 mV/us", Kind.SLEW, 2000.0),
        ("5 ppm/K", Kind.TEMPERATURE_COEFFICIENT, 5e-6),
    ],
)
def test_reads_a_quantity_in_si_units(text: str, kind: Kind, value: float) -> None:
    assert quantity(text, kind) == value


@pytest.mark.parametrize(
    ("text", "kind", "said"),
    [
        ("0,85 V", Kind.VOLTAGE, "'0,85 V' is no quantity; use a decimal point, not a comma: '0.85 V'"),
        ("0,85", Kind.VOLTAGE, "'0,85' is no quantity; use a decimal point, not a comma: '0.85'"),
        ("1,000.5 V", Kind.VOLTAGE, "'1,000.5 V' is no quantity; write it like '850 mV'"),
        ("0.85", Kind.VOLTAGE, "'0.85' has no unit; write it like '0.85 V'"),
        ("5", Kind.RATIO, "'5' has no unit; write it like '5 %'"),
        ("5", Kind.TIME, "'5' has no unit; write it like '5 s'"),
        ("nan V", Kind.VOLTAGE, "'nan V' is no quantity; write it like '850 mV'"),
        ("inf V", Kind.VOLTAGE, "'inf V' is no quantity; write it like '850 mV'"),
        ("1e999 V", Kind.VOLTAGE, "'1e999 V' is not finite; write it like '850 mV'"),
        ("1e308 kV", Kind.VOLTAGE, "'1e308 kV' is not finite; write it like '850 mV'"),
        ("850 mv", Kind.VOLTAGE, "'850 mv': unit 'mv' does not fit here; letter case counts: write 'mV'"),
        ("5 percent", Kind.RATIO, "'5 percent': unit 'percent' does not fit here; write '%'"),
        ("2 sec", Kind.TIME, "'2 sec': unit 'sec' does not fit here; write 's'"),
        ("25 C", Kind.TEMPERATURE, "'25 C': unit 'C' does not fit here; write 'degC'"),
        ("1 A", Kind.VOLTAGE, "'1 A': unit 'A' does not fit here; write it like '850 mV'"),
        ("\N{MINUS SIGN}5 %", Kind.RATIO, "'\N{MINUS SIGN}5 %' is no quantity; use a plain minus sign: '-5 %'"),
        ("V", Kind.VOLTAGE, "'V' is no quantity; write it like '850 mV'"),
        ("", Kind.VOLTAGE, "'' is no quantity; write it like '850 mV'"),
        ("1 2 V", Kind.VOLTAGE, "'1 2 V' is no quantity; write it like '850 mV'"),
        ("1_000 V", Kind.VOLTAGE, "'1_000 V': unit '_000 V' does not fit here; write it like '850 mV'"),
        ("٣ V", Kind.VOLTAGE, "'٣ V' is no quantity; write it like '850 mV'"),
        ("9" * 80 + " V", Kind.VOLTAGE, "'" + "9" * 57 + "...' is no quantity; write it like '850 mV'"),
    ],
)  # fmt: skip
def test_refuses_what_is_no_quantity_and_says_what_to_write(text: str, kind: Kind, said: str) -> None:
    with pytest.raises(UnitError) as caught:
        quantity(text, kind)
    assert str(caught.value) == said


@given(value=finite, kind=st.sampled_from(Kind))
def test_a_number_with_the_unit_of_its_kind_is_itself(value: float, kind: Kind) -> None:
    unit = kind.unit or "%"
    read = quantity(f"{value!r} {unit}", kind)
    assert math.isclose(read, value * (0.01 if kind is Kind.RATIO else 1.0), rel_tol=1e-15, abs_tol=1e-300)


@given(millivolts=st.integers(-100_000, 100_000))
def test_a_prefix_scales_in_decimal_so_that_equal_texts_are_equal_floats(millivolts: int) -> None:
    sign, whole, rest = "-" if millivolts < 0 else "", abs(millivolts) // 1000, abs(millivolts) % 1000
    assert quantity(f"{millivolts} mV", Kind.VOLTAGE) == float(f"{sign}{whole}.{rest:03d}")


@given(
    value=st.floats(1e-6, 1e5) | st.floats(-1e5, -1e-6) | st.just(0.0),
    kind=st.sampled_from([Kind.VOLTAGE, Kind.CURRENT, Kind.POWER, Kind.FREQUENCY, Kind.RATIO]),
)
def test_what_is_shown_reads_back_to_the_digits_shown(value: float, kind: Kind) -> None:
    shown = show(value, kind, digits=6)
    assert math.isclose(quantity(shown, kind), value, rel_tol=1e-5)


@given(text=st.text(max_size=20), kind=st.sampled_from(Kind))
def test_any_text_is_read_or_refused_and_the_pattern_agrees(text: str, kind: Kind) -> None:
    fits = re.search(pattern(kind), text) is not None
    try:
        is_read, said = math.isfinite(quantity(text, kind)), ""
    except UnitError as error:
        is_read, said = False, str(error)
    assert is_read or "; " in said
    assert fits == is_read or "not finite" in said


@pytest.mark.parametrize(
    ("value", "kind", "shown"),
    [
        (0.85, Kind.VOLTAGE, "850 mV"),
        (3.3, Kind.VOLTAGE, "3.3 V"),
        (12000.0, Kind.VOLTAGE, "12000 V"),
        (0.0, Kind.VOLTAGE, "0 V"),
        (-0.0012, Kind.VOLTAGE, "-1.2 mV"),
        (0.0025, Kind.RATIO, "0.25 %"),
        (35e-6, Kind.RATIO, "35 ppm"),
        (0.06, Kind.TIME, "60 ms"),
        (119.0, Kind.TIME, "119 s"),
        (125.0, Kind.TIME, "2 min 05 s"),
        (7260.0, Kind.TIME, "2 h 01 min"),
        (25.0, Kind.TEMPERATURE, "25 degC"),
        (math.nan, Kind.VOLTAGE, "nan"),
        (0.9999999, Kind.VOLTAGE, "1 V"),
    ],
)
def test_shows_a_quantity_as_a_person_writes_it(value: float, kind: Kind, shown: str) -> None:
    assert show(value, kind) == shown


def test_every_example_is_a_quantity_and_fits_the_pattern() -> None:
    for kind in Kind:
        assert math.isfinite(quantity(kind.example, kind))
        assert re.search(pattern(kind), kind.example)


def test_a_unit_tells_its_kind() -> None:
    assert kind_of("mV") is Kind.VOLTAGE
    assert kind_of("%") is Kind.RATIO
    assert kind_of(" degC ") is Kind.TEMPERATURE
    assert kind_of("furlong") is None
