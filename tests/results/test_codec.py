import json
import math
import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from cornerrun.results.codec import printable_json

TEXTS = st.text(st.characters(exclude_categories=()), max_size=30)  # lone surrogates and controls among them


@given(st.dictionaries(TEXTS, st.one_of(TEXTS, st.floats(), st.lists(TEXTS, max_size=3)), max_size=4))
def test_any_text_is_valid_utf_8_json_and_comes_back(value):
    text = printable_json(value)
    found = json.loads(text.encode())

    def told(item):
        return item.encode(errors="backslashreplace").decode() if isinstance(item, str) else item

    for key, item in value.items():
        back = found[told(key)]
        if isinstance(item, float):
            assert back == item if math.isfinite(item) else back is None
        else:
            assert back == ([told(one) for one in item] if isinstance(item, list) else told(item))


@given(TEXTS)
def test_no_terminal_sees_a_control_character_or_a_mark_of_direction(value):
    text = printable_json([value], indent=None)
    assert not [
        char
        for char in text
        if unicodedata.category(char) in {"Cc", "Zl", "Zp"} or ord(char) in {*range(0x202A, 0x202F)}
    ]


def test_a_lone_surrogate_is_spelled_out_and_not_escaped():
    assert json.loads(printable_json("a\udcff")) == "a\\udcff"


def test_what_json_does_not_know_is_its_text():
    assert json.loads(printable_json({1: (True, None, 2, b"x")})) == {"1": [True, None, 2, "b'x'"]}
