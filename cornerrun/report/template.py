"""Find the template of the workbook, open it, and say plainly what is wrong with one that cannot be used."""

import io
import re
import warnings
import zlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from zipfile import BadZipFile, ZipFile

from openpyxl import Workbook, load_workbook
from openpyxl.utils.exceptions import InvalidFileException
from openpyxl.worksheet.worksheet import Worksheet

from cornerrun.errors import ReportError
from cornerrun.report.looks import Style
from cornerrun.report.parts import sheet_parts

__all__ = ["ANCHORS", "FURTHER_ANCHORS", "Anchor", "Template", "find_template", "losses", "open_template"]

ANCHORS = (
    "cr_summary",
    "cr_corners",
    "cr_visits",
    "cr_checks",
    "cr_culprits",
    "cr_rails",
    "cr_accuracy",
    "cr_setpoints",
    "cr_telemetry",
    "cr_numbers",
    "cr_readings",
    "cr_events",
    "cr_plan",
)
"""Defined names: each points to the cell where the report begins to fill its sheet, in the order of the sheets."""

FURTHER_ANCHORS = ("cr_signoff", "cr_trials", "cr_interaction", "cr_conditions", "cr_registers", "cr_guide")
"""Names that a template may hold as well; where one is missing, its sheet is added behind all others."""

_FILE = "workbook.xlsx"
_README = "results_template/README.md says what a template must hold"
# What neither openpyxl nor the graft brings over, by the folder or file of the package that holds it.
_LOST: Mapping[str, str] = {
    r"xl/vbaProject\.bin": "macros",
    r"xl/activeX/|xl/ctrlProps/": "form controls",
    r"xl/slicers?/|xl/slicerCaches/": "slicers",
    r"xl/timelines/|xl/timelineCaches/": "timelines",
    r"xl/threadedComments/": "threads of comments (their text stays as a note)",
    r"xl/connections\.xml|xl/queryTables/|xl/model/": "data connections",
    r"xl/embeddings/": "embedded documents",
    r"customUI/": "ribbon changes",
    r"_xmlsignatures/": "digital signatures",
}


# What openpyxl, lxml and zipfile raise for content that is no workbook; XML errors of every parser are SyntaxErrors.
_UNREADABLE = (
    KeyError,
    ValueError,
    TypeError,
    AttributeError,
    IndexError,
    SyntaxError,
    EOFError,
    zlib.error,
    InvalidFileException,
    BadZipFile,
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Anchor:
    """Where the report begins to fill a sheet; rows count from 1, columns too."""

    sheet: Worksheet
    row: int
    column: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Template:
    """A template that holds all that the report needs: the workbook to fill, and its bytes as they were.

    ``lost`` names what it holds that does not survive into a report.
    """

    workbook: Workbook
    content: bytes
    anchors: Mapping[str, Anchor]
    lost: tuple[str, ...] = ()


def find_template() -> Path:
    """Return the template that comes with the product: beside this package once installed, else of the checkout.

    Raises ReportError if it is in neither place.
    """
    here = Path(__file__).resolve()
    for folder in (here.parent / "results_template", here.parents[2] / "results_template"):
        if (folder / _FILE).is_file():
            return folder / _FILE
    raise ReportError(f"the template {_FILE} is missing from this installation; install cornerrun again, or name one")


def losses(path: Path) -> tuple[str, ...]:
    """Name what a template holds that does not survive into a report; everything else does.

    Raises ReportError if it is no workbook.
    """
    with _package(path, _read(path)) as package:
        return _lost(package)


def _lost(package: ZipFile) -> tuple[str, ...]:
    names = package.namelist()
    return tuple(what for pattern, what in _LOST.items() if any(re.match(pattern, name) for name in names))


def open_template(path: Path) -> Template:
    """Open a template and check it.

    Raises ReportError naming all that is missing: styles, anchors, or the room below an anchor.
    """
    content = _read(path)
    with _package(path, content) as package:
        try:
            sheet_parts(package)
            lost = _lost(package)
        except _UNREADABLE as error:
            raise ReportError(f"{path}: is no workbook that can be read: {error!r}; {_README}") from error
    try:
        with warnings.catch_warnings():
            # openpyxl warns of what it drops; the graft brings that back, `losses` names the rest.
            warnings.simplefilter("ignore")
            workbook = load_workbook(io.BytesIO(content), rich_text=True)
    except _UNREADABLE as error:
        raise ReportError(f"{path}: is no workbook that can be read: {error}; {_README}") from error
    problems = _missing_styles(workbook)
    anchors: dict[str, Anchor] = {}
    further = [name for name in FURTHER_ANCHORS if name in workbook.defined_names]
    for name in (*ANCHORS, *further):
        found = _anchor(workbook, name)
        if isinstance(found, Anchor):
            anchors[name] = found
        else:
            problems.append(found)
    problems += [text for anchor in anchors.values() for text in _in_the_way(anchor)]
    titles = [anchor.sheet.title for anchor in anchors.values()]
    problems += [
        f"two anchors point into sheet {title!r}" for title in sorted({t for t in titles if titles.count(t) > 1})
    ]
    if problems:
        raise ReportError(f"{path}: the template cannot be filled: {'; '.join(problems)}; {_README}")
    for sheet in workbook.worksheets:
        # They come back with everything else that floats, as they were: see graft.
        vars(sheet).update(_charts=[], _images=[])
    workbook.template = False
    return Template(workbook=workbook, content=content, anchors=anchors, lost=lost)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise ReportError(f"{path}: the template cannot be read: {error.strerror or error}") from error


def _package(path: Path, content: bytes) -> ZipFile:
    try:
        package = ZipFile(io.BytesIO(content))
        broken = package.testzip()
    except (BadZipFile, RuntimeError, NotImplementedError, EOFError, zlib.error) as error:
        raise ReportError(f"{path}: is no workbook (.xlsx): {error}; {_README}") from error
    if broken is not None:
        raise ReportError(f"{path}: is damaged at {broken}; bring back a copy, or use the template as installed")
    return package


def _missing_styles(workbook: Workbook) -> list[str]:
    held = set(workbook.named_styles)
    missing = [style.value for style in Style if style.value not in held]
    return [f"cell styles are missing: {', '.join(missing)}"] if missing else []


def _anchor(workbook: Workbook, name: str) -> Anchor | str:
    defined = workbook.defined_names.get(name)
    if defined is None:
        return f"the name {name!r} is not defined"
    places = list(defined.destinations) if defined.type == "RANGE" else []
    if len(places) != 1:
        return f"the name {name!r} must point to one cell, but reads {defined.attr_text!r}"
    title, reference = places[0][0].replace("''", "'"), places[0][1]
    match = re.fullmatch(r"\$?([A-Z]{1,3})\$?(\d+)(?::.*)?", reference)
    if title not in workbook.sheetnames or match is None:
        return f"the name {name!r} points to {defined.attr_text!r}, which is no cell of this workbook"
    sheet: object = workbook[title]
    if not isinstance(sheet, Worksheet):
        return f"the name {name!r} points into {title!r}, which is no sheet of cells"
    cell = sheet[f"{match[1]}{match[2]}"]
    return Anchor(sheet=sheet, row=cell.row, column=cell.column)


def _in_the_way(anchor: Anchor) -> list[str]:
    """Find the first cell that holds something where the report will write."""
    for row in anchor.sheet.iter_rows(min_row=anchor.row):
        for cell in row:
            if cell.value is not None:
                return [f"{anchor.sheet.title}!{cell.coordinate} holds something in the room that the report fills"]
    for merged in anchor.sheet.merged_cells.ranges:
        if merged.max_row >= anchor.row:
            return [f"{anchor.sheet.title}!{merged.coord} is merged in the room that the report fills"]
    return []
