"""A run as JUnit XML: a failure is the product's, an error the bench's; times are UTC.

There is no standard of this format; what is written here is what the schemas of the common readers share: testsuites,
testsuite, testcase, failure, error, skipped, system-out, properties.
"""

import io
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, TYPE_CHECKING, Literal

from cornerrun.errors import ReportError
from cornerrun.report.cell_text import xml_text
from cornerrun.report.summary_model import Summary
from cornerrun.results.decision import Decision
from cornerrun.results.records import Outcome, RunData, VisitRecord

if TYPE_CHECKING:
    from lxml.etree import _Element

__all__ = ["to_junit", "write_junit"]

_MOST_OUTPUT = 16_384  # chosen: of one test case; the store holds all

_COUNTED = ("tests", "failures", "errors", "skipped")
Told = Literal["passed", "failure", "error", "skipped"]


@dataclass(frozen=True, kw_only=True, slots=True)
class _Case:
    """One test case; ``kind`` says what went wrong in a word, ``text`` in a sentence."""

    place: str
    name: str
    told: Told
    kind: str = ""
    text: str = ""
    duration_s: float = 0.0
    output: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class _Suite:
    name: str
    cases: Sequence[_Case]
    started: str
    duration_s: float = 0.0
    properties: dict[str, str] = field(default_factory=dict)


def write_junit(summary: Summary, data: RunData, path: Path) -> Path:
    """Write a run as JUnit XML to a file. Raises ReportError if it cannot be written."""
    try:
        with path.open("wb") as file:
            _write(summary, data, file)
    except OSError as error:
        raise ReportError(f"{path}: JUnit XML cannot be written: {error.strerror or error}") from error
    return path


def to_junit(summary: Summary, data: RunData) -> bytes:
    """Make JUnit XML of a run.

    A suite a visit holds a case a rail, a check, and a test of a suite; a last suite holds the criteria of the plan,
    with what was not run as skipped. A criterion that stays open is an error: it is no pass and no failure of the
    product. Void visits are skipped.
    """
    file = io.BytesIO()
    _write(summary, data, file)
    return file.getvalue()


def _write(summary: Summary, data: RunData, file: IO[bytes]) -> None:
    """Write suite by suite, after going through them once for the counts that stand first: nothing holds them all."""
    from lxml import etree

    counts: dict[str, int] = dict.fromkeys(_COUNTED, 0)
    duration_s = 0.0
    for suite in _suites(summary, data):
        duration_s += suite.duration_s
        for name, count in _counts(suite.cases).items():
            counts[name] += count
    told = {
        **{name: str(count) for name, count in counts.items()},
        "name": xml_text(summary.header.title),
        "time": f"{duration_s:.6f}",
        "timestamp": data.run.started_utc.isoformat(timespec="seconds"),
    }
    with etree.xmlfile(file, encoding="UTF-8") as document:
        document.write_declaration()
        with document.element("testsuites", told):
            for suite in _suites(summary, data):
                document.write("\n")
                document.write(_element(suite, summary), pretty_print=True)


def _suites(summary: Summary, data: RunData) -> Iterator[_Suite]:
    yield from (_visit_suite(record) for record in data.visits)
    yield _criteria_suite(summary, data)


def _visit_suite(record: VisitRecord) -> _Suite:
    visit = record.visit
    return _Suite(
        name=f"visit {visit.ordinal}: {visit.corner}",
        cases=_void(record) or list(_visit_cases(record)),
        started=visit.started_utc.isoformat(timespec="seconds"),
        duration_s=visit.end_s - visit.start_s,
        properties={
            "corner": visit.corner,
            "visit": str(visit.ordinal),
            "kind": "control point" if visit.is_control else "corner",
            "outcome": visit.outcome.value,
            **{f"condition {name}": f"{value:g}" for name, value in visit.conditions.items()},
        },
    )


def _void(record: VisitRecord) -> list[_Case]:
    if not record.visit.is_void:
        return []
    return [
        _Case(place=record.visit.corner, name="visit", told="skipped", kind="void", text="its control point was out")
    ]


def _visit_cases(record: VisitRecord) -> Iterator[_Case]:
    corner = record.visit.corner
    shown: set[Told] = set()
    for reading in record.readings:
        case = _case(f"{corner}.rails", reading.rail, reading.outcome, reading.reason)
        shown.add(case.told)
        yield case
    for check in record.checks:
        own = [trial for trial in record.trials if trial.check == check.check]
        output = "\n".join(
            f"trial {trial.trial}: {trial.reason}\n{trial.output}".rstrip()
            for trial in own
            if trial.passed is not True and (trial.output or trial.reason)
        )
        text = check.reason or f"{check.failures} of {check.trials} trials failed"
        case = _case(
            f"{corner}.checks",
            check.check,
            check.outcome,
            text,
            duration_s=sum(trial.duration_s for trial in own),
            output=output,
        )
        shown.add(case.told)
        yield case
    for test in record.tests:
        told: Told = "passed" if test.passed else "failure" if test.passed is False else "skipped"
        yield _Case(
            place=f"{corner}.{test.check}",
            name=f"{test.name} (trial {test.trial})",
            told=told,
            kind="fail-functional" if test.passed is False else "no verdict",
            text=test.reason,
            duration_s=test.duration_s,
        )
    whole = _case(corner, "visit", record.visit.outcome, record.visit.reason)
    if whole.told not in shown:
        yield whole


def _criteria_suite(summary: Summary, data: RunData) -> _Suite:
    cases = [
        _Case(
            place=f"{item.corner}.criteria",
            name=item.check,
            told=_decided(item.decision),
            kind=item.decision.value,
            text=f"{item.failures} of {item.trials} trials failed; asked for: {item.criterion}",
        )
        for item in summary.checks
    ]
    claims: dict[str, Told] = {"met": "passed", "not met": "failure", "open": "error"}
    cases += [
        _Case(
            place="trim accuracy",
            name=item.rail,
            told=claims.get(item.claim, "skipped"),
            kind=item.claim,
            text=item.claim_why or item.why,
        )
        for item in summary.trim
        if item.claim not in {"no claim", "not commanded"}
    ]
    cases += [
        _Case(place=f"not tested.{item.what}", name=item.name, told="skipped", kind="not-run", text=item.reason)
        for item in summary.not_tested
    ]
    properties = {
        "run": summary.header.run_id,
        "serial": summary.header.serial,
        "result": summary.result.value,
        "why": summary.why,
        "end state": summary.end_state.value,
        "bench": f"{summary.header.bench_id} ({summary.header.bench_kind})",
        "station": summary.header.station,
        **{f"sha256 {item.role} {item.path.name}": item.sha256 for item in summary.header.sources},
    }
    started = data.run.started_utc.isoformat(timespec="seconds")
    return _Suite(name="criteria", cases=cases, started=started, properties=properties)


def _case(place: str, name: str, outcome: Outcome, reason: str, *, duration_s: float = 0.0, output: str = "") -> _Case:
    told: Told = "skipped"
    if outcome is Outcome.PASS:
        told = "passed"
    elif outcome.is_product_failure:
        told = "failure"
    elif outcome.is_bench_trouble:
        told = "error"
    return _Case(
        place=place, name=name, told=told, kind=outcome.value, text=reason, duration_s=duration_s, output=output
    )


def _decided(decision: Decision) -> Told:
    return "passed" if decision.is_pass else "failure" if decision.is_failure else "error"


def _element(suite: _Suite, summary: Summary) -> "_Element":
    from lxml import etree

    element = etree.Element("testsuite", {name: str(count) for name, count in _counts(suite.cases).items()})
    element.set("name", xml_text(suite.name))
    element.set("timestamp", suite.started)
    element.set("hostname", xml_text(summary.header.station))
    element.set("time", f"{suite.duration_s:.6f}")
    holder = etree.SubElement(element, "properties")
    for name, text in suite.properties.items():
        etree.SubElement(holder, "property", {"name": xml_text(name), "value": xml_text(text)})
    for case in suite.cases:
        made = etree.SubElement(element, "testcase", {"classname": xml_text(case.place), "name": xml_text(case.name)})
        made.set("time", f"{case.duration_s:.6f}")
        if case.told != "passed":
            told = etree.SubElement(made, case.told, {"message": xml_text(case.text or case.kind)})
            if case.told != "skipped":
                told.set("type", case.kind)
        if case.output:
            etree.SubElement(made, "system-out").text = xml_text(case.output[-_MOST_OUTPUT:])
    return element


def _counts(cases: Sequence[_Case]) -> dict[str, int]:
    told = Counter(case.told for case in cases)
    return {
        "tests": len(cases),
        "failures": told["failure"],
        "errors": told["error"],
        "skipped": told["skipped"],
    }
