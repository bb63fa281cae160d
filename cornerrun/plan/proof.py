"""The wiring proof: its section of a plan file, and the levels that it steps rails to."""

from dataclasses import replace
from typing import Annotated

from pydantic import Field, model_validator

from cornerrun.plan.fields import FileModel, Ratio, refusal
from cornerrun.plan.model import Plan, Rail

__all__ = ["PROOF_DOWN", "PROOF_UP", "ProofFile", "proof_levels", "with_proof_levels"]

PROOF_UP = "proof up"
PROOF_DOWN = "proof down"


class ProofFile(FileModel):
    """Each rail alone by a small step, before the first margin; no other rail may move by more than ``coupling``."""

    step: Annotated[Ratio, Field(gt=0, le=0.05)] = Field(default=0.01, examples=["1 %"])
    coupling: Annotated[Ratio, Field(gt=0, lt=1)] = Field(default=0.002, examples=["0.2 %"])

    @model_validator(mode="after")
    def _tell_apart(self) -> "ProofFile":
        if self.coupling >= self.step / 2:
            raise refusal(
                f"a coupling of {self.coupling:g} is no smaller than half of the step of {self.step:g}",
                "write a larger step, or a smaller coupling: a rail that was stepped must stand out",
            )
        return self


def proof_levels(rail: Rail, step_ratio: float) -> dict[str, float]:
    """Tell the levels that a rail may be stepped to for the proof: up, down, or both, within its hard limits."""
    levels = {}
    for name, sign in ((PROOF_UP, 1.0), (PROOF_DOWN, -1.0)):
        target_v = float(f"{rail.nominal_v * (1.0 + sign * step_ratio):.12g}")
        spread_v = target_v * rail.accuracy_ratio
        if rail.hard_limits.min_v <= target_v - spread_v and target_v + spread_v <= rail.hard_limits.max_v:
            levels[name] = target_v
    return levels


def with_proof_levels(plan: Plan) -> Plan:
    """Give every commanded rail, and those that follow it, the levels of the proof; the same plan if none is asked."""
    if plan.proof is None:
        return plan
    added = {rail.name: proof_levels(rail, plan.proof.step_ratio) for rail in plan.rails if rail.is_commanded}
    for rail in plan.rails:
        if rail.tracks is not None and rail.tracks.rail in added:
            ratio = rail.tracks.ratio
            added[rail.name] = {name: ratio * volts for name, volts in added[rail.tracks.rail].items()}
    rails = tuple(
        replace(rail, levels={**rail.levels, **added[rail.name]}) if rail.name in added else rail for rail in plan.rails
    )
    return replace(plan, rails=rails)
