"""Bring over from the template what openpyxl does not carry: pictures, text boxes, charts, header pictures, sparklines.

openpyxl keeps cells, styles, names, tables and print settings. Everything that floats above the cells comes from here,
part by part as the template holds it, beside what the report draws itself.
"""

import posixpath
from collections.abc import Mapping
from zipfile import ZipFile

from lxml import etree

from cornerrun.report.parts import (
    MAIN,
    OFFICE_RELATIONSHIPS,
    Relationship,
    Types,
    new_relationships,
    parse,
    relationships,
    relationships_path,
    serialise,
    sheet_parts,
)

__all__ = ["Graft"]

_DRAWINGS = "http://schemas.openxmlformats.org/drawingml/2006/spreadsheetDrawing"
_DRAWING_KIND = f"{OFFICE_RELATIONSHIPS}/drawing"
_DRAWING_TYPE = "application/vnd.openxmlformats-officedocument.drawing+xml"
_R = f"{{{OFFICE_RELATIONSHIPS}}}"
# The end of a sheet, in the order that ECMA-376 part 1, CT_Worksheet, wants.
_TAIL = (
    "drawing",
    "legacyDrawing",
    "legacyDrawingHF",
    "picture",
    "oleObjects",
    "controls",
    "webPublishItems",
    "tableParts",
    "extLst",
)
# Shapes of the template get numbers that the report's own charts never reach.
_FIRST_SHAPE = 1000


class Graft:
    """Collects the changes to a finished package: parts to replace or to add."""

    def __init__(self, package: ZipFile, template: ZipFile) -> None:
        self._package = package
        self._template = template
        self._template_types = Types(template)
        self._types = Types(package)
        self._parts: dict[str, bytes] = {}
        self._copied: dict[str, str] = {}

    def graft(self, sheets: Mapping[str, etree._Element]) -> Mapping[str, bytes]:
        """Add to the sheets, by title, what floats above the template's sheets of the same title.

        ``sheets`` are changed in place. Returns the other parts to be written, by name.
        """
        titles = sheet_parts(self._package)
        for title, template_part in sheet_parts(self._template).items():
            if title in sheets and title in titles:
                self._graft_sheet(sheets[title], titles[title], template_part)
        if self._parts:
            self._parts["[Content_Types].xml"] = self._types.xml()
        return self._parts

    def _graft_sheet(self, sheet: etree._Element, part: str, template_part: str) -> None:
        source = parse(self._template.read(template_part))
        links = {item.id: item for item in relationships(self._template, template_part)}
        drawing = source.find(f"{{{MAIN}}}drawing")
        if drawing is not None:
            link = links.get(drawing.get(f"{_R}id", ""))
            if link is not None and link.target in self._template.namelist():
                self._graft_drawing(sheet, part, link.target)
        for name in ("legacyDrawingHF", "picture"):
            found = source.find(f"{{{MAIN}}}{name}")
            if found is not None and sheet.find(f"{{{MAIN}}}{name}") is None:
                link = links.get(found.get(f"{_R}id", ""))
                if link is not None:
                    element = etree.Element(f"{{{MAIN}}}{name}")
                    element.set(f"{_R}id", self._relate(part, link))
                    _put_in_order(sheet, element)
        extensions = source.find(f"{{{MAIN}}}extLst")
        if extensions is not None and sheet.find(f"{{{MAIN}}}extLst") is None:
            for extension in list(extensions):
                # An extension that points to other parts (a slicer) would point to nothing.
                if any(str(key).startswith(_R) for item in extension.iter() for key in item.attrib):
                    extensions.remove(extension)
            if len(extensions):
                _put_in_order(sheet, extensions)

    def _graft_drawing(self, sheet: etree._Element, part: str, source_part: str) -> None:
        source = parse(self._template.read(source_part))
        own = sheet.find(f"{{{MAIN}}}drawing")
        if own is None:
            target_part = f"xl/drawings/template_{posixpath.basename(source_part)}"
            target = parse(f'<wsDr xmlns="{_DRAWINGS}"/>'.encode())
            self._types.add(target_part, _DRAWING_TYPE)
            link = Relationship(id="", kind=_DRAWING_KIND, target=target_part, is_external=False)
            element = etree.Element(f"{{{MAIN}}}drawing")
            element.set(f"{_R}id", self._add_relationship(part, link))
            _put_in_order(sheet, element)
        else:
            ids = {item.id: item.target for item in relationships(self._package, part)}
            target_part = ids[own.get(f"{_R}id", "")]
            target = parse(self._package.read(target_part))
        renamed = {item.id: self._relate(target_part, item) for item in relationships(self._template, source_part)}
        shape = _FIRST_SHAPE
        for element in source.iter():
            if isinstance(element.tag, str) and element.tag.endswith("}cNvPr"):
                shape += 1
                element.set("id", str(shape))
            for key, value in element.items():
                if str(key).startswith(_R) and str(value) in renamed:
                    element.set(key, renamed[str(value)])
        target.extend(list(source))
        self._parts[target_part] = serialise(target)

    def _relate(self, part: str, link: Relationship) -> str:
        """Relate a part of the package to a part of the template, which is copied; return the relationship's id."""
        if link.is_external:
            return self._add_relationship(part, link)
        copied = Relationship(id="", kind=link.kind, target=self._copy(link.target), is_external=False)
        return self._add_relationship(part, copied)

    def _copy(self, source_part: str) -> str:
        """Copy a part of the template with all that it relates to; return its new name."""
        if source_part in self._copied:
            return self._copied[source_part]
        folder, name = posixpath.split(source_part)
        new = f"{folder}/template_{name}"
        self._copied[source_part] = new
        self._parts[new] = self._template.read(source_part)
        content_type = self._template_types.of(source_part)
        if content_type is not None:
            self._types.add(new, content_type)
        links = relationships(self._template, source_part)
        if links:
            # The copy keeps its own ids, so that its content need not change.
            root = new_relationships()
            for link in links:
                target = link.target if link.is_external else f"/{self._copy(link.target)}"
                _append(root, link.id, link.kind, target, is_external=link.is_external)
            self._parts[relationships_path(new)] = serialise(root)
        return new

    def _add_relationship(self, part: str, link: Relationship) -> str:
        path = relationships_path(part)
        if path in self._parts:
            root = parse(self._parts[path])
        elif path in self._package.namelist():
            root = parse(self._package.read(path))
        else:
            root = new_relationships()
        taken = {item.get("Id") for item in root}
        name = next(f"template{n}" for n in range(1, len(taken) + 2) if f"template{n}" not in taken)
        target = link.target if link.is_external else f"/{link.target}"
        _append(root, name, link.kind, target, is_external=link.is_external)
        self._parts[path] = serialise(root)
        return name


def _append(root: etree._Element, name: str, kind: str, target: str, *, is_external: bool) -> None:
    tag = root.tag.removesuffix("s")
    element = etree.SubElement(root, tag, Id=name, Type=kind, Target=target)
    if is_external:
        element.set("TargetMode", "External")


def _put_in_order(sheet: etree._Element, element: etree._Element) -> None:
    """Put an element of a sheet's end where the schema wants it."""
    later = _TAIL[_TAIL.index(etree.QName(element).localname) + 1 :]
    for index, child in enumerate(sheet):
        if etree.QName(child).localname in later:
            sheet.insert(index, element)
            return
    sheet.append(element)
