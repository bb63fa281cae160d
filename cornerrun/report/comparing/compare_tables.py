"""The tables of a comparison, as text cells: the same in the terminal, on the page and in a sheet."""

from cornerrun.report.comparing.nouns import RunComparison
from cornerrun.report.page.tables import PageTable, interval_text, table_of
from cornerrun.units import Kind, show

__all__ = ["check_changes", "corner_changes", "differences", "margin_changes", "trim_changes"]


def differences(comparison: RunComparison) -> PageTable:
    """Say what differs about the two runs themselves."""
    return table_of(("What differs", "Before", "Now"), ((item.what, item.a, item.b) for item in comparison.differences))


def corner_changes(comparison: RunComparison) -> PageTable:
    """List corners whose outcome changed, or that only one run has."""
    return table_of(
        ("Corner", "Change", "Before", "Now", "Visits passed before", "now"),
        (
            (
                item.corner,
                item.change,
                item.a or "not run",
                item.b or "not run",
                f"{item.passed_a} of {item.visits_a}",
                f"{item.passed_b} of {item.visits_b}",
            )
            for item in comparison.corners
            if item.change != "no difference shown" or item.a is not item.b
        ),
    )


def check_changes(comparison: RunComparison) -> PageTable:
    """List checks at corners, what got worse first."""
    return table_of(
        ("Check", "Corner", "Change", "Failed before", "Failed now", "Pass share, now less before (95 %)", "p",
         "p (Holm)", "p (BH)"),
        (
            (
                item.check,
                item.corner,
                item.change,
                f"{item.failed_a} of {item.trials_a}",
                f"{item.failed_b} of {item.trials_b}",
                interval_text(item.difference, Kind.RATIO),
                _p(item.p_value),
                _p(item.holm),
                _p(item.benjamini_hochberg),
            )
            for item in comparison.checks
        ),
    )  # fmt: skip


def trim_changes(comparison: RunComparison) -> PageTable:
    """List the trim of rails at levels, what moved first."""
    return table_of(
        ("Rail", "Level", "Change", "Before", "Now", "Now less before (95 %)", "p (Holm)", "p (BH)", "Would show",
         "Meters"),
        (
            (
                item.rail,
                item.level,
                item.change,
                f"{100 * item.mean_a:+.4f} % (n {item.n_a})",
                f"{100 * item.mean_b:+.4f} % (n {item.n_b})",
                interval_text(item.difference, Kind.RATIO),
                _p(item.holm),
                _p(item.benjamini_hochberg),
                "" if item.detectable is None else show(item.detectable, Kind.RATIO, digits=2),
                "the same" if not item.meters else f"± {show(item.meters, Kind.RATIO, digits=2)}",
            )
            for item in comparison.trim
        ),
    )  # fmt: skip


def margin_changes(comparison: RunComparison) -> PageTable:
    """List the smallest distances of rails to their limits, what shrank first."""
    return table_of(
        ("Rail", "Limit", "Before", "at corner", "Now", "at corner ", "Now less before"),
        (
            (
                item.rail,
                item.limit,
                f"{1e3 * item.distance_a_v:+.3f} mV",
                item.corner_a,
                f"{1e3 * item.distance_b_v:+.3f} mV",
                item.corner_b,
                f"{1e3 * (item.distance_b_v - item.distance_a_v):+.3f} mV",
            )
            for item in comparison.margins
        ),
    )


def _p(value: float | None) -> str:
    return "" if value is None else f"{value:.3g}"
