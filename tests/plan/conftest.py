"""A plan of six rails that tests change one line of, and the problems that come of it."""

from collections.abc import Callable
from pathlib import Path

import pytest

from cornerrun.errors import PlanProblems
from cornerrun.plan.load import load_plan

PLAN = """\
format: 1
title: Tide-gauge node, quick margin screen
board: {name: tide-gauge node, revision: C}
bench: bench.yaml
devices:
  PM1: {bus: main, address: 0x40, profile: generic, identity: {model: PM8}}
defaults: {rail: {accuracy: 0.5 %, settle: {band: 0.5 %, stable_for: 60 ms, timeout: 2 s}}}
rails:
  - {name: CORE, nominal: 0.85 V, margin: 5 %, hard_limits: {min: 0.78 V, max: 0.92 V}, power: {device: PM1, page: 0}}
  - name: SRAM
    nominal: 0.90 V
    margin: {high: 5 %, low: 3 %}
    hard_limits: {min: 0.83 V, max: 0.97 V}
    power: {device: PM1, page: 1}
  - name: DDR
    nominal: 1.20 V
    margin: {high: 1.26 V, low: 1.14 V}
    hard_limits: {min: 1.11 V, max: 1.29 V}
    power: {device: PM1, page: 2}
  - {name: VTT, nominal: 0.60 V, tracks: {rail: DDR, ratio: 0.5}, hard_limits: {min: 0.55 V, max: 0.65 V}}
  - name: IO
    nominal: 1.80 V
    margin: 5 %
    levels: {low7: -7 %}
    hard_limits: {min: 1.62 V, max: 1.98 V}
    power: {device: PM1, page: 3}
  - {name: AUX, nominal: 3.30 V, why_fixed: bus pull-ups, hard_limits: {min: 3.0 V, max: 3.6 V}}
groups: {logic: [CORE, SRAM], pads: [IO]}
between_rails:
  - {rail: IO, minus: CORE, min: 0.7 V, max: 1.2 V}
corners:
  control_points: {first: true, every: 10, last: true, drift: 0.1 %}
  schemes:
    - all_rails: [high, low]
    - single_rail: [high, low]
    - covering: {strength: 2, levels: [high, low]}
    - full_factorial: {rails: [CORE, IO], levels: [low, nominal, high]}
    - {name: logic up pads down, levels: {logic: high, pads: low}}
  forbidden:
    - {CORE: high, SRAM: low}
checks:
  - {name: memory march, python: "checks.py:memory_march", trials: 30, timeout: 5 s, takes: 20 ms}
  - {name: link errors, command: [./link.sh], timeout: 10 s, accept: {errors: {max: 0}}}
criteria:
  checks: {demonstrate: {pass_probability: 0.90, confidence: 0.95}}
  voltage: {window: 1 %}
"""

Broken = Callable[..., list[str]]


@pytest.fixture
def plan_text() -> str:
    return PLAN


@pytest.fixture
def broken(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Broken:
    """Change a text of the plan and return the lines of its problems; none if it loads."""
    monkeypatch.chdir(tmp_path)

    def problems(old: str, new: str, **files: str) -> list[str]:
        assert PLAN.count(old) >= 1, old
        Path("plan.yaml").write_text(PLAN.replace(old, new, 1), encoding="utf-8")
        for name, text in files.items():
            Path(name.replace("_dot_", ".")).write_text(text, encoding="utf-8")
        try:
            load_plan(Path("plan.yaml"))
        except PlanProblems as error:
            return str(error).splitlines()
        return []

    return problems
