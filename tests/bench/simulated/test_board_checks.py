from typing import Any

import pytest

from cornerrun.errors import PlanProblems

THRESHOLD = "{rail: VDD_CORE, below: 0.8 V, spread: 1 mV"


@pytest.mark.parametrize(
    ("section", "text", "message"),
    [
        ("board", "{checks: {a: {thresholds: [{rail: VDD_COR, below: 1 V, spread: 1 mV}]}}}", "no rail 'VDD_COR'"),
        ("board", f"{{checks: {{a: {{thresholds: [{THRESHOLD}, minus: {{X: 50 %}}}}]}}}}}}", "no rail 'X'"),
        ("board", f"{{checks: {{a: {{thresholds: [{THRESHOLD}, condition: junction}}]}}}}}}", "add 'heating'"),
        ("board", "{checks: {a: {temperatures: [{above: 80 degC, spread: 1 degC, condition: junction}]}}}", "heating"),
        ("board", "{checks: {a: {heat: 3 degC, intermittent: {rate: 1 %}}}}", "nothing says how the board warms up"),
        ("board", "{checks: {a: {}}}", "a check that nothing can fail"),
        ("board", "{boot: {time: 1 s, needs: {VDD_COR: 1 V}}}", "no rail 'VDD_COR'"),
        ("board", "{boot: {time: 1}}", "no unit"),
        ("board", "{hangs: [{edge: {rail: X, below: 1 V}, after: 1 s}]}", "no rail 'X'"),
        ("board", "{hangs: [{edge: {rail: VDDQ}, after: 1 s}]}", "either 'below' or 'above'"),
        ("board", "{console: {lost: [{rail: X, below: 1 V}]}}", "no rail 'X'"),
        (
            "board",
            "{overstress: [{rail: VDDQ, above: 1.3 V, shift: 1 mV, after: 1 s, checks: [a]}]}",
            "there is no check 'a'",
        ),
        ("electronic_load", "{rail: VDD}", "no rail 'VDD'"),
        ("chamber", "{start: 300 degC}", "'start' lies outside"),
        ("chamber", "{ramp: 3 degC}", "ramp"),
        ("meter", "{effects: {mains: 60}}", "no unit"),
        ("meter", "{faults: {late: {rate: 200 %}}}", "rate"),
        ("meter", "{faults: {laet: {}}}", "laet"),
        ("faults", "{resets: [{device: PM1, at: 1 s, only_on: bad}]}", "no kind of weak unit 'bad'"),
    ],
)
def test_what_is_wrong_is_said(build: Any, section: str, text: str, message: str) -> None:
    with pytest.raises(PlanProblems) as caught:
        build(build.board(**{section: text}))
    assert message in str(caught.value)
    assert "board.yaml:" in str(caught.value)
