"""The skeleton of every page: verdict, facts, sections with figures and tables, all in one file."""

import base64
import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from cornerrun.report.cell_text import xml_text
from cornerrun.report.drawing import Drawing, Ink
from cornerrun.report.page.tables import PageTable
from cornerrun.report.svg import to_svg

if TYPE_CHECKING:
    from jinja2 import Environment

_TALL = 640.0  # A4 across, less its margins, in pixels

__all__ = ["Part", "Section", "Verdict", "render", "safe"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Part:
    """A figure, a table, or both; a folded table opens when a person asks for it."""

    title: str = ""
    drawing: Drawing | None = None
    table: PageTable | None = None
    is_folded: bool = False

    @property
    def svg(self) -> object:
        """The figure as an element that the template takes as it is."""
        return safe(to_svg(self.drawing)) if self.drawing is not None else ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Section:
    """A section of the page; ``name`` is its anchor."""

    name: str
    title: str
    lead: str = ""
    parts: tuple[Part, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def is_tall(self) -> bool:
        """Whether a figure is higher than a page across: it is printed on one upright."""
        return any(part.drawing is not None and part.drawing.height > _TALL for part in self.parts)


@dataclass(frozen=True, kw_only=True, slots=True)
class Verdict:
    """What stands at the top: shape, word, of what, and why."""

    symbol: str
    word: str
    ink: Ink
    of: str
    why: str


def render(
    *,
    title: str,
    verdict: Verdict,
    facts: Sequence[tuple[str, str]],
    sections: Sequence[Section],
    foot: str,
    simulated: str = "",
    corner_map: Mapping[str, object] | None = None,
    visits: str = "",
) -> str:
    """Write the page as HTML text.

    ``corner_map`` fills the section named "map"; ``visits`` is the JSON of the visits that its buttons open. Only the
    page's own script may run: the browser is told its hash, and refuses any other.
    """
    script = _source("page.js")
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    return (
        _environment()
        .get_template("page.html.j2")
        .render(
            title=title,
            verdict=verdict,
            facts=facts,
            sections=sections,
            foot=foot,
            simulated=simulated,
            map=corner_map,
            visits=safe(visits),
            css=safe(_source("page.css")),
            script=safe(script),
            script_hash=f"sha256-{digest}",
        )
    )


def safe(markup: str) -> object:
    """Mark text as markup that was made here and has been escaped already."""
    from markupsafe import Markup

    return Markup(markup)


def _source(name: str) -> str:
    return files("cornerrun.report.page").joinpath(name).read_text(encoding="utf-8")


@cache
def _environment() -> "Environment":
    from jinja2 import Environment, FunctionLoader, StrictUndefined

    return Environment(
        loader=FunctionLoader(_source),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=lambda value: xml_text(value) if type(value) is str else value,
    )
