"""The parts of an OOXML package: relationships, content types, and which part is which sheet (ECMA-376 part 2)."""

import posixpath
from collections.abc import Mapping
from dataclasses import dataclass
from zipfile import ZipFile

from lxml import etree

__all__ = [
    "MAIN",
    "OFFICE_RELATIONSHIPS",
    "Relationship",
    "Types",
    "new_relationships",
    "parse",
    "relationships",
    "relationships_path",
    "serialise",
    "sheet_parts",
]

MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OFFICE_RELATIONSHIPS = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_RELATIONSHIPS = "http://schemas.openxmlformats.org/package/2006/relationships"
_TYPES = "http://schemas.openxmlformats.org/package/2006/content-types"


@dataclass(frozen=True, kw_only=True, slots=True)
class Relationship:
    """What one part says of another; ``target`` is a part name without leading slash, or a URL if external."""

    id: str
    kind: str
    target: str
    is_external: bool


def parse(xml: bytes) -> etree._Element:
    """Read XML of a package without entities, network or size tricks."""
    return etree.fromstring(xml, etree.XMLParser(resolve_entities=False, no_network=True, huge_tree=True))


def serialise(root: etree._Element) -> bytes:
    """Write XML as parts hold it."""
    return etree.tostring(root, xml_declaration=True, encoding="UTF-8", standalone=True)


def relationships_path(part: str) -> str:
    """Tell where the relationships of a part are kept."""
    folder, name = posixpath.split(part)
    return posixpath.join(folder, "_rels", f"{name}.rels")


def relationships(package: ZipFile, part: str) -> tuple[Relationship, ...]:
    """Return the relationships of a part; none if it has none."""
    path = relationships_path(part)
    if path not in package.namelist():
        return ()
    found = []
    for element in parse(package.read(path)):
        target = element.get("Target", "")
        is_external = element.get("TargetMode") == "External"
        if not is_external:
            target = posixpath.normpath(posixpath.join("/", posixpath.dirname(part), target)).lstrip("/")
        found.append(
            Relationship(id=element.get("Id", ""), kind=element.get("Type", ""), target=target, is_external=is_external)
        )
    return tuple(found)


def new_relationships() -> etree._Element:
    """Return an empty list of relationships."""
    return parse(f'<Relationships xmlns="{_RELATIONSHIPS}"/>'.encode())


def sheet_parts(package: ZipFile) -> Mapping[str, str]:
    """Return the part of each sheet by its title, in the order of the workbook."""
    (workbook,) = (item.target for item in relationships(package, "") if item.kind.endswith("/officeDocument"))
    targets = {item.id: item.target for item in relationships(package, workbook)}
    sheets = parse(package.read(workbook)).find(f"{{{MAIN}}}sheets")
    if sheets is None:
        return {}
    return {sheet.get("name", ""): targets[sheet.get(f"{{{OFFICE_RELATIONSHIPS}}}id", "")] for sheet in sheets}


class Types:
    """The content types of a package: what each part is."""

    def __init__(self, package: ZipFile) -> None:
        self._root = parse(package.read("[Content_Types].xml"))

    def of(self, part: str) -> str | None:
        """Return the content type of a part; None if the package does not say."""
        extension = posixpath.splitext(part)[1].lstrip(".").lower()
        for element in self._root.iterfind(f"{{{_TYPES}}}Override"):
            if element.get("PartName", "").lstrip("/") == part:
                return element.get("ContentType")
        for element in self._root.iterfind(f"{{{_TYPES}}}Default"):
            if element.get("Extension", "").lower() == extension:
                return element.get("ContentType")
        return None

    def add(self, part: str, content_type: str) -> None:
        """Say what a part is."""
        etree.SubElement(self._root, f"{{{_TYPES}}}Override", PartName=f"/{part}", ContentType=content_type)

    def xml(self) -> bytes:
        """Write the list back."""
        return serialise(self._root)
