"""The sections of a plan file that say what is tested and what must be shown."""

import re
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from cornerrun.plan.amounts import Probability
from cornerrun.plan.fields import FileModel, Name, Number, Ratio, Seconds, Text, Whole, refusal

__all__ = ["AcceptanceFile", "AtFile", "CheckFile", "CriteriaFile", "CriterionFile", "PhasesFile", "PolicyFile"]

_CALLABLE = re.compile(r"(?:[^:]+\.py|[A-Za-z_]\w*(?:\.[A-Za-z_]\w*)*):[A-Za-z_]\w*")


def _callable(text: str) -> str:
    if not _CALLABLE.fullmatch(text):
        raise refusal(f"{text!r} names no function", "write 'file.py:function' or 'module:function'")
    return text


PythonName = Annotated[Text, AfterValidator(_callable)]
Command = Annotated[tuple[Text, ...], Field(min_length=1)]


def _arguments(raw: object) -> object:
    words = (raw.strip(),) if isinstance(raw, str) else tuple(raw) if isinstance(raw, list | tuple) else ()
    if words and all(isinstance(word, str) and word.strip() for word in words) and not words[0].startswith("-"):
        return words
    raise refusal("names no suite", "write the path of a test file or folder, or [path, -k, expression]")


# Any: what json_schema_input_type takes is a type built from parts.
_SUITE_WRITTEN: Any = str | Annotated[list[str], Field(min_length=1)]
SuiteArguments = Annotated[tuple[str, ...], BeforeValidator(_arguments, json_schema_input_type=_SUITE_WRITTEN)]


def _call(raw: object) -> object:
    if isinstance(raw, str):
        return _callable(raw.strip())
    if isinstance(raw, list | tuple) and raw and all(isinstance(word, str) and word.strip() for word in raw):
        return tuple(raw)
    raise refusal("names nothing to call", "write 'file.py:function', or a command like [./program, argument]")


# Any: what json_schema_input_type takes is a type built from parts.
_CALL_WRITTEN: Any = str | Annotated[list[str], Field(min_length=1)]
Call = Annotated[str | tuple[str, ...], BeforeValidator(_call, json_schema_input_type=_CALL_WRITTEN)]


class AcceptanceFile(FileModel):
    """Limits of a named number, both inclusive."""

    min: Number | None = None
    max: Number | None = None

    @model_validator(mode="before")
    @classmethod
    def _number_alone(cls, raw: object) -> object:
        if isinstance(raw, str):
            raise refusal(f"{raw!r} says not on which side it limits", f"write {{max: {raw}}} or {{min: {raw}}}")
        return raw

    @model_validator(mode="after")
    def _some_limit(self) -> "AcceptanceFile":
        if self.min is None and self.max is None:
            raise refusal("limits nothing", "write {min: ...}, {max: ...} or both")
        if self.min is not None and self.max is not None and self.min > self.max:
            raise refusal(f"min {self.min:g} is above max {self.max:g}", "swap the two")
        return self


class AtFile(FileModel):
    """Where a check runs: corners by name or shell pattern, levels of conditions."""

    corners: Annotated[tuple[Name, ...], Field(min_length=1)] | None = None
    conditions: dict[Name, Annotated[tuple[Name, ...], Field(min_length=1)]] | None = None


class DemonstrateFile(FileModel):
    """The lower bound of the pass probability that must be reached."""

    pass_probability: Probability = Field(examples=["0.90"])
    confidence: Probability = Field(examples=["0.95"])


class ScreenFile(FileModel):
    """How many trials may fail."""

    failures: Annotated[Whole, Field(ge=0)] = Field(examples=["0"])


class CriterionFile(FileModel):
    """What a check must show: exactly one of the two."""

    demonstrate: DemonstrateFile | None = None
    screen: ScreenFile | None = None

    @model_validator(mode="after")
    def _exactly_one(self) -> "CriterionFile":
        if (self.demonstrate is None) == (self.screen is None):
            came = "asks for nothing" if self.screen is None else "asks for 'demonstrate' and 'screen' together"
            advice = "write {screen: {failures: 0}} or {demonstrate: {pass_probability: 0.90, confidence: 0.95}}"
            raise refusal(came, advice)
        return self


class PhasesFile(FileModel):
    """What is called once a run and once a corner."""

    run: Call | None = None
    corner: Call | None = None


class CheckFile(FileModel):
    """A functional test: a Python callable, a command, or a pytest suite."""

    name: Name = Field(examples=["memory march"])
    python: PythonName | None = None
    command: Command | None = None
    pytest: SuiteArguments | None = Field(default=None, examples=["tests/board"])
    trials: Annotated[Whole, Field(ge=1, le=1_000_000)] = 1
    timeout: Annotated[Seconds, Field(gt=0)] = 60.0
    takes: Annotated[Seconds, Field(ge=0)] = 0.0
    accept: dict[Name, AcceptanceFile] = Field(default_factory=dict)
    accept_at: dict[Name, dict[Name, dict[Name, AcceptanceFile]]] = Field(
        default_factory=dict, examples=["{ambient: {cold: {eye_ui: {min: 0.25}}}}"]
    )
    at: AtFile = AtFile()
    criterion: CriterionFile | None = None
    set_up: PhasesFile = PhasesFile()
    tear_down: PhasesFile = PhasesFile()
    settings: dict[Name, Annotated[str, Field(max_length=1000)]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _one_call(self) -> "CheckFile":
        named = [key for key in ("python", "command", "pytest") if getattr(self, key) is not None]
        if len(named) > 1:
            raise refusal(f"has both {named[0]!r} and {named[1]!r}", "leave one of the two out")
        if not named:
            advice = "write 'python: \"file.py:function\"', 'command: [./program]' or 'pytest: tests/board'"
            raise refusal("calls nothing", advice)
        if self.pytest is not None and (self.accept or self.accept_at):
            raise refusal("has 'accept', but tests of a suite give no numbers", "leave 'accept' out")
        return self


class VoltageFile(FileModel):
    """How far a settled reading may lie from its target."""

    window: Annotated[Ratio, Field(gt=0, lt=1)] = Field(examples=["1 %"])
    window_at: dict[Name, dict[Name, Annotated[Ratio, Field(gt=0, lt=1)]]] = Field(
        default_factory=dict, examples=["{ambient: {hot: 1.5 %}}"]
    )


class TrimFile(FileModel):
    """The trim accuracy claimed."""

    claim: Annotated[Ratio, Field(gt=0, lt=1)] = Field(examples=["0.25 %"])


class CriteriaFile(FileModel):
    """What must be shown."""

    checks: CriterionFile | None = None
    voltage: VoltageFile | None = None
    trim: TrimFile | None = None


class PolicyFile(FileModel):
    """What the run does after a fault or a failed visit."""

    on_trip: Literal["stop", "skip corner", "retry"] = "stop"
    retries: Annotated[int, Field(ge=1, le=20)] | None = None
    retry_period: Annotated[Seconds, Field(gt=0, le=600)] = 1.0  # chosen: longer than the pause of most parts
    on_fail: Literal["go on", "stop", "hold"] = "go on"
    hold: Annotated[Seconds, Field(gt=0, le=86_400)] | None = None

    @model_validator(mode="after")
    def _held_for_a_stated_time(self) -> Self:
        if (self.hold is not None) != (self.on_fail == "hold"):
            raise refusal("'on_fail: hold' and 'hold' belong together", "write both, as in 'hold: 10 min', or neither")
        return self

    @model_validator(mode="after")
    def _retries_only_where_asked(self) -> Self:
        if self.retries is not None and self.on_trip != "retry":
            raise refusal(f"retries without 'on_trip: retry' ({self.on_trip!r})", "write 'on_trip: retry', or neither")
        return self
