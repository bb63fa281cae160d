import pytest
from PIL import Image

from cornerrun.errors import ReportError
from cornerrun.report.drawing import Box, Drawing, Ink, Label, Line, Mark
from cornerrun.report.png import write_png
from cornerrun.report.svg import PAPER


def test_shapes_are_painted_where_they_stand(tmp_path):
    shapes = (
        Box(x=10, y=10, width=20, height=10, fill=Ink.FAILED),
        Line(points=((0, 40), (100, 40)), stroke=Ink.PASS, width=3),
        Mark(x=80, y=15, ink=Ink.HIGH, size=10),
        Label(x=50, y=45, text="turned \n ● <&>", is_upright=True),
    )
    with Image.open(write_png(Drawing(width=100, height=50, shapes=shapes), tmp_path / "a.png")) as picture:
        assert picture.size == (200, 100)
        at = {point: "#" + bytes(picture.getpixel(point)).hex() for point in ((40, 30), (20, 80), (160, 30), (190, 90))}
    assert at == {
        (40, 30): PAPER[Ink.FAILED],
        (20, 80): PAPER[Ink.PASS],
        (160, 30): PAPER[Ink.HIGH],
        (190, 90): PAPER[Ink.GROUND],
    }


def test_a_picture_that_cannot_be_written_says_so(tmp_path):
    with pytest.raises(ReportError, match="cannot be written"):
        write_png(Drawing(width=9, height=9, shapes=()), tmp_path / "missing" / "a.png")
