"""Directions, pages and channels, judged from steps of single rails."""

from dataclasses import replace

import pytest
from fake_bench import a_plan, a_rail

from cornerrun.plan.model import Plan, Proof, Tracks
from cornerrun.results.bench_records import ProofReading, ProofStep
from cornerrun.run.wiring import judge_step, swaps

PROOF = Proof(step_ratio=0.01, coupling_ratio=0.002)


def plan() -> Plan:
    follower = replace(a_rail("VTT", 0.5), tracks=Tracks(rail="B", ratio=0.5), power=None)
    return a_plan(rails=(a_rail("A", 1.0), a_rail("B", 1.0, page=1), a_rail("C", 1.0, page=2), follower))


def step(rail: str, telemetry: dict[str, float], reference: dict[str, float] | None = None) -> ProofStep:
    reference = telemetry if reference is None else reference
    return ProofStep(
        rail=rail,
        step_v=0.01,
        readings=tuple(
            ProofReading(rail=name, telemetry_v=telemetry.get(name, 0.0), reference_v=reference.get(name, 0.0))
            for name in ("A", "B", "C", "VTT")
        ),
    )


def test_a_rail_that_moves_alone_by_its_step_is_as_it_should_be() -> None:
    assert judge_step(plan(), PROOF, step("A", {"A": 0.0101})) == ()


def test_a_follower_moves_by_its_ratio_and_is_missed_if_it_does_not() -> None:
    assert judge_step(plan(), PROOF, step("B", {"B": 0.01, "VTT": 0.005})) == ()
    (trouble,) = judge_step(plan(), PROOF, step("B", {"B": 0.01, "VTT": 0.005}, {"B": 0.01, "VTT": 0.0}))
    assert "VTT stayed where it was on the reference meter" in trouble


def test_an_inverted_trim_is_called_so() -> None:
    troubles = judge_step(plan(), PROOF, step("A", {"A": -0.01}))
    assert all("A moved the other way" in trouble and "inverted trim" in trouble for trouble in troubles)
    assert len(troubles) == 2


@pytest.mark.parametrize("moved_v", [0.0075, 0.0125, 0.02])
def test_a_wrong_amount_is_told_with_both_figures(moved_v: float) -> None:
    (trouble,) = judge_step(plan(), PROOF, step("A", {"A": 0.01}, {"A": moved_v}))
    assert "A moved by +" in trouble
    assert "not by +10 mV" in trouble


def test_another_rail_beyond_the_coupling_limit_is_named_with_the_limit() -> None:
    (trouble,) = judge_step(plan(), PROOF, step("A", {"A": 0.01}, {"A": 0.01, "C": 0.0021}))
    assert "C moved by +2.1 mV on the reference meter, where the coupling limit is 2 mV" in trouble
    assert judge_step(plan(), PROOF, step("A", {"A": 0.01}, {"A": 0.01, "C": 0.0019})) == ()


def test_swapped_channels_are_named_as_a_pair_once() -> None:
    steps = [step("A", {"A": 0.01}, {"B": 0.01}), step("B", {"B": 0.01, "VTT": 0.005}, {"A": 0.01, "VTT": 0.005})]
    assert swaps(plan(), steps) == ("the meter channels of A and B are swapped",)


def test_swapped_pages_are_told_from_swapped_channels() -> None:
    steps = [step("A", {"B": 0.01}, {"A": 0.01}), step("B", {"A": 0.01}, {"B": 0.01})]
    assert swaps(plan(), steps) == ("the pages of A and B are swapped",)


def test_a_ring_of_three_channels_is_spelled_out() -> None:
    steps = [step(name, {name: 0.01}, {other: 0.01}) for name, other in (("A", "B"), ("B", "C"), ("C", "A"))]
    assert len(swaps(plan(), steps)) == 3
    assert "what answers by the meter channel of B is A" in swaps(plan(), steps)


def test_a_channel_that_gives_no_reading_counts_as_one_that_did_not_move() -> None:
    one = step("A", {"A": 0.01}, {"B": 0.01})
    blind = replace(one, readings=tuple(
        replace(r, reference_v=None) if r.rail == "A" else r for r in one.readings
    ))  # fmt: skip
    assert swaps(plan(), [blind], {"A"}) == ("what answers by the meter channel of B is A",)


def test_a_step_of_nothing_names_nobody() -> None:
    assert swaps(plan(), [step("A", {}, {})]) == ()
    assert any("stayed where it was" in trouble for trouble in judge_step(plan(), PROOF, step("A", {}, {})))


def test_without_a_meter_telemetry_alone_is_judged_by_its_wider_band() -> None:
    bare = step("A", {"A": 0.012, "B": 0.004})
    bare = replace(bare, readings=tuple(replace(r, reference_v=None) for r in bare.readings))
    wide = replace(plan(), rails=tuple(
        replace(r, settle=replace(r.settle, band_ratio=0.005)) for r in plan().rails
    ))  # fmt: skip
    assert judge_step(wide, PROOF, bare) == ()
    assert bare.coupling()["B"] == pytest.approx(0.4)
