import json

import jsonschema
import pytest
from ruamel.yaml import YAML

from cornerrun.cli.main import main

KINDS = (
    "plan",
    "limits",
    "bench",
    "simulation",
    "profile",
    "meter-dialect",
    "supply-dialect",
    "condition-dialect",
    "report",
)


@pytest.fixture
def schema(desk, monkeypatch, capsys):
    monkeypatch.chdir(desk)

    def call(*arguments):
        with pytest.raises(SystemExit) as ended:
            main(["schema", *map(str, arguments)])
        captured = capsys.readouterr()
        return ended.value.code, captured.out, captured.err

    return call


@pytest.mark.parametrize("kind", KINDS)
def test_prints_a_sound_schema_of_each_kind_of_file(schema, kind):
    code, out, _ = schema(kind)
    assert code == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(out))


def test_prints_all_of_them_by_kind(schema):
    assert tuple(json.loads(schema()[1])) == KINDS


def test_writes_one_file_a_kind(schema, desk):
    code, out, _ = schema("--out", "schemas")
    assert code == 0
    assert sorted(path.name for path in (desk / "schemas").iterdir()) == sorted(
        f"cornerrun-{kind}.schema.json" for kind in KINDS
    )
    assert out.count("written: ") == len(KINDS)


def test_a_folder_that_cannot_be_written_is_told(schema, desk):
    (desk / "taken").write_text("", encoding="utf-8")
    code, _, err = schema("--out", "taken/below")
    assert code == 2
    assert "schemas cannot be written there" in err


def test_an_unknown_kind_is_a_usage_error(schema):
    assert schema("plans")[0] == 2


@pytest.mark.parametrize("name", ["quickstart_board.yaml", "forty_rails_board.yaml"])
def test_accepts_the_simulations_of_the_package(schema, desk, name):
    loaded = YAML(typ="safe", pure=True).load((desk / name).read_text(encoding="utf-8"))
    data = json.loads(json.dumps(loaded, default=str))
    errors = jsonschema.Draft202012Validator(json.loads(schema("simulation")[1])).iter_errors(data)
    assert [error.message for error in errors] == []


def test_accepts_the_profile_of_the_package(schema):
    from importlib.resources import files

    text = (files("cornerrun.bench.pmbus") / "profiles" / "generic.yaml").read_text(encoding="utf-8")
    data = json.loads(json.dumps(YAML(typ="safe", pure=True).load(text), default=str))
    errors = jsonschema.Draft202012Validator(json.loads(schema("profile")[1])).iter_errors(data)
    assert [error.message for error in errors] == []


def test_accepts_every_dialect_of_the_package(schema):
    from cornerrun.bench.scpi.dialect import PACKAGED

    paths = sorted(PACKAGED.glob("*.yaml"))
    assert len(paths) >= 6
    for path in paths:
        data = json.loads(json.dumps(YAML(typ="safe", pure=True).load(path.read_text(encoding="utf-8"))))
        validator = jsonschema.Draft202012Validator(json.loads(schema(f"{data['role']}-dialect")[1]))
        assert [error.message for error in validator.iter_errors(data)] == []
