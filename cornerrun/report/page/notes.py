"""The facts at the top of the page, and its last sections: coverage, notes, files."""

from collections.abc import Iterator

from cornerrun.plan.model import Plan
from cornerrun.report.coverage_rows import coverage_lead, coverage_rows
from cornerrun.report.criteria_text import window_text
from cornerrun.report.looks import symbol_of
from cornerrun.report.page.document import Part, Section
from cornerrun.report.page.tables import table_of
from cornerrun.report.summary_model import Summary
from cornerrun.results.records import RunData
from cornerrun.units import Kind, show

__all__ = ["fact_rows", "note_sections"]


def fact_rows(summary: Summary) -> list[tuple[str, str]]:
    """List what a reader must know beside the result."""
    header = summary.header
    took = "no end" if header.duration_s is None else show(header.duration_s, Kind.TIME, digits=3)
    calibration = [item.calibration for item in summary.instruments]
    return [
        ("Board left", f"{symbol_of(summary.end_state)} {summary.end_state_text}"),
        *(("Override", text) for text in summary.overrides),
        ("Plan", header.title),
        ("Run", header.run_id),
        ("Bench", f"{header.bench_kind}, {header.station}"),
        ("Started", f"{header.started_utc:%Y-%m-%d %H:%M:%S} UTC, {took}"),
        ("Operator", header.operator or "not stated"),
        ("Calibration", ", ".join(sorted(set(calibration))) or "no instrument"),
        ("Trials", f"{summary.tally.trials}, of which {summary.tally.trial_failures} failed"),
    ]


def note_sections(plan: Plan, summary: Summary, data: RunData) -> Iterator[Section]:
    """Make the sections that follow the figures."""
    yield _coverage(summary)
    yield Section(name="cautions", title="Cautions", notes=summary.cautions)
    if summary.anomalies:
        rows = (
            (
                "" if item.at_s is None else f"{item.at_s:.3f} s",
                item.severity,
                item.kind,
                item.corner,
                item.rail,
                item.text,
            )
            for item in summary.anomalies
        )
        table = table_of(("At", "Severity", "Kind", "Corner", "Rail", "What"), rows)
        yield Section(name="anomalies", title="Anomalies", parts=(Part(table=table),))
    yield _made_with(plan, summary, data)


def _coverage(summary: Summary) -> Section:
    table = table_of(
        ("What", "Met", "Possible", "Share", "Ruled out by constraints"),
        (
            (
                row.what,
                row.met,
                row.possible,
                f"{100 * row.met / row.possible:.1f} %" if row.possible else "-",
                "" if row.ruled_out is None else row.ruled_out,
            )
            for row in coverage_rows(summary)
        ),
    )
    missing = table_of(
        ("What", "Name", "Scheme", "Reason"),
        ((item.what, item.name, item.scheme, item.reason) for item in summary.not_tested),
    )
    left_out = f"{len(summary.not_tested)} left out" if summary.not_tested else "nothing that the plan asks for"
    return Section(
        name="coverage",
        title="Coverage",
        lead=coverage_lead(summary),
        parts=(
            Part(table=table),
            Part(title=f"Not tested: {left_out}", table=missing if summary.not_tested else None),
        ),
    )


def _made_with(plan: Plan, summary: Summary, data: RunData) -> Section:
    header = summary.header
    instruments = table_of(
        ("Instrument", "Identity", "Calibration", "Due"),
        (
            (item.record.name, item.record.identity, item.calibration, item.record.due or "not stated")
            for item in summary.instruments
        ),
    )
    known = table_of(
        ("Instrument", "Reference", "Channel", "Has", "Read before the run", "Within"),
        (
            (
                item.record.name,
                reference.name,
                reference.channel,
                show(reference.value_v, Kind.VOLTAGE),
                "no voltage" if reference.reading_v is None else show(reference.reading_v, Kind.VOLTAGE),
                show(reference.within_v, Kind.VOLTAGE) + ("" if reference.is_good else ": OUT"),
            )
            for item in summary.instruments
            for reference in item.record.references
        ),
    )
    sources = table_of(
        ("File", "Role", "SHA-256"), ((item.path.name, item.role, item.sha256) for item in header.sources)
    )
    devices = table_of(
        ("Device", "Says of itself"),
        ((name, ", ".join(f"{key} {value}" for key, value in told.items())) for name, told in header.devices.items()),
    )
    drift = table_of(
        ("Rail", "Control point", "n", "Largest drift", "Limit", "By"),
        (
            (
                item.rail,
                item.corner,
                item.n,
                f"{1e6 * item.largest_ratio:+.1f} ppm",
                "" if item.limit_ratio is None else show(item.limit_ratio, Kind.RATIO),
                item.measured_by,
            )
            for item in summary.drift
        ),
    )
    notes = [
        f"Voltage window: {window_text(plan)}.",
        f"Seed {header.seed}; " + ", ".join(f"{name} {version}" for name, version in header.versions.items()),
    ]
    notes += [f"{snapshot.moment}: configuration SHA-256 {snapshot.sha256}" for snapshot in data.snapshots]
    notes += [f"Unit data, {key}: {value}" for key, value in header.unit_data.items()]
    return Section(
        name="with-what",
        title="With what",
        notes=tuple(notes),
        parts=(
            Part(title="Instruments", table=instruments) if instruments.rows else Part(),
            Part(title="Read before the run", table=known) if known.rows else Part(),
            Part(title="Files", table=sources),
            Part(title="Devices", table=devices) if devices.rows else Part(),
            Part(title="Control points", table=drift, is_folded=True) if drift.rows else Part(),
        ),
    )
