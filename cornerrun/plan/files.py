"""Plan and limits files as they are written."""

from typing import Annotated

from pydantic import AfterValidator, Field

from cornerrun.plan.check_file import CheckFile, CriteriaFile, PolicyFile
from cornerrun.plan.condition_file import ConditionFile
from cornerrun.plan.corner_file import CornersFile
from cornerrun.plan.fault_response_file import FaultResponseFile
from cornerrun.plan.fields import FileModel, Name, Text, Whole, refusal
from cornerrun.plan.overrides import OverridesFile
from cornerrun.plan.power_up_file import PowerUpFile
from cornerrun.plan.proof import ProofFile
from cornerrun.plan.rail_file import BoardFile, DeviceFile, HardLimitsFile, RailFile, RelationFile
from cornerrun.plan.trim_file import TrimSweepFile

__all__ = ["FormatNumber", "LimitsFile", "PlanFile"]


def _known_format(number: int) -> int:
    if number != 1:
        raise refusal(f"format {number} is not known", "this version reads format 1")
    return number


FormatNumber = Annotated[Whole, AfterValidator(_known_format)]


class PlanFile(FileModel):
    """What shall be done on one board."""

    format: FormatNumber = Field(examples=["1"])
    title: Text = Field(examples=["Tide-gauge node, quick margin screen"])
    purpose: Text | None = Field(default=None, examples=["design validation; requirements PWR-12, PWR-13"])
    board: BoardFile = Field(examples=["{name: tide-gauge node, revision: C}"])
    bench: Text | None = None
    limits: Text | None = None
    devices: dict[Name, DeviceFile] = Field(default_factory=dict)
    rails: Annotated[tuple[RailFile, ...], Field(min_length=1)] = Field(examples=["[{name: ..., nominal: ...}]"])
    groups: dict[Name, Annotated[tuple[Name, ...], Field(min_length=1)]] = Field(default_factory=dict)
    between_rails: tuple[RelationFile, ...] = ()
    conditions: tuple[ConditionFile, ...] = ()
    corners: CornersFile = Field(examples=["{schemes: [{all_rails: [high, low]}]}"])
    checks: tuple[CheckFile, ...] = ()
    trim: TrimSweepFile | None = None
    criteria: CriteriaFile = CriteriaFile()
    policy: PolicyFile = PolicyFile()
    proof: ProofFile | None = None
    power_up: PowerUpFile | None = None
    fault_responses: tuple[FaultResponseFile, ...] = ()
    overrides: OverridesFile | None = None
    limits_kept: dict[Name, Text] = Field(default_factory=dict, examples=["{VDD_IO: its comparator glitches}"])


class LimitsFile(FileModel):
    """Voltages that no plan of this board may exceed; owned by somebody else than the plan."""

    format: FormatNumber = Field(examples=["1"])
    owner: Text = Field(examples=["hardware safety"])
    board: Text | None = None
    rails: Annotated[dict[Name, HardLimitsFile], Field(min_length=1)] = Field(
        examples=["{VDD_CORE: {min: 0.78 V, max: 0.92 V}}"]
    )
