from pathlib import Path

import pytest

from cornerrun.plan.load import load_plan
from cornerrun.preflight.levels import level_table


def rows(looked, byte: int | None, **keys):
    looked((", vout_mode: 0x14", ""))
    modes = {} if byte is None else {"CORE": byte, "DDR": byte}
    return {(row.rail, row.level): row for row in level_table(load_plan(Path("plan.yaml")), modes)}


def test_each_level_is_encoded_and_decoded_by_vout_mode(looked) -> None:
    # ULINEAR16, exponent -12 (VOUT_MODE 0x14): 0.85 * 4096 = 3481.6 -> 3482; 0.8925 * 4096 = 3655.68 -> 3656.
    table = rows(looked, 0x14)
    nominal, high = table["CORE", "nominal"], table["CORE", "high"]
    assert (nominal.word, nominal.decoded_v) == (3482, 3482 / 4096)
    assert (high.word, high.decoded_v) == (3656, 3656 / 4096)
    assert high.error_v == pytest.approx(3656 / 4096 - 0.8925, abs=1e-15)
    assert high.error_share == pytest.approx((3656 / 4096 - 0.8925) / 0.0425, rel=1e-9)
    assert nominal.error_share is None
    assert high.verdict == "ok"


def test_relative_words_are_ratios_to_the_nominal_word(looked) -> None:
    # VOUT_MODE 0x97: relative, exponent -9 (register listing of a 1.3 part): 1.05 * 512 = 537.6 -> 538.
    high = rows(looked, 0x97)["CORE", "high"]
    nominal_v = round(0.85 * 512) / 512
    assert high.word == round(0.8925 / nominal_v * 512)
    assert high.decoded_v == pytest.approx(high.word / 512 * nominal_v, rel=1e-12)


def test_a_rail_that_follows_goes_with_what_the_word_of_the_other_means(looked) -> None:
    table = rows(looked, 0x14)
    leader, follower = table["DDR", "high"], table["VTT", "high"]
    assert leader.decoded_v is not None
    assert follower.decoded_v == pytest.approx(0.5 * leader.decoded_v)
    assert (follower.word, follower.verdict) == (None, "not commanded")


def test_headroom_is_what_accuracy_leaves_of_the_room_that_nominal_has(looked) -> None:
    high = rows(looked, None)["CORE", "high"]
    assert (high.word, high.verdict) == (None, "code unknown")
    assert high.headroom_v == pytest.approx(0.92 - 0.8925 * 1.005, rel=1e-9)
    assert high.headroom_share == pytest.approx((0.92 - 0.8925 * 1.005) / (0.92 - 0.85), rel=1e-9)
