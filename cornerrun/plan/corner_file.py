"""The section of a plan file that says which corners are visited."""

from typing import Annotated, Literal

from pydantic import Field, GetJsonSchemaHandler, model_validator
from pydantic.json_schema import JsonSchemaValue
from pydantic_core import CoreSchema

from cornerrun.plan.fields import FileModel, Name, Ratio, Whole, refusal

__all__ = [
    "ControlPointsFile",
    "CornersFile",
    "CoveringFile",
    "FactorialFile",
    "SchemeFile",
    "ScreeningFile",
    "SingleRailFile",
    "StagedFile",
]

_Levels = Annotated[tuple[Name, ...], Field(min_length=1)]
_Rails = Annotated[tuple[Name, ...], Field(min_length=1)]


class ControlPointsFile(FileModel):
    """When the run visits nominal to show that board and bench are as they were."""

    first: bool = True
    every: Annotated[Whole, Field(ge=1)] | None = None
    last: bool = True
    drift: Annotated[Ratio, Field(gt=0, lt=1)] | None = None


class SingleRailFile(FileModel):
    """One rail off nominal at a time; of all rails, or of those named."""

    levels: _Levels = Field(examples=["[high, low]"])
    rails: _Rails | None = None

    @model_validator(mode="before")
    @classmethod
    def _list_alone(cls, raw: object) -> object:
        return {"levels": raw} if isinstance(raw, list) else raw

    @classmethod
    def __get_pydantic_json_schema__(cls, schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        spelled_out = dict(handler.resolve_ref_schema(handler(schema)))
        return {"anyOf": [{"type": "array", "items": {"type": "string"}, "minItems": 1}, spelled_out]}


class FactorialFile(FileModel):
    """Every combination of levels of the rails named."""

    rails: _Rails = Field(examples=["[VDD_CORE, VDD_IO]"])
    levels: _Levels = Field(examples=["[low, nominal, high]"])


class CoveringFile(FileModel):
    """Every combination of levels of any ``strength`` rails, groups and conditions in at least ``times`` corners."""

    strength: Annotated[Whole, Field(ge=1, le=6)] = 2
    levels: _Levels = Field(examples=["[high, low]"])
    rails: _Rails | None = None
    times: Annotated[Whole, Field(ge=1, le=100)] = 1
    together: _Rails | None = None
    conditions: Annotated[tuple[Name, ...], Field(min_length=1)] | None = None
    include: tuple[Annotated[dict[Name, Name], Field(min_length=1)], ...] = ()


class ScreeningFile(FileModel):
    """A screening design over rails at two levels: main effects from few corners."""

    levels: Annotated[tuple[Name, ...], Field(min_length=2, max_length=2)] = Field(examples=["[low, high]"])
    rails: _Rails | None = None
    design: Literal["plackett-burman", "fractional factorial"] = "plackett-burman"
    resolution: Annotated[Whole, Field(ge=3, le=5)] | None = None
    fold_over: bool = False

    @model_validator(mode="after")
    def _resolved(self) -> "ScreeningFile":
        if self.resolution is not None and self.design != "fractional factorial":
            raise refusal("'resolution' belongs to a fractional factorial", "add 'design: fractional factorial'")
        return self


class SchemeFile(FileModel):
    """One scheme; exactly one of the five kinds, or a named corner with its levels."""

    all_rails: _Levels | None = None
    single_rail: SingleRailFile | None = None
    full_factorial: FactorialFile | None = None
    covering: CoveringFile | None = None
    screening: ScreeningFile | None = None
    name: Name | None = None
    levels: Annotated[dict[Name, Name], Field(min_length=1)] | None = None

    @model_validator(mode="after")
    def _one_kind(self) -> "SchemeFile":
        kinds = [
            kind
            for kind in ("all_rails", "single_rail", "full_factorial", "covering", "screening")
            if getattr(self, kind) is not None
        ]
        named = [key for key in ("name", "levels") if getattr(self, key) is not None]
        if len(kinds) == 1 and not named:
            return self
        if not kinds and len(named) == 2:
            return self
        if not kinds and named:
            lacking = "levels" if named == ["name"] else "name"
            raise refusal(f"a named corner lacks {lacking!r}", "write {name: ..., levels: {RAIL: level}}")
        if not kinds:
            raise refusal("names no scheme", "write one like 'all_rails: [high, low]'")
        several = " and ".join(repr(key) for key in (*kinds, *named))
        raise refusal(f"holds {several} together", "give each scheme a list item of its own, with a dash before it")


_Kind = Literal["all_rails", "single_rail", "full_factorial", "covering", "screening", "named"]


class StagedFile(FileModel):
    """Schemes are stages, each over what the ones before have left; after which outcome they end."""

    stop_after: dict[_Kind, Literal["any failure", "every failure", "never"]] = Field(
        default_factory=dict, examples=["{all_rails: every failure}"]
    )


class CornersFile(FileModel):
    """Which corners, how often, and which must not be."""

    control_points: ControlPointsFile = ControlPointsFile()
    schemes: Annotated[tuple[SchemeFile, ...], Field(min_length=1)] = Field(examples=["[{all_rails: [high, low]}]"])
    forbidden: tuple[Annotated[dict[Name, Name], Field(min_length=1)], ...] = ()
    conditions: Annotated[tuple[Annotated[dict[Name, Name], Field(min_length=1)], ...], Field(min_length=1)] | None = (
        Field(default=None, examples=["[{ambient: cold, input: low}, {ambient: hot, input: high}]"])
    )
    via_nominal: bool = False
    repeats: Annotated[Whole, Field(ge=1, le=10_000)] = 1
    order: Literal["as written", "fastest", "shuffled", "blocked"] | None = None
    seed: Annotated[Whole, Field(ge=0)] | None = None
    staged: StagedFile | None = None

    @model_validator(mode="after")
    def _in_stages(self) -> "CornersFile":
        if self.staged is not None and any(one.covering and one.covering.conditions for one in self.schemes):
            raise refusal(
                "conditions are no factors of a staged run: its stages go on within each combination of them",
                "leave out 'conditions' of the covering scheme, or 'staged'",
            )
        return self

    @model_validator(mode="after")
    def _drawn(self) -> "CornersFile":
        if self.seed is not None and self.order not in ("shuffled", "blocked"):
            raise refusal("nothing is drawn from 'seed' in this order", "leave it out, or write 'order: shuffled'")
        return self
