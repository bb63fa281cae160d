"""What steps of single rails say of directions, pages and meter channels; pure."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from cornerrun.plan.model import Plan, Proof, Rail
from cornerrun.results.bench_records import ProofReading, ProofStep
from cornerrun.units import Kind, show

__all__ = ["judge_step", "swaps"]

_AMOUNT = 0.2  # chosen: of the step; trim and meter errors are far smaller, a wrong divider or format far larger
_OWN_ADC = 0.5  # chosen: of the step; a device's own ADC may resolve no better than that


@dataclass(frozen=True, kw_only=True, slots=True)
class _Way:
    """One way to look at a rail: who measured, how far it moved, how far off that may be."""

    who: str
    moved_v: float
    within_v: float


def judge_step(plan: Plan, proof: Proof, step: ProofStep) -> tuple[str, ...]:
    """Say all that is wrong with what rails did while one was stepped; empty if it is as it should be."""
    rails = {rail.name: rail for rail in plan.rails}
    troubles: list[str] = []
    for reading in step.readings:
        rail = rails[reading.rail]
        expected_v = _expected_v(rail, step)
        for way in _ways(rail, proof, step, reading, is_meant_to_move=expected_v != 0.0):
            if abs(way.moved_v - expected_v) > way.within_v:
                troubles.append(_say(step, rail, way, expected_v, proof))
    return tuple(troubles)


def swaps(plan: Plan, steps: Sequence[ProofStep], unreadable: Collection[str] = ()) -> tuple[str, ...]:
    """Name rails whose channels, or pages, answer for each other: each moves where the other was stepped.

    ``unreadable`` are rails with a channel that gives no reading, as a fixed range does on another rail.
    """
    found = []
    for by, what in (("reference_v", "meter channels"), ("telemetry_v", "pages")):
        dumb = unreadable if by == "reference_v" else ()
        answers = {step.rail: _answering(plan, step, by, dumb) for step in steps}
        for rail, other in answers.items():
            if other is not None and other != rail:
                if answers.get(other) == rail:
                    if rail < other:
                        found.append(f"the {what} of {rail} and {other} are swapped")
                else:
                    found.append(f"what answers by the {what[:-1]} of {other} is {rail}")
    return tuple(found)


def _answering(plan: Plan, step: ProofStep, by: str, dumb: Collection[str]) -> str | None:
    """The rail that moved by the step where the stepped one did not; None if the stepped one did, or nobody."""
    moved: Mapping[str, float] = dict.fromkeys(dumb, 0.0) | {
        reading.rail: abs(value) for reading in step.readings if (value := getattr(reading, by)) is not None
    }
    least_v = (1 - _OWN_ADC) * abs(step.step_v)
    if step.rail not in moved or moved[step.rail] >= least_v:
        return None
    free = {rail.name for rail in plan.rails if rail.tracks is None}
    others = [rail for rail, moved_v in moved.items() if moved_v >= least_v and rail in free]
    return others[0] if len(others) == 1 else None


def _expected_v(rail: Rail, step: ProofStep) -> float:
    if rail.name == step.rail:
        return step.step_v
    if rail.tracks is not None and rail.tracks.rail == step.rail:
        return rail.tracks.ratio * step.step_v
    return 0.0


def _ways(
    rail: Rail, proof: Proof, step: ProofStep, reading: ProofReading, *, is_meant_to_move: bool
) -> Sequence[_Way]:
    step_v = abs(step.step_v) * (rail.tracks.ratio if rail.tracks is not None and rail.name != step.rail else 1.0)
    coupling_v = proof.coupling_ratio * rail.nominal_v
    ways = []
    if reading.reference_v is not None:
        within_v = _AMOUNT * step_v if is_meant_to_move else coupling_v
        ways.append(_Way(who="the reference meter", moved_v=reading.reference_v, within_v=within_v))
    if reading.telemetry_v is not None and (is_meant_to_move or reading.reference_v is None):
        own_v = _OWN_ADC * step_v if is_meant_to_move else max(coupling_v, rail.settle.band_ratio * rail.nominal_v)
        ways.append(_Way(who="its own telemetry", moved_v=reading.telemetry_v, within_v=own_v))
    return ways


def _say(step: ProofStep, rail: Rail, way: _Way, expected_v: float, proof: Proof) -> str:
    asked = f"{step.rail} was stepped by {_signed(step.step_v)}"
    if expected_v == 0.0:
        return (
            f"{asked}, and {rail.name} moved by {_signed(way.moved_v)} on {way.who}, where the coupling limit is "
            f"{show(proof.coupling_ratio * rail.nominal_v, Kind.VOLTAGE, digits=3)}"
        )
    if abs(way.moved_v + expected_v) <= way.within_v:
        return f"{asked}, and {rail.name} moved the other way on {way.who} ({_signed(way.moved_v)}): inverted trim"
    if abs(way.moved_v) <= (1 - _OWN_ADC) * abs(expected_v):
        return (
            f"{asked}, and {rail.name} stayed where it was on {way.who} ({_signed(way.moved_v)}): wrong page or channel"
        )
    return f"{asked}, and {rail.name} moved by {_signed(way.moved_v)} on {way.who}, not by {_signed(expected_v)}"


def _signed(volts: float) -> str:
    return f"{'+' if volts >= 0 else '-'}{show(abs(volts), Kind.VOLTAGE, digits=3)}"
