"""The section of a plan file that says what a board must do when a rail faults."""

from typing import Annotated, Literal

from pydantic import Field

from cornerrun.plan.fault_response import FaultResponse
from cornerrun.plan.fields import FileModel, Name, Seconds

__all__ = ["FaultResponseFile"]


class FaultResponseFile(FileModel):
    """What must come of a fault of one rail, provoked by a fault limit moved across its voltage."""

    rail: Name = Field(examples=["VDD_CORE"])
    fault: Literal["under voltage", "over voltage"] = "under voltage"
    takes_down: tuple[Name, ...] = ()
    within: Annotated[Seconds, Field(gt=0, le=60)] = Field(examples=["50 ms"])
    then: Literal["stays off", "tries again"] = "stays off"

    def response(self) -> FaultResponse:
        """Build the noun."""
        return FaultResponse(
            rail=self.rail, fault=self.fault, takes_down=self.takes_down, within_s=self.within, then=self.then
        )
