import pytest

from cornerrun.bench.simulated.instruments.incidents import Incident, Incidents


def struck(incident: Incident, *, answers: int = 2000, seed: int = 1) -> list[int]:
    incidents = Incidents(incident, seed=seed, name="late", start_s=10.0)
    return [answer for answer in range(1, answers + 1) if incidents.strikes(answer, 10.0 + answer)]


def test_nothing_happens_unless_it_is_asked_for() -> None:
    assert struck(Incident()) == []


def test_a_script_names_answers_by_number() -> None:
    assert struck(Incident.model_validate({"answers": ["2", "5"]})) == [2, 5]


def test_a_time_strikes_the_first_answer_from_then_on_once() -> None:
    assert struck(Incident.model_validate({"at": ["3.5 s", "7 s"]})) == [4, 7]


def test_a_rate_is_the_share_of_answers_and_the_same_for_the_same_seed() -> None:
    rare = Incident.model_validate({"rate": "5 %"})
    found = struck(rare)
    # Four standard errors of a share of 5 % in 2000: 4 * sqrt(0.05 * 0.95 / 2000).
    assert len(found) / 2000 == pytest.approx(0.05, abs=0.0195)
    assert struck(rare) == found
    assert struck(rare, seed=2) != found
