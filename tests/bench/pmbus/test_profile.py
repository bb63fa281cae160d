from pathlib import Path

import pytest

from cornerrun.bench.pmbus.formats import Direct
from cornerrun.bench.pmbus.operation import Side
from cornerrun.bench.pmbus.profile import PACKAGED, load_profile, profile_names
from cornerrun.errors import PlanError, PlanProblems

GENERIC = (PACKAGED / "generic.yaml").read_text()


def test_the_generic_profile_acts_on_faults_and_never_broadcasts(tmp_path: Path) -> None:
    profile = load_profile("generic", tmp_path)
    assert (profile.pages, profile.scan_s, profile.broadcast) == (32, 0.020, False)
    assert [profile.operation(side) for side in (Side.NOMINAL, Side.LOW, Side.HIGH)] == [0x00, 0x98, 0xA8]
    assert profile.has_page
    assert profile.declares("VOUT_TRIM")
    assert not profile.declares("VOUT_CAL_OFFSET")
    assert profile.source.role == "profile"


@pytest.mark.parametrize("folder", ["", "profiles"])
def test_a_profile_beside_the_plan_comes_before_the_packaged_one(tmp_path: Path, folder: str) -> None:
    (tmp_path / folder).mkdir(exist_ok=True)
    text = GENERIC.replace("20 ms ", "35 ms ") + "vout_direct: {m: 8, b: 0, r: 2}\ndelays: {page_change: 50 us}\n"
    (tmp_path / folder / "generic.yaml").write_text(text)
    profile = load_profile("generic", tmp_path)
    assert profile.scan_s == 0.035
    assert profile.direct == Direct(8, 0, 2)
    assert profile.delays.page_change_s == pytest.approx(50e-6)
    assert "generic" in profile_names(tmp_path)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("high: 0xA8", "high: 0xA4", r"generic\.yaml:\d+:\d+: margin\.high: 0xA4 does not select .*; write 0xA8"),
        ("low: 0x98", "low: 0xA8", r"margin\.low: 0xA8 does not select margin low"),
        ("low: 0x98", "low: 0x90", r"margin\.low: 0x90 does not select margin low and act on faults"),
        ("scan_period: 20 ms", "scan_period: 20", r"scan_period: .*no unit"),
        ("scan_period: 20 ms", "scan_period: 0 s", r"scan_period: .*out of range"),
        ("pages: 32", "pages: 33", r"pages: .*out of range"),
        ("STATUS_WORD, READ_VOUT]", "STATUS_WORD]", r"registers\.required: lacks READ_VOUT"),
        ("[PAGE, OPERATION", "[OPERATION", r"pages: 32 pages, and PAGE is not required"),
        ("- VOUT_TRIM", "- VOUT_TRIMM", r"'VOUT_TRIMM' is no command that may be sent; did you mean 'VOUT_TRIM'"),
        ("- VOUT_TRIM", "- STORE_USER_ALL", r"'STORE_USER_ALL' is no command that may be sent"),
        ("title:", "titel:", r"unknown key 'titel'"),
        ("format: 1", "format: 2", r"format"),
    ],
)
def test_a_broken_profile_says_where_and_what(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in GENERIC
    (tmp_path / "generic.yaml").write_text(GENERIC.replace(old, new, 1))
    with pytest.raises(PlanProblems, match=message):
        load_profile("generic", tmp_path)


@pytest.mark.parametrize("name", ["../generic", "/etc/passwd", "", "a/b", ".hidden"])
def test_a_profile_name_is_no_path(tmp_path: Path, name: str) -> None:
    with pytest.raises(PlanError, match="is no name of a profile"):
        load_profile(name, tmp_path)


def test_an_unknown_profile_says_where_it_was_looked_for(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"no profile 'pm9': no .*pm9\.yaml, and the package has generic"):
        load_profile("pm9", tmp_path)
