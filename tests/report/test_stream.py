import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from cornerrun.report import stream
from cornerrun.report.stream import RowStream, Styled

CELLS = (
    st.none()
    | st.booleans()
    | st.integers(-2, 2)
    | st.sampled_from([0.0, -0.0, 1.0, 1.5, math.nan, math.inf])
    | st.floats()
    | st.sampled_from(["", "VDD", "=1+1", "a < b & c", "  two"])
    | st.sampled_from([Styled("● pass", 9), Styled(None, 8), Styled(2.5, 7)])
)
ROWS = st.integers(1, 3).flatmap(lambda width: st.lists(st.lists(CELLS, min_size=width, max_size=width), min_size=1))
# What comes again and again in a column is made in another way than what does not.
DULL = st.builds(lambda value, count: [[value]] * count, CELLS, st.integers(1, 12))


def a_stream(rows, count=None):
    width = len(rows[0])
    styles = tuple(range(1, width + 1))
    return RowStream(
        sheet="Readings",
        first_row=7,
        count=len(rows) if count is None else count,
        column=2,
        styles=styles,
        quoted=tuple(style + 20 for style in styles),
        rows=iter(rows),
    )


def shown(value, style):
    """What a cell should hold: its style, its type, its text."""
    if isinstance(value, Styled):
        return (value.style, *shown(value.value, value.style)[1:])
    if value is None:
        return style, None, None
    if isinstance(value, bool):
        return style, "b", str(int(value))
    if isinstance(value, int) or (isinstance(value, float) and math.isfinite(value)):
        return style, None, repr(value)
    return style + 20 * str(value).startswith(("=", "+", "-", "@")), "inlineStr", str(value)


@pytest.mark.parametrize("chunk", [4, 2048])
@given(rows=ROWS | DULL)
def test_every_cell_holds_its_value_to_the_last_bit(chunk, rows):
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(stream, "_ROWS_A_CHUNK", chunk)
        text = b"".join(a_stream(rows).chunks())
    sheet = etree.fromstring(b"<sheet>" + text + b"</sheet>")
    assert [row.get("r") for row in sheet] == [str(7 + index) for index in range(len(rows))]
    for row, values in zip(sheet, rows, strict=True):
        assert [cell.get("r") for cell in row] == [f"{letter}{row.get('r')}" for letter in "BCD"[: len(values)]]
        found = [(int(cell.get("s")), cell.get("t"), "".join(cell.itertext()) or None) for cell in row]
        assert found == [
            (style, kind, text or None)
            for style, kind, text in (shown(value, style) for style, value in enumerate(values, start=1))
        ]


def test_rows_that_were_not_announced_and_rows_of_unequal_length_are_refused():
    with pytest.raises(ValueError, match="more rows than the 2 announced"):
        list(a_stream([[1]] * 3, count=2).chunks())
    for other in ([1], [1, 2, 3]):
        with pytest.raises(ValueError, match=r"is (shorter|longer) than"):
            list(a_stream([[1, 2], other]).chunks())
    with pytest.raises(ValueError, match=r"is (shorter|longer) than"):
        list(replace(a_stream([[1, 2]]), rows=[[1, 2, 3]]).chunks())
