from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import Field

from cornerrun.errors import PlanProblems
from cornerrun.plan.document import load_document
from cornerrun.plan.fields import FileModel, Flag, Number, Volts, Whole
from cornerrun.plan.load import load_bench, load_plan


class Part(FileModel):
    name: str
    supply: Volts | None = None


class Sample(FileModel):
    format: int
    title: str = ""
    ratio: float = 0.0
    is_on: bool = False
    day: date | None = None
    address: int | None = None
    words: tuple[str, ...] = ()
    numbers: tuple[Number, ...] = ()
    channels: dict[str, Whole] = Field(default_factory=dict)
    flags: dict[str, Flag] = Field(default_factory=dict)
    parts: tuple[Part, ...] = ()


def sample(tmp_path: Path, text: str | bytes) -> Sample:
    path = tmp_path / "sample.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load_document(path, Sample, role="profile").model


def said(tmp_path: Path, text: str | bytes) -> list[str]:
    with pytest.raises(PlanProblems) as caught:
        sample(tmp_path, text)
    return [line.removeprefix(f"{tmp_path}/sample.yaml:") for line in str(caught.value).splitlines()]


def test_texts_stay_what_was_written(tmp_path: Path) -> None:
    words = "[00123, 1.10, 0x40, on, off, yes, no, 1e3, 2026-03-01, 12:30, '~', =1+1, 1_000]"
    assert sample(tmp_path, f"format: 1\nwords: {words}").words == (
        ("00123", "1.10", "0x40", "on", "off", "yes", "no", "1e3", "2026-03-01", "12:30", "~", "=1+1", "1_000")
    )


def test_numbers_flags_and_days_are_read_strictly_from_text(tmp_path: Path) -> None:
    text = (
        "format: 0x01\nratio: 3e12\nis_on: True\nday: 2026-03-01\naddress: 0x40\nchannels: {a: 0x10}\nflags: {b: false}"
    )
    read = sample(tmp_path, text)
    assert (read.format, read.ratio, read.is_on, read.day) == (1, 3e12, True, date(2026, 3, 1))
    assert (read.address, read.channels, read.flags) == (64, {"a": 16}, {"b": False})


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("address: 1_000", "2:10: address: '1_000' is no whole number; write it like '12' or '0x40'"),
        ("address: 007", "2:10: address: '007' is no whole number; write it '7', without leading zeros"),
        ("address: 4.0", "2:10: address: '4.0' is no whole number; write it like '12' or '0x40'"),
        ("ratio: nan", "2:8: ratio: 'nan' is no number; write it like '0.95' or '3e12'"),
        ("ratio: 1e999", "2:8: ratio: '1e999' is not finite; write a smaller number"),
        ("ratio: 0,5", "2:8: ratio: '0,5' is no number; use a decimal point, not a comma"),
        ("is_on: on", "2:8: is_on: 'on' is neither true nor false; write 'true' or 'false'"),
        ("day: 01.03.2026", "2:6: day: '01.03.2026' is no date; write year, month and day like '2026-03-01'"),
        ("day: 2026-02-30", "2:6: day: '2026-02-30' is no day of the calendar; write it like '2026-03-01'"),
        ("day: 1234567", "2:6: day: '1234567' is no date; write year, month and day like '2026-03-01'"),
        ("words: {a: b}", "2:8: words: a list is due, a mapping came; write a list, a dash before each member"),
        ("words: [[a]]", "2:9: words[0]: a text is due, a list came; write a text"),
        ("channels: [1]", "2:11: channels: a mapping is due, a list came; write keys with values, like {key: value}"),
        ("ratio:", "2:1: ratio: has no value; write one, or leave the key out"),
        ("parts: [{name: x, supply: 5}]", "2:27: parts[x].supply: '5' has no unit; write it like '5 V'"),
        ("parts: [{nam: x}]", "2:10: parts[0].nam: unknown key 'nam'; did you mean 'name'?"),
        ("defaults: {part: {suply: 5 V}}\nparts: [{name: x}, {name: y}]",
         "2:19: defaults.part.suply: unknown key 'suply'; did you mean 'supply'?"),
        ("defaults: {part: 5}\nparts: []", ("2:18: defaults.part: a mapping is due, the text '5' came; "
         "write what each part shall have")),
        ("title: a: b", ("2:9: profile: is no YAML: mapping values are not allowed here; "
         "check the indentation, or put a text with a colon in quotes")),
        ("\twords: []", ("2:1: profile: is no YAML: found character '\\t' that cannot start any token; "
         "indent with spaces, not with tabs")),
        ("title: *x", "2:8: profile: is no YAML: found undefined alias 'x'; a text that begins with * needs quotes"),
        ("title: @x", ("2:8: profile: is no YAML: found character '@' that cannot start any token; "
         "put the value in quotes")),
        ("title: 'x", "2:10: profile: is no YAML: found unexpected end of stream; close what was opened in line 2"),
        ("words: [a, b", ("2:13: profile: is no YAML: expected ',' or ']', but got '<stream end>'; "
         "close what was opened in line 2")),
        ("---\nformat: 1", ("2:1: profile: is no YAML: but found another document; "
         "one file holds one document: delete the line '---'")),
        ("words: &a [*a]", ("2:8: words[0][0][0][0][0][0][0][0][0][0][0][0][0][0][0][0][0][...: is nested too deep; "
         "write it plainly; does an alias hold itself?")),
        ("? [a]\n: b", "2:3: key: a key is no text; write plain names before the colons"),
        ("format: 2", ("2:1: format: the key 'format' stands here twice; "
         "delete one of the two; the first is in line 1")),
        ("title: a\x07b", "2:9: profile: holds the control character U+0007; delete it; is this a text file?"),
    ],
)  # fmt: skip
def test_a_mistake_is_told_with_its_place(tmp_path: Path, text: str, problem: str) -> None:
    assert said(tmp_path, f"format: 1\n{text}") == [problem]


@pytest.mark.parametrize(
    ("data", "problem"),
    [
        (b"", "1:1: profile: is empty; begin with 'format: 1'"),
        (b"# only a comment\n", "1:1: profile: is empty; begin with 'format: 1'"),
        (b"- 1\n", "1:1: profile: a mapping is due, a list came; begin with 'format: 1'"),
        (b"hello\n", "1:1: profile: a mapping is due, the text 'hello' came; begin with 'format: 1'"),
        (b"\x89PNG\r\n\x1a\n", "1:1: profile: the byte 0x89 is no UTF-8 text; save the file as UTF-8"),
        (b"format: 1\ntitle: caf\xe9", "2:11: profile: the byte 0xE9 is no UTF-8 text; save the file as UTF-8"),
        ("format: 1".encode("utf-16"), "1:1: profile: is UTF-16 text; save it as UTF-8"),
        (b"[" * 5000, "1:1: profile: is nested too deep; this is no file of cornerrun"),
    ],
)
def test_what_is_no_file_of_ours_says_so(tmp_path: Path, data: bytes, problem: str) -> None:
    assert said(tmp_path, data) == [problem]


def test_aliases_that_multiply_without_end_are_refused(tmp_path: Path) -> None:
    lines = ["words: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"k{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 12)]
    problems = said(tmp_path, "\n".join(lines))
    assert len(problems) == 1
    assert "has too many values, aliases included" in problems[0]


def test_a_plain_alias_works(tmp_path: Path) -> None:
    assert sample(tmp_path, "format: 1\nwords: &w [a]\nparts: [{name: &n x}, {name: *n}]").parts[1].name == "x"


def test_a_byte_order_mark_and_line_ends_of_other_systems_change_no_position(tmp_path: Path) -> None:
    text = "format: 1\r\ntitle: x\r\nrato: 1\r\n"
    assert said(tmp_path, b"\xef\xbb\xbf" + text.encode())[0].startswith("3:1: rato: ")


def test_positions_point_at_values_and_fall_back_to_what_is_around(tmp_path: Path) -> None:
    path = tmp_path / "sample.yaml"
    path.write_text("format: 1\nparts:\n  - {name: x, supply: 5 V}\n", encoding="utf-8")
    document = load_document(path, Sample, role="profile")
    assert document.position(("parts", 0, "supply")) == (3, 23)
    assert document.position(("parts", 0, "absent")) == (3, 5)
    assert str(document.problem(("parts", 0, "supply"), "is 5 V", "write 3 V")) == (
        f"{path}:3:23: parts[x].supply: is 5 V; write 3 V"
    )
    assert document.source.role == "profile"


def test_members_take_from_defaults_what_they_leave_out(tmp_path: Path) -> None:
    text = "format: 1\ndefaults: {part: {supply: 5 V}}\nparts: [{name: x}, {name: y, supply: 3 V}]"
    assert [part.supply for part in sample(tmp_path, text).parts] == [5.0, 3.0]


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.one_of(st.binary(max_size=200), st.text(max_size=200).map(lambda text: text.encode("utf-8", "ignore"))))
def test_whatever_stands_in_a_file_it_is_read_or_refused_with_problems(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "any.yaml"
    path.write_bytes(data)
    for load in (load_plan, load_bench):
        with pytest.raises(PlanProblems) as caught:
            load(path)
        assert all(problem.line >= 1 and problem.column >= 1 for problem in caught.value.problems)


_SNIPPETS = st.sampled_from(
    ["", "~", "[]", "{}", "[a]", "{a: b}", "5", "-5 %", "5 %", "0 V", "-1 V", "1e3 V", "nan V", "x", "'", "*a", "&a b",
     "0x40", "true", "nominal", "[nominal]", "{nominal: high}", "IO", "[IO, IO]", "CORE", "1e99", "!x y", "|", ": :"]
)  # fmt: skip


@settings(deadline=None, max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(value=_SNIPPETS, where=st.integers(0, 10_000), spoil=st.booleans())
def test_a_plan_with_any_value_spoilt_loads_or_is_refused_with_problems(
    tmp_path: Path, plan_text: str, value: str, where: int, spoil: bool
) -> None:
    import re

    values = list(
        re.finditer(r"(?<=: )[^,{}\[\]\n]+|(?<=[\[{, ])[A-Za-z_]+(?=[,\]}])|\{[^{}]*\}|\[[^\[\]]*\]", plan_text)
    )
    chosen = values[where % len(values)]
    text = plan_text[: chosen.start()] + value + plan_text[chosen.end() if spoil else chosen.start() :]
    path = tmp_path / "spoilt.yaml"
    path.write_text(text, encoding="utf-8")
    try:
        plan = load_plan(path)
    except PlanProblems as error:
        assert error.problems  # noqa: PT017  # either outcome is right; what matters is that nothing else comes
    else:
        assert plan.rails
