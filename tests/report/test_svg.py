import pytest
from lxml import etree

from cornerrun.report.drawing import Box, Drawing, Ink, Label, Line, Mark, shortened
from cornerrun.report.svg import PAPER, to_svg


def _drawn(*shapes):
    return to_svg(Drawing(width=100, height=50, shapes=shapes, title="a <b>", about='"quoted" & more'), is_alone=True)


def test_a_drawing_alone_is_well_formed_and_says_what_it_shows():
    root = etree.fromstring(_drawn(Label(x=1, y=2, text="]]> & <tag> \x00")).encode())
    assert root.get("aria-label") == '"quoted" & more'
    assert root.findtext("{*}title") == "a <b>"
    assert root.findtext("{*}text") == "]]> & <tag> \\x00"


def test_boxes_of_one_ink_become_one_path():
    boxes = [Box(x=i, y=0, width=1, height=2, fill=Ink.HIGH) for i in range(500)]
    root = etree.fromstring(_drawn(*boxes).encode())
    paths = root.findall("{*}path")
    assert len(paths) == 1
    assert paths[0].get("d").count("M") == 500


@pytest.mark.parametrize("kind", ["dot", "square", "triangle", "ring", "diamond"])
def test_each_mark_has_its_own_shape_beside_its_ink(kind):
    others = {
        other: _drawn(Mark(x=9, y=9, ink=Ink.PASS, kind=other)) for other in ("dot", "square", "triangle", "ring")
    }
    drawn = _drawn(Mark(x=9, y=9, ink=Ink.PASS, kind=kind))
    assert all(drawn != text for other, text in others.items() if other != kind)


def test_every_ink_has_a_colour_on_paper():
    assert set(PAPER) == set(Ink)


def test_a_line_and_a_hint_survive():
    text = _drawn(Line(points=((0, 0), (5, 5)), is_dashed=True), Mark(x=1, y=1, ink=Ink.INK, hint="<hint>"))
    assert "stroke-dasharray" in text
    assert "&lt;hint&gt;" in text


def test_a_long_name_is_cut_and_shows_it():
    assert shortened("A" * 100_000, 10) == "A" * 9 + "…"
    assert shortened("short", 10) == "short"
