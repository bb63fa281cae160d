"""The wiring proof and the configuration as plain text."""

from collections.abc import Sequence

from cornerrun.report.summary_model import Summary
from cornerrun.report.summary_proof import ProofRow
from cornerrun.report.text_table import table
from cornerrun.units import Kind, show

__all__ = ["configuration_lines", "proof_lines"]

_NEGLIGIBLE = 0.005  # chosen: half a per cent of a step is no coupling that anybody acts on


def proof_lines(summary: Summary, *, width: int, is_full: bool = False) -> list[str]:
    """Write the interaction matrix: each rail stepped alone, how far it moved, and who moved with it.

    Rails that moved by less than 0.5 % of the step are left out unless ``is_full``.
    """
    if not summary.proof:
        return []
    rows = [[row.rail, _volts(row.step_v), _own(row), _others(row, is_full=is_full)] for row in summary.proof]
    lines = table(["stepped", "by", "moved", "others, as a share of the step"], rows, width=width)
    return [*lines, *(f"! {trouble}" for row in summary.proof for trouble in row.troubles)]


def configuration_lines(summary: Summary) -> list[str]:
    """Write the fingerprints of the configuration, and whether it is as it was found."""
    found = summary.configuration
    if found is None:
        return []
    if found.after_sha256 is None:
        return [f"{found.registers} registers, SHA-256 {found.before_sha256}; not read after the run"]
    if found.is_unchanged:
        return [f"{found.registers} registers as before, SHA-256 {found.before_sha256}"]
    return [
        f"CHANGED: SHA-256 before {found.before_sha256}",
        f"         SHA-256 after  {found.after_sha256}; the anomalies name rail and register",
    ]


def _own(row: ProofRow) -> str:
    for cell in row.couplings:
        if cell.rail == row.rail:
            return f"{_volts(cell.moved_v)} ({'meter' if cell.is_by_meter else 'telemetry'})"
    return "not measured"


def _others(row: ProofRow, *, is_full: bool) -> str:
    cells: Sequence[str] = [
        f"{cell.rail} {cell.share * 100:+.2f} %"
        for cell in sorted(row.couplings, key=lambda cell: -abs(cell.share))
        if cell.rail != row.rail and (is_full or abs(cell.share) >= _NEGLIGIBLE)
    ]
    return ", ".join(cells) or "none"


def _volts(volts: float) -> str:
    return f"{'+' if volts >= 0 else '-'}{show(abs(volts), Kind.VOLTAGE, digits=4)}"
