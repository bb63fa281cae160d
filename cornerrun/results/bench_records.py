"""What was found out about the bench and the devices of a run, as frozen records."""

from dataclasses import dataclass
from datetime import datetime

from cornerrun.bench.ports import RegisterValue

__all__ = ["Latch", "ProofReading", "ProofStep", "Snapshot"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Snapshot:
    """Every configuration register of every device at one moment; ``sha256`` as `configuration.fingerprint` has it.

    ``moment`` is "before" or "after"; in the store, later ones of a run that was resumed bear their time besides.
    """

    moment: str
    at_utc: datetime
    sha256: str
    registers: tuple[RegisterValue, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ProofReading:
    """How far one rail moved while another was stepped: by its own device, and by the reference meter."""

    rail: str
    telemetry_v: float | None
    reference_v: float | None


@dataclass(frozen=True, kw_only=True, slots=True)
class ProofStep:
    """One rail stepped alone: by how much it was asked to move, and how far every rail did.

    ``coupling`` of rail j is its change as a share of the step: one row of the interaction matrix.
    """

    rail: str
    step_v: float
    readings: tuple[ProofReading, ...]
    troubles: tuple[str, ...] = ()

    def coupling(self) -> dict[str, float]:
        """Tell the row of the interaction matrix, by the meter where it reaches a rail, else by telemetry."""
        return {
            reading.rail: moved_v / self.step_v
            for reading in self.readings
            if (moved_v := reading.reference_v if reading.reference_v is not None else reading.telemetry_v) is not None
        }


@dataclass(frozen=True, kw_only=True, slots=True)
class Latch:
    """A bench that was left off, or where nobody knows: no run starts on it until a named person has acknowledged.

    ``run_id`` is empty where no run was under way. ``acknowledged_utc`` is None till then, and the texts are empty.
    """

    bench_id: str
    run_id: str
    end_state: str
    why: str
    set_utc: datetime
    acknowledged_utc: datetime | None = None
    acknowledged_by: str = ""
    found: str = ""
