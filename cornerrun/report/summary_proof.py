"""What was proved of the wiring, and whether the configuration is as it was found."""

from dataclasses import dataclass

from cornerrun.results.records import RunData

__all__ = ["ConfigurationSummary", "Coupling", "ProofRow", "configuration_summary", "proof_rows"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Coupling:
    """One cell of the interaction matrix: how far a rail moved, and that as a share of the step of another."""

    rail: str
    moved_v: float
    share: float
    is_by_meter: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class ProofRow:
    """One row of the interaction matrix: a rail stepped alone, and what every rail did."""

    rail: str
    step_v: float
    couplings: tuple[Coupling, ...]
    troubles: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class ConfigurationSummary:
    """SHA-256 of every configuration register before and after the run; None where it was not read."""

    registers: int
    before_sha256: str
    after_sha256: str | None

    @property
    def is_unchanged(self) -> bool | None:
        """Whether nothing differs; None where nobody knows."""
        return None if self.after_sha256 is None else self.before_sha256 == self.after_sha256


def proof_rows(data: RunData) -> tuple[ProofRow, ...]:
    """Build the interaction matrix of a run's wiring proof; empty if there was none."""
    rows = []
    for step in data.proof:
        couplings = []
        for reading in step.readings:
            moved_v = reading.telemetry_v if reading.reference_v is None else reading.reference_v
            if moved_v is not None:
                couplings.append(
                    Coupling(
                        rail=reading.rail,
                        moved_v=moved_v,
                        share=moved_v / step.step_v,
                        is_by_meter=reading.reference_v is not None,
                    )
                )
        rows.append(ProofRow(rail=step.rail, step_v=step.step_v, couplings=tuple(couplings), troubles=step.troubles))
    return tuple(rows)


def configuration_summary(data: RunData) -> ConfigurationSummary | None:
    """Compare the configuration before and after; None if it was not read before."""
    by_moment = {snapshot.moment: snapshot for snapshot in data.snapshots}
    before, after = by_moment.get("before"), by_moment.get("after")
    if before is None:
        return None
    return ConfigurationSummary(
        registers=len(before.registers),
        before_sha256=before.sha256,
        after_sha256=None if after is None else after.sha256,
    )
