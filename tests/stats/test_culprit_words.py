from cornerrun.stats.culprit_words import culprit_report, telling_corner


def a_corner(**off):
    return {"CORE": "nominal", "IO": "nominal", "DDR": "nominal"} | off


ALONE = [a_corner(CORE="low"), a_corner(IO="high"), a_corner(DDR="low")]


def test_one_suspect_that_explains_everything_is_named():
    report = culprit_report([a_corner(), *ALONE], [False, True, False, False])
    assert report.words[0] == "CORE low alone explains the one failing corner and is in no passing one."
    assert "no rail can be convicted from 1 failing of 4 corners" in report.words[1]


def test_confounded_suspects_are_said_to_be_and_the_telling_corner_is_proposed():
    corners = [a_corner(), a_corner(CORE="low", IO="high")]
    report = culprit_report(corners, [False, True])
    assert "cannot be told apart" in report.words[0]
    assert {s.combination for s in report.suspects} == {(("CORE", "low"),), (("IO", "high"),)}
    assert report.next_corner in (a_corner(CORE="low"), a_corner(IO="high"))
    assert report.words[-1].endswith("all others nominal.")


def test_nominal_is_no_suspect_where_something_was_stressed():
    corners = [a_corner(), a_corner(CORE="low"), a_corner(CORE="low", IO="high")]
    report = culprit_report(corners, [False, True, False])
    # CORE low was in a passing corner; with IO nominal it was in a failing one only: nothing else is left.
    assert {s.combination for s in report.suspects} == {(("CORE", "low"), ("IO", "nominal"))}


def test_a_noisy_check_is_said_to_be():
    report = culprit_report([a_corner(CORE="low"), a_corner(CORE="low")], [True, False])
    assert "the check is noisy" in report.words[0]
    assert report.next_corner is None


def test_no_failure_and_nothing_but_failures_convict_nobody():
    assert "no culprit" in culprit_report(ALONE, [False] * 3).words[0]
    assert "Look at nominal first" in culprit_report(ALONE, [True] * 3).words[0]
    assert "No corner was run" in culprit_report([], []).words[0]


def test_more_than_one_cause_is_said():
    corners = [a_corner(), *ALONE]
    report = culprit_report(corners, [False, True, True, False])
    assert "there is more than one cause" in report.words[0]


def test_the_telling_corner_splits_the_suspects_in_halves():
    suspects = [(("CORE", "low"),), (("IO", "high"),), (("DDR", "low"),), (("CORE", "low"), ("IO", "high"))]
    half = a_corner(CORE="low", DDR="low")
    assert telling_corner(suspects, [a_corner(), a_corner(CORE="low"), half]) == half
    assert telling_corner(suspects, [half], tested=[half]) is None
    assert telling_corner(suspects, [a_corner()]) is None
