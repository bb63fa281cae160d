import json
from pathlib import Path

import jsonschema
import pytest
from ruamel.yaml import YAML

from cornerrun.plan.schema import schemas

PLANS = Path(__file__).parents[2] / "plans"


def problems(kind: str, text: str) -> list[str]:
    """Validate as an editor does: YAML makes numbers, dates and flags of what the loader reads as text."""
    data = json.loads(json.dumps(YAML(typ="safe", pure=True).load(text), default=str))
    validator = jsonschema.Draft202012Validator(dict(schemas()[kind]))
    return [f"{'.'.join(map(str, error.path))}: {error.message}" for error in validator.iter_errors(data)]


@pytest.mark.parametrize("kind", ["plan", "limits", "bench"])
def test_is_a_schema(kind: str) -> None:
    jsonschema.Draft202012Validator.check_schema(dict(schemas()[kind]))


def test_accepts_a_plan_that_the_loader_accepts(plan_text: str) -> None:
    assert problems("plan", plan_text) == []


def test_accepts_texts_that_look_like_numbers(plan_text: str) -> None:
    text = plan_text.replace("revision: C", "revision: 1.10").replace("address: 0x40", "address: '0x40'")
    text = text.replace("trials: 30", "trials: 30, settings: {port: 00123, on: off}")
    assert problems("plan", text) == []


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("nominal: 0.90 V", "nominal: 0.90"),
        ("nominal: 0.90 V", "nominal: 0.90 A"),
        ("nominal: 0.90 V", "nominl: 0.90 V"),
        ("first: true", "first: maybe"),
        ("trials: 30", "trials: many"),
        ("[high, low]", "high"),
        ("defaults: {rail:", "defaults: {rial:"),
        ("title: Tide", "titel: Tide"),
    ],
)
def test_refuses_what_the_loader_refuses(plan_text: str, old: str, new: str) -> None:
    assert plan_text.count(old) >= 1
    assert problems("plan", plan_text.replace(old, new, 1)) != []


@pytest.mark.skipif(not PLANS.is_dir(), reason="the plans are not beside this checkout")
@pytest.mark.parametrize(
    ("kind", "path"),
    [(kind, path) for kind, suffix in (("plan", ""), ("bench", "_bench"), ("limits", "_limits"))
     for path in sorted(PLANS.glob(f"*{suffix}.yaml"))
     if suffix or not path.stem.endswith(("_bench", "_board", "_limits"))],
    ids=lambda value: getattr(value, "name", value),
)  # fmt: skip
def test_accepts_the_plans_of_the_package(kind: str, path: Path) -> None:
    assert problems(kind, path.read_text(encoding="utf-8")) == []
