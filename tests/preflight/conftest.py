"""A sound plan and bench that each test spoils in one place."""

from collections.abc import Callable
from pathlib import Path

import pytest

from cornerrun.plan.load import load_bench, load_plan
from cornerrun.preflight.finding import Finding
from cornerrun.preflight.rules import findings

PLAN = """\
format: 1
title: Tide-gauge node
board: {name: tide-gauge node, revision: C}
devices:
  PM1: {bus: main, address: 0x40, vout_mode: 0x14}
defaults: {rail: {accuracy: 0.5 %, settle: {band: 1 %, stable_for: 60 ms, timeout: 2 s}}}
rails:
  - {name: CORE, nominal: 0.85 V, margin: 5 %, hard_limits: {min: 0.78 V, max: 0.92 V}, power: {device: PM1, page: 0}}
  - {name: DDR, nominal: 1.20 V, margin: 5 %, hard_limits: {min: 1.11 V, max: 1.29 V}, power: {device: PM1, page: 1}}
  - {name: VTT, nominal: 0.60 V, tracks: {rail: DDR, ratio: 0.5}, hard_limits: {min: 0.55 V, max: 0.65 V}}
  - {name: AUX, nominal: 3.30 V, hard_limits: {min: 3.0 V, max: 3.6 V}}
between_rails:
  - {rail: DDR, minus: CORE, min: 0.2 V, max: 0.6 V}
corners:
  schemes:
    - all_rails: [high, low]
    - single_rail: [high, low]
checks:
  - {name: memory march, python: "checks.py:march", trials: 30}
  - {name: link errors, command: [./link.sh], at: {corners: [nominal, all *]}, criterion: {screen: {failures: 0}}}
criteria:
  checks: {demonstrate: {pass_probability: 0.90, confidence: 0.95}}
  voltage: {window: 1 %}
"""
BENCH = """\
format: 1
station: desk
kind: hardware
buses: {main: {link: "tcp:127.0.0.1:5030"}}
instruments:
  meter:
    driver: scpi-meter
    resource: TCPIP::127.0.0.1::5025::SOCKET
    uncertainty: {reading: 35 ppm, range: 5 ppm}
    due: 2999-01-01
channels: {CORE: 101, DDR: 102, VTT: 103, AUX: 104}
"""

Looked = Callable[..., list[Finding]]


@pytest.fixture
def looked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Looked:
    """Change texts of plan and bench, and return the findings that are no notes."""
    monkeypatch.chdir(tmp_path)
    Path("checks.py").write_text("def march(view):\n    return True\n", encoding="utf-8")
    Path("link.sh").write_text("#!/bin/sh\n", encoding="utf-8")
    Path("link.sh").chmod(0o755)

    def look(*changes: tuple[str, str], notes: bool = False, with_bench: bool = True) -> list[Finding]:
        plan_text, bench_text = PLAN, BENCH
        for old, new in changes:
            assert old in plan_text or old in bench_text, old
            plan_text, bench_text = plan_text.replace(old, new), bench_text.replace(old, new)
        Path("plan.yaml").write_text(plan_text, encoding="utf-8")
        Path("bench.yaml").write_text(bench_text, encoding="utf-8")
        plan = load_plan(Path("plan.yaml"))
        found = findings(plan, load_bench(Path("bench.yaml")) if with_bench else None)
        return [item for item in found if notes or item.severity != "note"]

    return look
