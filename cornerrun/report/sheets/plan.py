"""The sheet Plan: what was asked for, with what it was done, and where each is written."""

from collections.abc import Iterator, Mapping, Sequence

from cornerrun.plan.model import (
    AllRails,
    At,
    Check,
    Covering,
    FullFactorial,
    NamedCorner,
    Plan,
    Rail,
    Relation,
    Scheme,
    Screening,
    SingleRail,
)
from cornerrun.report.book import Book, Column, Page
from cornerrun.report.criteria_text import accept_texts, window_text
from cornerrun.report.looks import Style
from cornerrun.report.summary_checks import criterion_text
from cornerrun.report.summary_model import InstrumentSummary, Summary
from cornerrun.results.decision import criterion_of
from cornerrun.results.records import RunData
from cornerrun.units import Kind, show

__all__ = ["fill_plan"]

_WIDTHS = (24, 22, 15, 15, 15, 15, 15, 15, 44)
_LONGEST_LABEL = 26  # letters that fit the first column
_RAIL = (
    Column(head="Rail"),
    Column(head="Levels", style=Style.WRAPPED),
    Column(head="Nominal", style=Style.VOLTS),
    Column(head="Hard limit from below", style=Style.VOLTS),
    Column(head="from above", style=Style.VOLTS),
    Column(head="Accuracy", style=Style.PERCENT),
    Column(head="Settled within", style=Style.PERCENT),
    Column(head="for", style=Style.SECONDS),
    Column(head="Moved by, and otherwise", style=Style.WRAPPED),
)


def fill_plan(book: Book, summary: Summary, plan: Plan, data: RunData) -> None:
    """Fill the sheet, one block below another."""
    page = book.page("cr_plan")
    page.widths(page.column, _WIDTHS)
    header = summary.header
    row = _pairs(
        page,
        page.row,
        "Run",
        {
            "Title": header.title,
            "Board": f"{header.board_name}, revision {header.board_revision}",
            "Serial": header.serial,
            "Run": header.run_id,
            "Operator": header.operator,
            "Station": header.station,
            "Bench": f"{header.bench_id} ({header.bench_kind})",
            "Started (UTC)": header.started_utc.strftime("%Y-%m-%d %H:%M:%S"),
            "Ended (UTC)": "-" if header.ended_utc is None else header.ended_utc.strftime("%Y-%m-%d %H:%M:%S"),
            "Seed": str(header.seed),
            **{f"Unit: {key}": value for key, value in header.unit_data.items()},
            **{f"Version of {key}": value for key, value in header.versions.items()},
        },
    )
    row = _pairs(page, row, "Files, by SHA-256 of their bytes", _sources(data))
    row = _pairs(page, row, "Criteria", _criteria(plan))
    row = _pairs(page, row, "Instruments", {item.record.name: _instrument_text(item) for item in summary.instruments})
    row = _pairs(page, row, "Devices", {name: _texts(texts) for name, texts in header.devices.items()})
    row = _block(page, row, "Rails", _RAIL, (_rail_cells(rail) for rail in plan.rails))
    row = _pairs(page, row, "Between rails, at every instant", _relations(plan))
    row = _pairs(page, row, "Corners asked for", _schemes(plan))
    row = _pairs(page, row, "Corners that cannot be run", {item.name: item.reason for item in data.run.not_runnable})
    _pairs(page, row, "Checks", {check.name: _check_text(plan, check) for check in plan.checks})


def _pairs(page: Page, row: int, title: str, texts: Mapping[str, str]) -> int:
    """Write a block of names and texts; return the row of the next block. A block without any is left out."""
    if not texts:
        return row
    page.span(row, page.column, title, Style.BLOCK, columns=len(_WIDTHS))
    for name, text in texts.items():
        row += 1
        page.put(row, page.column, name, Style.LABEL if len(name) <= _LONGEST_LABEL else Style.WRAPPED)
        page.span(row, page.column + 1, text, Style.WRAPPED, columns=len(_WIDTHS) - 1)
        # A merged cell does not grow by itself: about so many characters fit a line.
        page.height(row, 15.0 * max(1, -(-len(text) // 150), -(-len(name) // _LONGEST_LABEL)))
    return row + 2


def _block(page: Page, row: int, title: str, columns: Sequence[Column], rows: Iterator[Sequence[object]]) -> int:
    content = list(rows)
    if not content:
        return row
    page.span(row, page.column, title, Style.BLOCK, columns=len(_WIDTHS))
    page.height(row + 1, 30)
    return page.table(row + 1, page.column, columns, content).last_row + 2


def _sources(data: RunData) -> Mapping[str, str]:
    return {f"{item.role}: {item.path.name}": f"{item.sha256}   {item.path}" for item in data.run.sources}


def _criteria(plan: Plan) -> Mapping[str, str]:
    claim = plan.criteria.trim_claim_ratio
    return {
        "Checks": criterion_text(plan.criteria.checks),
        "Voltage": window_text(plan),
        "Trim accuracy": "no claim"
        if claim is None
        else f"trim error within {show(claim, Kind.RATIO)} of the set-point",
        "After a trip": plan.policy.on_trip
        + (f", {plan.policy.retries} times" if plan.policy.on_trip == "retry" else ""),
        "After a failed visit": plan.policy.on_fail
        + (f" {show(plan.policy.hold_s, Kind.TIME)}" if plan.policy.on_fail == "hold" else ""),
    }


def _instrument_text(item: InstrumentSummary) -> str:
    record = item.record
    parts = [record.identity, f"calibration {item.calibration}"]
    if record.calibrated:
        parts.append(f"calibrated {record.calibrated}")
    if record.due:
        parts.append(f"due {record.due}")
    if record.nplc is not None and record.line_hz:
        parts.append(f"{record.nplc:g} power-line cycles at {record.line_hz:g} Hz")
    if record.reading_ratio is not None and record.range_ratio is not None:
        share = f"{show(record.reading_ratio, Kind.RATIO)} of reading + {show(record.range_ratio, Kind.RATIO)} of range"
        parts.append(share + (f", coverage factor {record.coverage:g}" if record.coverage else ", rectangular"))
    for item_known in record.references:
        read = "no voltage" if item_known.reading_v is None else show(item_known.reading_v, Kind.VOLTAGE)
        bounds = f"{show(item_known.value_v, Kind.VOLTAGE)} within {show(item_known.within_v, Kind.VOLTAGE)}"
        parts.append(f"{item_known.name} read {read}, has {bounds}" + ("" if item_known.is_good else ": OUT"))
    return "; ".join(parts)


def _texts(texts: Mapping[str, str]) -> str:
    return ", ".join(f"{key} {value}" for key, value in texts.items()) or "says nothing of itself"


def _rail_cells(rail: Rail) -> Sequence[object]:
    levels = ", ".join(
        f"{name} {show(volts, Kind.VOLTAGE)}" for name, volts in rail.levels.items() if name != "nominal"
    )
    moved = rail.place if rail.tracks is None else f"hardware, {rail.tracks.ratio:g} x {rail.tracks.rail}"
    more = [f"tied to {rail.tied_to}"] if rail.tied_to else []
    more += [f"fixed: {rail.why_fixed}"] if rail.why_fixed else []
    more += [f"{name} {show(volts, Kind.VOLTAGE)}" for name, volts in rail.device_limits.items()]
    return (
        rail.name,
        levels or "nominal only",
        rail.nominal_v,
        rail.hard_limits.min_v,
        rail.hard_limits.max_v,
        rail.accuracy_ratio,
        rail.settle.band_ratio,
        rail.settle.stable_for_s,
        "; ".join([moved, *more]),
    )


def _relations(plan: Plan) -> Mapping[str, str]:
    return {f"{item.rail} - {item.minus}": _relation_text(item) for item in plan.relations}


def _relation_text(item: Relation) -> str:
    low = [] if item.min_v is None else [f"at least {show(item.min_v, Kind.VOLTAGE)}"]
    high = [] if item.max_v is None else [f"at most {show(item.max_v, Kind.VOLTAGE)}"]
    return ", ".join(low + high)


def _schemes(plan: Plan) -> Mapping[str, str]:
    choice = plan.corners
    texts = {f"{number}. {item.kind}": _scheme_text(item) for number, item in enumerate(choice.schemes, start=1)}
    points = choice.control_points
    when = [word for word, is_set in (("first", points.first), ("last", points.last)) if is_set]
    when += [f"every {points.every} visits"] if points.every else []
    drift = f", drift within {show(points.drift_ratio, Kind.RATIO)}" if points.drift_ratio is not None else ""
    texts["control points"] = (", ".join(when) or "none") + drift
    if choice.forbidden:
        texts["forbidden"] = "; ".join(
            " with ".join(f"{rail} {level}" for rail, level in item.items()) for item in choice.forbidden
        )
    texts["repeats"] = f"{choice.repeats}" + (", each move by way of nominal" if choice.via_nominal else "")
    return texts


def _scheme_text(scheme: Scheme) -> str:
    match scheme:
        case AllRails():
            return f"every rail {' or '.join(scheme.levels)}"
        case SingleRail():
            rails = ", ".join(scheme.rails) if scheme.rails else "every rail"
            return f"{rails}, one at a time {' or '.join(scheme.levels)}"
        case FullFactorial():
            return f"all combinations of {', '.join(scheme.levels)} of {', '.join(scheme.rails)}"
        case Covering():
            rails = ", ".join(scheme.rails) if scheme.rails else "all rails"
            return f"every combination of {' and '.join(scheme.levels)} of any {scheme.strength} of {rails}"
        case Screening():
            rails = ", ".join(scheme.rails) if scheme.rails else "all rails"
            design = f"fractional factorial, resolution {scheme.resolution}" if scheme.resolution else "Plackett-Burman"
            return (
                f"screening of {rails} at {' and '.join(scheme.levels)}: {design}{', folded over' * scheme.fold_over}"
            )
        case NamedCorner():
            return f"{scheme.name}: " + ", ".join(f"{rail} {level}" for rail, level in scheme.levels.items())


def _check_text(plan: Plan, check: Check) -> str:
    call = check.python if check.python is not None else " ".join(check.command or ("pytest", *(check.pytest or ())))
    limits = accept_texts(check)
    parts = [call, f"{check.trials} trials of at most {show(check.timeout_s, Kind.TIME)}", *limits, _at_text(check.at)]
    return "; ".join([*parts, criterion_text(criterion_of(plan, check.name))])


def _at_text(at: At) -> str:
    where = "at every corner" if at.corners is None else f"at {', '.join(at.corners)}"
    if at.conditions:
        where += ", " + ", ".join(f"{name} {' or '.join(levels)}" for name, levels in at.conditions.items())
    return where
