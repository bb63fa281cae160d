"""The section of a plan file that says how a board is turned on and shows that it is ready."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from cornerrun.plan.fields import FileModel, Name, Seconds, Text, Whole, refusal
from cornerrun.plan.power_up import PowerUp, Ready

__all__ = ["PowerUpFile"]


class ReadyFile(FileModel):
    """How a board shows that it is ready."""

    console: Text | None = Field(default=None, examples=["node ready"])
    ask: Text | None = None
    command: Text | None = Field(default=None, examples=["./is_ready.sh"])
    timeout: Annotated[Seconds, Field(gt=0, le=3600)] = Field(examples=["30 s"])
    takes: Annotated[Seconds, Field(gt=0)] | None = Field(default=None, examples=["4 s"])

    @model_validator(mode="after")
    def _shows_it_in_one_way(self) -> Self:
        if (self.console is None) == (self.command is None):
            raise refusal("a board shows that it is ready in one way", "give either 'console' or 'command'")
        if self.ask is not None and self.console is None:
            raise refusal("'ask' without 'console'", "write the text that the console answers as 'console'")
        if self.takes is not None and self.takes >= self.timeout:
            raise refusal("'takes' is no less than 'timeout'", "write a timeout well above 'takes'")
        return self


class PowerUpFile(FileModel):
    """How a board is turned on again after a trip, or once it hangs."""

    order: tuple[Name, ...] = ()
    by: Literal["operation", "input power"] = "operation"
    off_for: Annotated[Seconds, Field(gt=0, le=600)] = 0.5  # chosen: most bulk capacitors are empty by then
    cycles: Annotated[Whole, Field(ge=1, le=1000)] = 3
    ready: ReadyFile | None = None

    def power_up(self, moved: tuple[str, ...]) -> PowerUp:
        """Build the noun; without an order, the rails that the plan moves go in the order of the plan."""
        ready = self.ready
        return PowerUp(
            order=self.order or moved,
            by=self.by,
            off_for_s=self.off_for,
            cycles=self.cycles,
            ready=None
            if ready is None
            else Ready(
                timeout_s=ready.timeout,
                console=ready.console,
                ask=ready.ask,
                command=ready.command,
                takes_s=ready.takes,
            ),
        )
