"""Screening: what is asked of whom, what is missing, and what the answers open and close."""

import json
from typing import Any

import pytest

from tests.api.conftest import Api, days_ago, faults, today
from tests.api.in_a_cut import CLEAN
from tests.stories.test_pain import findings, instead_of, lifts, note, review, train, trainee

MAN: dict[str, Any] = {"sex": "male", "birth_date": "1985-03-01", "height_cm": 180}
WHOLE = {**CLEAN, "injury": "none", "regularly_active": True, "signs_or_symptoms": False, "cycle": "natural"}


def screen(api: Api, home: str, answers: dict[str, Any]) -> dict[str, Any]:
    made = api("PUT", f"{home}/screening", answers)
    assert made.status_code == 200, made.text
    return made.json()


def test_the_answers_of_before_still_open_a_deficit_and_the_rest_is_asked_for(api: Api) -> None:
    home = f"/athletes/{api.athlete()['id']}"
    assert api("GET", f"{home}/screening").json()["unanswered"][0] == "pregnant_or_breastfeeding"
    assert findings(review(api, home))["screening.unanswered"]["severity"] == "advice"
    assert screen(api, home, CLEAN)["unanswered"] == ["injury", "regularly_active", "signs_or_symptoms", "cycle"]
    asked = findings(review(api, home))["screening.unanswered"]
    assert (
        asked["severity"] == "info"
        and asked["evidence"]["unanswered"] == api("GET", f"{home}/screening").json()["unanswered"]
    )
    cut = {"kind": "cut", "starts_on": str(today()), "energy_kcal": 1800}
    codes = {fault["code"] for fault in api("POST", f"{home}/phases", cut).json()["errors"]}
    assert "screening.unanswered" not in codes and "data.no_estimate" in codes
    assert screen(api, home, WHOLE)["unanswered"] == []
    assert "screening.unanswered" not in findings(review(api, home))


def test_a_man_is_not_asked_about_pregnancy(api: Api) -> None:
    home = f"/athletes/{api.athlete(**MAN)['id']}"
    answers = {name: said for name, said in WHOLE.items() if name not in ("pregnant_or_breastfeeding", "cycle")}
    assert screen(api, home, answers)["unanswered"] == []
    assert "screening.unanswered" not in findings(review(api, home))
    half = {name: said for name, said in answers.items() if name != "kidney_disease"}
    assert screen(api, home, half)["unanswered"] == ["kidney_disease"]
    found = findings(review(api, home))["screening.unanswered"]
    assert found["evidence"]["unanswered"] == ["kidney_disease"] and "kidney disease" in found["statement"]


def test_a_man_is_neither_pregnant_nor_has_he_a_cycle(api: Api) -> None:
    man = api.athlete(**MAN)
    home = f"/athletes/{man['id']}"
    said = {"pregnant_or_breastfeeding": True, "cycle": "natural"}
    refused = dict.fromkeys(("/pregnant_or_breastfeeding", "/cycle"), "not_of_men")
    assert faults(api("PUT", f"{home}/screening", said)) == refused
    line = json.dumps({"type": "screening", "athlete": man["external_id"], **said})
    assert {fault["pointer"]: fault["code"] for fault in api.load(line)["faults"]} == refused
    assert api("GET", f"{home}/screening").json()["revision"] == 0
    assert screen(api, home, {**CLEAN, "pregnant_or_breastfeeding": False})["revision"] == 1


@pytest.mark.parametrize(
    ("answer", "now"),
    [
        ({"glucose_lowering_medication": "insulin"}, {"glucose_lowering_medication": "none"}),
        ({"pregnant_or_breastfeeding": True}, {"pregnant_or_breastfeeding": False}),
        ({"injury": ["knee"]}, {"injury": None}),
    ],
)
def test_an_answer_that_closes_the_gate_is_not_lost_by_silence(
    api: Api, answer: dict[str, Any], now: dict[str, Any]
) -> None:
    person = api.athlete()
    home, (name,) = f"/athletes/{person['id']}", answer
    assert screen(api, home, {**WHOLE, **answer})["unanswered"] == []
    silent = {field: said for field, said in WHOLE.items() if field not in (name, "cycle")}
    assert faults(api("PUT", f"{home}/screening", silent)) == {f"/{name}": "answer_would_be_lost"}
    line = json.dumps({"type": "screening", "athlete": person["external_id"], **silent})
    assert [(fault["pointer"], fault["code"]) for fault in api.load(line)["faults"]] == [
        (f"/{name}", "answer_would_be_lost")
    ]
    assert api("GET", f"{home}/screening").json()["revision"] == 1
    left = screen(api, home, {**silent, **answer})
    assert left["unanswered"] == ["cycle"], "of what closes nothing, silence is no answer"
    assert screen(api, home, {**silent, **now})[name] == now[name]


def test_missing_menses_are_no_sign_under_contraception(api: Api) -> None:
    for cycle, referred in (("natural", True), ("hormonal_contraception", False), ("menopause", False)):
        home = f"/athletes/{api.athlete()['id']}"
        screen(api, home, {**WHOLE, "cycle": cycle})
        note(api, home, months_without_menstruation=4)
        assert ("safety.menses_missing" in findings(review(api, home))) is referred


@pytest.mark.parametrize(
    ("answers", "rule"),
    [
        ({"regularly_active": False}, "add_load"),
        ({"regularly_active": False, "kidney_disease": True}, "stop"),
        ({"regularly_active": True, "kidney_disease": True, "desired_intensity": "vigorous"}, "hold"),
        ({"regularly_active": True, "signs_or_symptoms": True}, "stop"),
    ],
)
def test_readiness_closes_load_until_it_is_cleared(api: Api, answers: dict[str, Any], rule: str) -> None:
    """The outcomes of Riebe 2015, doi 10.1249/MSS.0000000000000664, from memory."""
    home = trainee(api)
    train(api, home, 4)
    screen(api, home, {**WHOLE, **answers})
    assert lifts(api, home)["bench-press"]["rule"] == rule
    assert ("safety.readiness" in findings(review(api, home))) is (rule != "add_load")
    cleared = {"clearances": [{"for": "load", "on": str(today()), "by": "Dr Amaral"}]}
    screen(api, home, {**WHOLE, **answers, **cleared})
    assert lifts(api, home)["bench-press"]["rule"] == "add_load"


def test_a_man_of_61_with_insulin_and_a_sore_back(api: Api) -> None:
    home = trainee(api, sex="male", birth_date=f"{today().year - 61}-01-15", height_cm=176)
    train(api, home, 5)
    answers = {name: said for name, said in WHOLE.items() if name not in ("pregnant_or_breastfeeding", "cycle")}
    told = {"glucose_lowering_medication": "insulin", "injury": ["low_back"], "regularly_active": True}
    screen(api, home, {**answers, **told})
    session = lifts(api, home)
    assert {n for n, lift in session.items() if lift["rule"] == "stop"} == {
        "romanian-deadlift",
        "barbell-row",
        "back-squat",
    }
    assert not {"pendlay-row", "good-morning", "goblet-squat"} & {
        *instead_of(api, home, "barbell-row"),
        *instead_of(api, home, "back-squat"),
    }
    found = findings(review(api, home))
    assert {"safety.glucose_medication", "safety.restricted"} <= found.keys()
    assert "low back" in found["safety.restricted"]["statement"]
    screen(api, home, {**answers, **told, "injury": "none"})
    squat = lifts(api, home)["back-squat"]
    assert (squat["rule"], squat["load_kg"]) == ("hold", 60.0), (
        "open again; at his age the next load takes two sessions"
    )


def test_a_file_sent_again_is_no_new_answer(api: Api) -> None:
    athlete = api.athlete()
    line = (
        f'{{"type": "screening", "athlete": "{athlete["external_id"]}", "kidney_disease": false, "injury": ["knee"]}}'
    )
    for _ in range(2):
        assert api.load(line)["faults"] == []
    stored = api("GET", f"/athletes/{athlete['id']}/screening").json()
    assert (stored["revision"], stored["injury"]) == (1, ["knee"]) and stored["answered_at"] > days_ago(1)
