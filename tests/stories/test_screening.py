"""Screening: what is asked of whom, what is missing, and what the answers open and close."""

import json
from datetime import timedelta
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


OLD = 250  # days ago: within the year for which a clearance counts


def clearances(days: int, *scopes: str) -> dict[str, Any]:
    return {"clearances": [{"for": scope, "on": days_ago(days), "by": "Dr Amaral"} for scope in scopes]}


def refused(api: Api, home: str) -> set[str]:
    """What a cut that begins today is refused for."""
    cut = {"kind": "cut", "starts_on": str(today()), "energy_kcal": 1800}
    return {fault["code"] for fault in api("POST", f"{home}/phases?dry_run=true", cut).json()["errors"]}


@pytest.mark.parametrize(
    ("before", "now", "code"),
    [
        ({"eating_disorder_history": True}, {"pregnant_or_breastfeeding": True}, "safety.pregnancy"),
        ({"kidney_disease": True}, {"glucose_lowering_medication": "insulin"}, "safety.glucose_medication"),
        ({"glucose_lowering_medication": "sulfonylurea"}, {"glucose_lowering_medication": "insulin"},
         "safety.glucose_medication"),
        ({"heart_or_metabolic_disease": True}, {"kidney_disease": True}, "safety.kidney_disease"),
    ],
)  # fmt: skip
def test_an_old_clearance_opens_nothing_that_is_answered_later(
    api: Api, before: dict[str, Any], now: dict[str, Any], code: str
) -> None:
    coach = api.for_tests()
    coach.move_clock(OLD)
    home, old = f"/athletes/{coach.athlete()['id']}", clearances(OLD, "deficit", "load")
    screen(coach, home, {**WHOLE, **before, **old})
    coach.move_clock(0)
    assert not {name for name in findings(review(coach, home)) if name.startswith("safety.")}, "it was cleared for that"
    screen(coach, home, {**WHOLE, **before, **now, **old})
    found = findings(review(coach, home))[code]
    assert found["severity"] == "stop" and review(coach, home)["recommendation"]["action"] == "refer"
    assert code in refused(coach, home)
    screen(coach, home, {**WHOLE, **before, **now, **clearances(1, "deficit", "load")})
    assert code in findings(review(coach, home)), "a clearance of the day before knew nothing of it"
    screen(coach, home, {**WHOLE, **before, **now, **clearances(0, "deficit", "load")})
    assert code not in findings(review(coach, home)) and code not in refused(coach, home)


def test_who_is_taken_over_with_a_clearance_on_file_keeps_it(api: Api) -> None:
    home, said = trainee(api), {"kidney_disease": True, "injury": ["knee"], **clearances(OLD, "deficit", "load")}
    train(api, home, 4)
    for _ in range(2):  # the same again is no new answer
        screen(api, home, {**WHOLE, **said})
        assert not {name for name in findings(review(api, home)) if name.startswith("safety.")}
        assert lifts(api, home)["back-squat"]["rule"] == "add_load" and "safety.kidney_disease" not in refused(
            api, home
        )


def test_a_new_injury_and_new_signs_are_not_trained_through_on_an_old_clearance(api: Api) -> None:
    coach = api.for_tests()
    coach.move_clock(OLD)
    home, old = trainee(coach), clearances(OLD, "load")
    screen(coach, home, {**WHOLE, "injury": ["knee"], **old})
    coach.move_clock(0)
    train(coach, home, 4)
    assert lifts(coach, home)["back-squat"]["rule"] == "add_load", "the knee was cleared"
    injured = {"injury": ["knee", "low_back"], **old}
    screen(coach, home, {**WHOLE, **injured})
    stopped = {name for name, lift in lifts(coach, home).items() if lift["rule"] == "stop"}
    assert stopped == {"romanian-deadlift", "barbell-row", "back-squat"}
    found = findings(review(coach, home))["safety.restricted"]
    assert "low back" in found["statement"] and "knee" not in found["statement"]
    screen(coach, home, {**WHOLE, **injured, "signs_or_symptoms": True})
    assert {lift["rule"] for lift in lifts(coach, home).values()} == {"stop"}
    assert findings(review(coach, home))["safety.readiness"]["severity"] == "stop"
    screen(coach, home, {**WHOLE, **injured, "signs_or_symptoms": True, **clearances(0, "load")})
    assert {lift["rule"] for lift in lifts(coach, home).values()} == {"add_load"}


def test_missing_menses_take_a_clearance_of_the_time(api: Api) -> None:
    """Referred from three months on: 3.5 months were three 15 days ago."""
    for given, referred in ((OLD, True), (17, True), (14, False), (0, False)):
        home = f"/athletes/{api.athlete()['id']}"
        screen(api, home, {**WHOLE, "kidney_disease": True, **clearances(given, "deficit")})
        note(api, home, months_without_menstruation=3.5)
        assert ("safety.menses_missing" in findings(review(api, home))) is referred, given
    note(api, home, days=21, months_without_menstruation=3)
    screen(api, home, {**WHOLE, **clearances(18, "deficit")})
    assert "safety.menses_missing" not in findings(review(api, home)), "noted and cleared before; months are rounded"


def test_no_clearance_is_imported_that_the_key_may_not_give(api: Api) -> None:
    person = api.athlete()
    home, cleared = f"/athletes/{person['id']}", {**WHOLE, "kidney_disease": True, **clearances(3, "deficit")}
    line = json.dumps({"type": "screening", "athlete": person["external_id"], **cleared})
    desk = api.key_of("athletes:write", "coaching:read", "entries:write", "entries:read")
    assert faults(desk("PUT", f"{home}/screening", cleared), 403) == {"/clearances": "forbidden"}
    told = desk.load(line)["faults"]
    assert [(fault["line"], fault["pointer"], fault["code"]) for fault in told] == [(1, "/clearances", "forbidden")]
    assert api("GET", f"{home}/screening").json()["revision"] == 0
    assert api.load(line)["faults"] == []
    assert desk.load(line)["faults"] == [], "what stays as it was needs no scope"
    bare = json.dumps({"type": "screening", "athlete": person["external_id"], **WHOLE, "kidney_disease": True})
    assert [fault["code"] for fault in desk.load(bare)["faults"]] == ["forbidden"], "nor may it take them away"
    assert api("GET", f"{home}/screening").json()["clearances"] == cleared["clearances"]


def test_a_clearance_is_not_dated_ahead(api: Api) -> None:
    person = api.athlete()
    home = f"/athletes/{person['id']}"
    ahead = {"for": "load", "on": str(today() + timedelta(days=2)), "by": "Dr Amaral"}
    said = {**WHOLE, "clearances": [*clearances(0, "deficit")["clearances"], ahead]}
    assert faults(api("PUT", f"{home}/screening", said)) == {"/clearances/1/on": "in_the_future"}
    told = api.load(json.dumps({"type": "screening", "athlete": person["external_id"], **said}))["faults"]
    assert [(fault["pointer"], fault["code"]) for fault in told] == [("/clearances/1/on", "in_the_future")]
    assert api("GET", f"{home}/screening").json()["revision"] == 0
