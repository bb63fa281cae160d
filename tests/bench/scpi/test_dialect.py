from pathlib import Path

import pytest

from cornerrun.bench.scpi.dialect import PACKAGED, condition_dialect, load_dialect, meter_dialect, supply_dialect
from cornerrun.bench.scpi.dialect_file import ConditionDialect, MeterDialect, SupplyDialect
from cornerrun.errors import PlanError, PlanProblems

OUTPUTS = (PACKAGED / "supply_outputs.yaml").read_text(encoding="utf-8")
METER = "format: 1\ntitle: a meter\nrole: meter\n"
SUPPLY = "format: 1\ntitle: a supply\nrole: supply\n"
CONDITION = 'format: 1\ntitle: a chamber\nrole: condition\ntarget: "TEMP {value}"\nread: "TEMP:ACT?"\n'


def test_without_a_name_the_generic_words_are_taken(tmp_path: Path) -> None:
    assert meter_dialect(None, tmp_path).nplc == "SENS:VOLT:DC:NPLC {nplc}"
    assert supply_dialect(None, tmp_path).outputs == 1
    assert condition_dialect(None, tmp_path).target == "TEMP {value}"


def test_every_packaged_dialect_can_be_loaded_by_its_role(tmp_path: Path) -> None:
    models = {"meter": MeterDialect, "supply": SupplyDialect, "condition": ConditionDialect}
    for path in sorted(PACKAGED.glob("*.yaml")):
        role = next(role for role in models if f"role: {role}\n" in path.read_text(encoding="utf-8"))
        dialect, source = load_dialect(path.stem, tmp_path, models[role])
        assert dialect.title
        assert source.role == "dialect"


@pytest.mark.parametrize("folder", ["", "dialects"])
def test_a_dialect_beside_the_bench_file_comes_before_the_packaged_one(tmp_path: Path, folder: str) -> None:
    (tmp_path / folder).mkdir(exist_ok=True)
    (tmp_path / folder / "meter.yaml").write_text(METER + 'fetch: "FETCH?"\nstart: null\n', encoding="utf-8")
    dialect = meter_dialect("meter", tmp_path)
    assert (dialect.fetch, dialect.start) == ("FETCH?", None)


@pytest.mark.parametrize("name", ["../meter", "/etc/passwd", "", "a/b", ".hidden"])
def test_the_name_of_a_dialect_is_no_path(tmp_path: Path, name: str) -> None:
    with pytest.raises(PlanError, match="is no name of a dialect"):
        load_dialect(name, tmp_path, MeterDialect)


def test_a_dialect_that_is_nowhere_says_what_the_package_has(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"no dialect 'mete'.*chamber, .*electronic_load, .*meter, supply"):
        meter_dialect("mete", tmp_path)


def test_a_dialect_for_another_role_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanProblems, match=r"supply\.yaml:\d+:\d+: role"):
        meter_dialect("supply", tmp_path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (METER + 'range: "RANG {volts}"\n', r"d\.yaml:4:8: range: \{volts\} is no hole .*known: \{range\}"),
        (METER + 'range: "RANG"\n', r"range: \{range\} is missing"),
        (METER + 'range: "RANG {range"\n', r"range: a brace has no partner"),
        (METER + 'fetch: "FETC"\n', r"fetch: 'FETC' is no question"),
        (METER + 'read: "READ?\\nREAD?"\n', r"read: a message is printable ASCII in one line"),
        (METER + 'reset: ["RST {x}"]\n', r"reset.*\{x\} is no hole .*none can stand here"),
        (METER + 'nplcs: "X {nplc}"\n', r"unknown key 'nplcs'; did you mean 'nplc'"),
    ],
)
def test_a_broken_meter_dialect_says_where_and_what(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "d.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(PlanProblems, match=message):
        meter_dialect("d", tmp_path)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (SUPPLY + "outputs: 2\n", r"d\.yaml:4:10: outputs: 2 outputs, and voltage, .* would not say which is meant"),
        (SUPPLY + "step: 0 V\n", r"step: .*out of range"),
        (SUPPLY + 'select: "INST 1"\n', r"select: \{output\} is missing"),
        (SUPPLY + 'is_on: {ask: "OUTP"}\n', r"is_on\.ask: 'OUTP' is no question"),
    ],
)
def test_a_broken_supply_dialect_says_where_and_what(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "d.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(PlanProblems, match=message):
        supply_dialect("d", tmp_path)


def test_outputs_may_be_selected_or_named_in_every_message(tmp_path: Path) -> None:
    assert supply_dialect("supply_outputs", tmp_path).select == "INST:NSEL {output}"
    named = {
        "voltage": "VOLT {value},(@{output})", "ask_voltage": "VOLT? (@{output})",
        "current_limit": "CURR {value},(@{output})", "ask_current_limit": "CURR? (@{output})",
        "protection": "VOLT:PROT {value},(@{output})", "ask_protection": "VOLT:PROT? (@{output})",
        "on": "OUTP ON,(@{output})", "off": "OUTP OFF,(@{output})", "measure_voltage": "MEAS:VOLT? (@{output})",
        "measure_current": "MEAS:CURR? (@{output})", "clear": "OUTP:PROT:CLE (@{output})",
    }  # fmt: skip
    states = dict.fromkeys(("is_on", "over_voltage", "over_current"), '{ask: "X? (@{output})", mask: 1}')
    text = SUPPLY + "outputs: 2\n" + "".join(f'{name}: "{word}"\n' for name, word in named.items())
    text += "".join(f"{name}: {word}\n" for name, word in states.items())
    (tmp_path / "d.yaml").write_text(text, encoding="utf-8")
    assert supply_dialect("d", tmp_path).troubles() == []


def test_a_condition_must_say_how_it_is_set_and_read(tmp_path: Path) -> None:
    (tmp_path / "d.yaml").write_text("format: 1\ntitle: t\nrole: condition\n", encoding="utf-8")
    with pytest.raises(PlanProblems, match=r"target.*(\n.*)*read"):
        condition_dialect("d", tmp_path)
    (tmp_path / "d.yaml").write_text(CONDITION + 'rest: 25\ntrouble: {door: {ask: "DOOR?"}}\n', encoding="utf-8")
    dialect = condition_dialect("d", tmp_path)
    assert (dialect.rest, dialect.trouble["door"].ask) == (25.0, "DOOR?")
