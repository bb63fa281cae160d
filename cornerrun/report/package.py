"""Finish a workbook that openpyxl saved: what openpyxl cannot write goes in here, part by part.

openpyxl writes a formula or a cached value, never both; it holds every row in memory; and it drops what floats above a
template's cells. Here formula cells get their cached values, big sheets are streamed, and the template's drawings come
back (`graft`).
"""

import io
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from zipfile import ZIP_DEFLATED, ZipFile, ZipInfo

from lxml import etree

from cornerrun.errors import ReportError
from cornerrun.report.cell_text import cell_text
from cornerrun.report.graft import Graft
from cornerrun.report.parts import MAIN, parse, serialise, sheet_parts
from cornerrun.report.stream import RowStream

__all__ = ["Cached", "finish"]

Cached = float | int | str | bool
_ROWS_GO_HERE = "rows"
_DEFLATE_LEVEL = 3  # chosen: less than half of the time of level 6, a seventh larger
_CORE = "docProps/core.xml"
_MODIFIED = "{http://purl.org/dc/terms/}modified"


def finish(
    saved: bytes,
    path: Path,
    *,
    cached: Mapping[str, Mapping[str, Cached]],
    streams: Sequence[RowStream] = (),
    template: bytes | None = None,
    modified: datetime,
) -> None:
    """Write the finished workbook to a file, which is replaced at once or not at all.

    ``cached`` holds the value of each formula by sheet title and cell. ``modified`` is written into the properties and
    onto every part, so that the same store gives the same bytes. Raises ReportError if the file cannot be written,
    KeyError or ValueError if ``cached`` or ``streams`` do not fit the workbook.
    """
    with ZipFile(io.BytesIO(saved)) as package:
        titles = sheet_parts(package)
        sheets = {title: parse(package.read(part)) for title, part in titles.items()}
        for title, values in cached.items():
            _put_cached(sheets[title], title, values)
        parts: dict[str, bytes] = {}
        if template is not None:
            with ZipFile(io.BytesIO(template)) as source:
                parts.update(Graft(package, source).graft(sheets))
        by_part = {titles[stream.sheet]: stream for stream in streams}
        for stream in streams:
            _mark(sheets[stream.sheet], stream)
        for title, part in titles.items():
            parts[part] = serialise(sheets[title])
        if _CORE in package.namelist():
            parts[_CORE] = _dated(package.read(_CORE), modified)
        try:
            _write(package, path, parts, by_part, modified)
        except OSError as error:
            raise ReportError(f"{path}: the workbook cannot be written: {error.strerror or error}") from error


def _put_cached(sheet: etree._Element, title: str, values: Mapping[str, Cached]) -> None:
    cells = {cell.get("r", ""): cell for cell in sheet.iterfind(f".//{{{MAIN}}}c[{{{MAIN}}}f]")}
    missing = values.keys() - cells.keys()
    if missing:
        raise KeyError(f"{title}: no formula in {', '.join(sorted(missing))}")
    for reference, value in values.items():
        cell = cells[reference]
        held = cell.find(f"{{{MAIN}}}v")
        if held is None:
            held = etree.SubElement(cell, f"{{{MAIN}}}v")
        if isinstance(value, bool):
            cell.set("t", "b")
            held.text = str(int(value))
        elif isinstance(value, str):
            cell.set("t", "str")
            held.text = cell_text(value)
        else:
            cell.attrib.pop("t", "")
            held.text = repr(value)


def _mark(sheet: etree._Element, stream: RowStream) -> None:
    data = sheet.find(f"{{{MAIN}}}sheetData")
    if data is None:
        raise KeyError(f"{stream.sheet}: no rows can be put here")
    data.append(etree.ProcessingInstruction(_ROWS_GO_HERE))
    dimension = sheet.find(f"{{{MAIN}}}dimension")
    if dimension is not None:
        first = dimension.get("ref", "A1").partition(":")[0]
        dimension.set("ref", f"{first}:{stream.last_cell}")


def _mark_bytes() -> bytes:
    return etree.tostring(etree.ProcessingInstruction(_ROWS_GO_HERE))


def _dated(core: bytes, modified: datetime) -> bytes:
    root = parse(core)
    for element in root.iterfind(_MODIFIED):
        element.text = modified.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    return serialise(root)


def _write(
    package: ZipFile,
    path: Path,
    parts: Mapping[str, bytes],
    streams: Mapping[str, RowStream],
    modified: datetime,
) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    number, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name[:40]}.")
    temporary = Path(name)
    try:
        with os.fdopen(number, "wb") as file, ZipFile(file, "w", ZIP_DEFLATED, compresslevel=_DEFLATE_LEVEL) as target:
            names = dict.fromkeys([*package.namelist(), *parts])
            for part in names:
                content = parts[part] if part in parts else package.read(part)
                info = ZipInfo(part, date_time=max(modified.timetuple()[:6], (1980, 1, 1, 0, 0, 0)))
                info.compress_type = ZIP_DEFLATED
                if part in streams:
                    _write_stream(target, part, content, streams[part])
                else:
                    target.writestr(info, content)
        # mkstemp makes the file readable by its owner only; a report is made like any other file.
        mask = os.umask(0)
        os.umask(mask)
        temporary.chmod(0o666 & ~mask)
        temporary.replace(path)
    except BaseException:
        with suppress(OSError):
            temporary.unlink()
        raise


def _write_stream(target: ZipFile, part: str, content: bytes, stream: RowStream) -> None:
    before, _, after = content.partition(_mark_bytes())
    # By its name: only so the level of compression counts. The part is then dated 1980, the first day that a ZIP knows.
    with target.open(part, "w", force_zip64=True) as file:
        file.write(before)
        for chunk in _one_ahead(stream.chunks()):
            file.write(chunk)
        file.write(after)


def _one_ahead(chunks: Iterator[bytes]) -> Iterator[bytes]:
    """Make each chunk while the one before it is compressed, which Python leaves to another processor."""
    with ThreadPoolExecutor(max_workers=1) as maker:
        upcoming = maker.submit(next, chunks, None)
        while (chunk := upcoming.result()) is not None:
            upcoming = maker.submit(next, chunks, None)
            yield chunk
