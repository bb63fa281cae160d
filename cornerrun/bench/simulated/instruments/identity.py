"""Who a simulated instrument says it is."""

from typing import Annotated

from pydantic import Field

from cornerrun.bench.simulated.instruments.text_faults import TextFaults
from cornerrun.plan.fields import FileModel, Seconds

__all__ = ["InstrumentSettings"]

# A comma parts the fields of an identity, a semicolon the answers of a message (IEEE 488.2 sections 10.14 and 8.4.1).
IdentityField = Annotated[str, Field(min_length=1, max_length=72, pattern=r"^[ !#-+\--:<-~]*$")]


class InstrumentSettings(FileModel):
    """What every simulated instrument has: an identity, a latency for each message, and faults on purpose."""

    maker: IdentityField = "SIMULATED"
    model: IdentityField = "instrument"
    serial: IdentityField = "SIM0001"
    firmware: IdentityField = "1.0"
    latency: Annotated[Seconds, Field(ge=0)] = 0.0005
    faults: TextFaults | None = None

    @property
    def identity(self) -> str:
        """The answer to ``*IDN?``."""
        return ",".join((self.maker, self.model, self.serial, self.firmware))
