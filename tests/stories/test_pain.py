"""What hurts is not loaded: one grave report is enough, and every answer that names an exercise knows of it.

The levels, and what is done at them, are common practice, no source.
"""

import json
from typing import Any

import pytest

from service.catalogue.exercises import exercises
from tests.api.conftest import Api, days_ago, faults, today
from tests.api.in_a_cut import CLEAN

CATALOGUE = exercises()
PLAN = {
    "from_date": days_ago(60),
    "name": "Whole body",
    "days": [
        {
            "name": "A",
            "exercises": [
                {"exercise": name, "sets": 3, "reps": {"from": 6, "to": 8}, "rir": 2}
                for name in ("romanian-deadlift", "barbell-row", "bench-press", "back-squat")
            ],
        }
    ],
}


def trainee(api: Api, **fields: Any) -> str:
    """An invented athlete with a plan."""
    home = f"/athletes/{api.athlete(**fields)['id']}"
    assert api("POST", f"{home}/training-plans", PLAN).status_code == 201
    return home


def train(api: Api, home: str, days: int, kg: float = 60.0, reps: int = 8, pain: dict[str, int] | None = None) -> Any:
    """A session of the plan some days ago, every set at the top of the range; its answer."""
    lifts = [item["exercise"] for item in PLAN["days"][0]["exercises"]]  # type: ignore[index]
    sets = [
        {
            "exercise": lift,
            "load_kg": kg,
            "reps": reps,
            "rir": 2,
            **({"pain": pain[lift]} if lift in (pain or {}) else {}),
        }
        for lift in lifts
        for _ in range(3)
    ]
    made = api("POST", f"{home}/training-sessions", {"date": days_ago(days), "plan_day": "A", "sets": sets})
    assert made.status_code == 201, made.text
    return made.json()


def note(api: Api, home: str, days: int = 0, **says: Any) -> Any:
    made = api("POST", f"{home}/wellbeing", {"date": days_ago(days), **says})
    assert made.status_code == 201, made.text
    return made.json()


def lifts(api: Api, home: str) -> dict[str, dict[str, Any]]:
    """The next session by exercise."""
    return {item["exercise"]: item for item in api("GET", f"{home}/prescriptions").json()["items"]}


def instead_of(api: Api, home: str, exercise: str) -> list[str]:
    items = api("GET", f"{home}/substitutes?exercise={exercise}&limit=20").json()["items"]
    return [item["exercise"] for item in items]


def review(api: Api, home: str) -> dict[str, Any]:
    made = api("POST", f"{home}/reviews", {"as_of": str(today())})
    assert made.status_code in (200, 201), made.text
    return made.json()


def findings(made: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {finding["code"]: finding for finding in made["findings"]}


def test_one_grave_report_stops_the_lift_at_once(api: Api) -> None:
    home = trainee(api)
    assert train(api, home, 4)["caution"] is None
    assert lifts(api, home)["back-squat"]["rule"] == "add_load"
    answer = train(api, home, 0, pain={"back-squat": 10})
    assert answer["caution"].startswith("Pain of 10/10: stop what hurts today")
    squat = lifts(api, home)["back-squat"]
    assert (squat["rule"], squat["sets"], squat["load_kg"]) == ("stop", 0, None) and squat["substitutes"]
    assert lifts(api, home)["bench-press"]["rule"] == "add_load", "the others go on"
    found = findings(review(api, home))
    assert (
        found["safety.pain_stopped"]["severity"] == "stop"
        and "Back squat 10/10" in found["safety.pain_stopped"]["statement"]
    )
    prescribed = {item["exercise"]: item for item in review(api, home)["recommendation"]["prescriptions"]}
    assert prescribed["back-squat"]["rule"] == "stop"


@pytest.mark.parametrize(("level", "rule"), [(3, "add_load"), (4, "hold"), (6, "hold"), (7, "stop")])
def test_moderate_pain_holds_the_load_and_offers_another_lift(api: Api, level: int, rule: str) -> None:
    home = trainee(api)
    train(api, home, 4)
    note(api, home, pain=[{"exercise": "bench-press", "level": level}])
    press = lifts(api, home)["bench-press"]
    assert press["rule"] == rule and (press["load_kg"] or 0) <= (60.0 if level >= 4 else 62.5)
    assert bool(press["substitutes"]) is (level >= 4)
    assert all(CATALOGUE[name].pattern != "horizontal_push" for name in press["substitutes"])


def test_a_hold_that_hurts_grows_no_longer(api: Api) -> None:
    home = f"/athletes/{api.athlete()['id']}"
    plank = {"exercise": "plank", "sets": 3, "seconds": {"from": 20, "to": 40}}
    plan = {"from_date": days_ago(60), "name": "P", "days": [{"name": "A", "exercises": [plank]}]}
    assert api("POST", f"{home}/training-plans", plan).status_code == 201
    sets = [{"exercise": "plank", "seconds": 40}] * 3
    session = {"date": days_ago(3), "plan_day": "A", "sets": sets}
    assert api("POST", f"{home}/training-sessions", session).status_code == 201
    assert lifts(api, home)["plank"]["seconds"]["to"] > 40
    note(api, home, pain=[{"region": "shoulder", "level": 5}])
    held = lifts(api, home)["plank"]
    assert (held["rule"], held["seconds"]) == ("hold", {"from": 20, "to": 40}) and "Pain or injury" in held["why"]


def test_a_sore_back_gets_no_other_hinge(api: Api) -> None:
    home = trainee(api)
    train(api, home, 4)
    note(api, home, pain=[{"region": "low_back", "level": 8}])
    session = lifts(api, home)
    assert {name for name, lift in session.items() if lift["rule"] == "stop"} == {
        "romanian-deadlift",
        "barbell-row",
        "back-squat",
    }
    offered = {name for lift in session.values() for name in lift["substitutes"]}
    offered |= {name for lift in session for name in instead_of(api, home, lift)}
    assert offered and all("low_back" not in CATALOGUE[name].regions for name in offered)
    assert not {"pendlay-row", "t-bar-row", "back-extension", "good-morning"} & offered


def test_a_row_that_hurts_is_not_replaced_by_a_pendlay_row(api: Api) -> None:
    home = trainee(api)
    train(api, home, 4)
    note(api, home, pain=[{"exercise": "barbell-row", "level": 8}])
    offered = instead_of(api, home, "barbell-row")
    assert all(CATALOGUE[name].pattern != "horizontal_pull" for name in offered), "nobody said where it hurts"
    note(api, home, pain=[{"exercise": "barbell-row", "region": "low_back", "level": 8}])
    offered = instead_of(api, home, "barbell-row")
    assert any(CATALOGUE[name].pattern == "horizontal_pull" for name in offered), "another row may spare the back"
    assert not {"pendlay-row", "t-bar-row", "seated-cable-row"} & {*offered}


def test_a_starter_plan_leaves_out_what_hurts(api: Api) -> None:
    body = {"days_per_week": 3, "from_date": str(today())}
    for place in ({"region": "knee"}, {"exercise": "back-squat"}, {"region": "low_back"}):
        home = f"/athletes/{api.athlete(experience='intermediate')['id']}"
        whole = api("POST", f"{home}/training-plans/starter?dry_run=true", body).json()
        note(api, home, pain=[{**place, "level": 5}])
        made = api("POST", f"{home}/training-plans/starter", body)
        assert made.status_code == 201, made.text
        before, after = ({e["exercise"] for d in plan["days"] for e in d["exercises"]} for plan in (whole, made.json()))
        sore = {place.get("region")} - {None}
        assert before != after and place.get("exercise") not in after
        assert not any(sore & set(CATALOGUE[name].regions) for name in after)


def test_a_plan_by_hand_may_not_ask_for_what_is_stopped_and_what_is_held_is_acknowledged(api: Api) -> None:
    home = f"/athletes/{api.athlete()['id']}"
    note(api, home, pain=[{"region": "knee", "level": 7}])
    assert faults(api("POST", f"{home}/training-plans", PLAN)) == {"/days": "safety.pain_stopped"}
    home = f"/athletes/{api.athlete()['id']}"
    note(api, home, pain=[{"region": "knee", "level": 4}])
    assert faults(api("POST", f"{home}/training-plans", PLAN)) == {"/acknowledge": "safety.pain_held"}
    assert api("POST", f"{home}/training-plans", {**PLAN, "acknowledge": ["safety.pain_held"]}).status_code == 201


def test_a_single_stop_ends_after_a_quiet_week_and_the_lift_comes_back_lighter(api: Api) -> None:
    home = trainee(api)
    train(api, home, 11, kg=100.0)
    note(api, home, 10, pain=[{"exercise": "back-squat", "level": 8}])

    def others(days: int) -> None:
        sets = [{"exercise": "bench-press", "load_kg": 60, "reps": 8}]
        assert api("POST", f"{home}/training-sessions", {"date": days_ago(days), "sets": sets}).status_code == 201

    others(7)
    assert lifts(api, home)["back-squat"]["rule"] == "stop", "one session is not enough"
    others(3)
    back = lifts(api, home)["back-squat"]
    assert (back["rule"], back["load_kg"]) == ("return", 90.0) and "Stopped for pain" in back["why"]
    note(api, home, 1, pain=[{"exercise": "back-squat", "level": 8}])
    assert lifts(api, home)["back-squat"]["rule"] == "stop"
    clearance = {"for": "load", "on": str(today()), "by": "Dr Amaral"}
    assert api("PUT", f"{home}/screening", {**CLEAN, "clearances": [clearance]}).status_code == 200
    assert lifts(api, home)["back-squat"]["rule"] == "return"


def test_pain_that_comes_again_is_referred_and_waits_for_a_clearance(api: Api) -> None:
    home = trainee(api)
    train(api, home, 4)
    for days in (20, 2):
        note(api, home, days, pain=[{"region": "shoulder", "level": 5}])
    made = review(api, home)
    assert made["recommendation"]["action"] == "refer" and made["recommendation"]["because"] == ["safety.pain"]
    assert "shoulder 5/10" in findings(made)["safety.pain"]["statement"]
    assert lifts(api, home)["bench-press"]["rule"] == "stop"


def test_pain_of_warm_ups_alone_is_not_forgotten(api: Api) -> None:
    """Half a year ago the squat hurt so much on two days that no work set was done: it waits for a clearance still."""
    home = trainee(api)
    warm_up = {"exercise": "back-squat", "load_kg": 40, "reps": 5, "kind": "warm_up", "pain": 6}
    for days in (180, 170):
        body = {"date": days_ago(days), "sets": [warm_up]}
        assert api("POST", f"{home}/training-sessions", body).status_code == 201
    api("POST", f"{home}/weigh-ins", {"date": days_ago(0), "mass_kg": 64})
    assert "safety.pain" in [finding["code"] for finding in review(api, home)["findings"]]
    assert lifts(api, home)["back-squat"]["rule"] == "stop"
    cleared = {"for": "load", "on": days_ago(1), "by": "Dr Sousa"}
    assert api("PUT", f"{home}/screening", {**CLEAN, "clearances": [cleared]}).status_code in (200, 201)
    assert "safety.pain" not in [finding["code"] for finding in review(api, home)["findings"]]


@pytest.mark.parametrize(
    ("symptom", "says"),
    [
        ("chest_pain", "emergency number"),
        ("fainting", "emergency number"),
        ("bladder_control_lost", "emergency number"),
        ("numbness", "see a physician today"),
        ("weakness", "see a physician today"),
        ("radiating_pain", "see a physician today"),
    ],
)
def test_the_answer_to_a_grave_sign_says_at_once_what_to_do(api: Api, symptom: str, says: str) -> None:
    home = trainee(api)
    answer = note(api, home, symptoms=[symptom])
    assert answer["caution"].startswith("Stop training now") and says in answer["caution"]
    assert "not a diagnosis" in answer["caution"]
    (kept,) = api.all(f"{home}/wellbeing")
    assert kept["caution"] is None, "it is said once, to who has just noted it"
    for lift in lifts(api, home).values():
        assert (lift["rule"], lift["sets"], lift["substitutes"]) == ("stop", 0, [])
    assert review(api, home)["recommendation"]["action"] == "refer"


def test_a_sign_noted_with_a_session_counts_like_one_of_a_note(api: Api) -> None:
    home = trainee(api)
    sets = [{"exercise": "back-squat", "load_kg": 60, "reps": 8}]
    said = {"date": str(today()), "sets": sets, "symptoms": ["fainting"]}
    made = api("POST", f"{home}/training-sessions", [said])
    assert "emergency number" in made.json()["items"][0]["caution"]
    assert {lift["rule"] for lift in lifts(api, home).values()} == {"stop"}
    assert "safety.symptoms" in findings(review(api, home))


def test_nothing_to_lift_instead_is_explained(api: Api) -> None:
    home = trainee(api)
    train(api, home, 5)

    def asked(more: str = "") -> dict[str, Any]:
        return api("GET", f"{home}/substitutes?exercise=back-squat{more}").json()  # type: ignore[no-any-return]

    assert asked()["items"] and asked()["why_none"] is None
    bare = api("GET", f"{home}/substitutes?exercise=pull-up&equipment=ab_wheel").json()
    assert bare["items"] == [] and bare["why_none"].startswith("Nothing here trains the same movement")
    note(api, home, symptoms=["chest_pain"])
    stopped = asked()
    assert stopped["items"] == [] and stopped["why_none"].startswith("No training until a licensed professional")


def test_pain_concerns_loads_and_not_the_deficit(api: Api) -> None:
    home = f"/athletes/{api.athlete()['id']}"
    assert api("PUT", f"{home}/screening", CLEAN).status_code == 200
    note(api, home, symptoms=["numbness"], pain=[{"region": "knee", "level": 9}])
    refused = api("POST", f"{home}/phases", {"kind": "cut", "starts_on": str(today()), "energy_kcal": 1800})
    assert not [code for code in faults(refused).values() if code.startswith("safety.")]


def test_pain_says_where(api: Api) -> None:
    home = f"/athletes/{api.athlete()['id']}"
    nowhere = {"date": str(today()), "pain": [{"level": 5}]}
    assert faults(api("POST", f"{home}/wellbeing", nowhere)) == {"/pain/0": "no_place"}
    unknown = {"date": str(today()), "pain": [{"region": "tail", "level": 5}]}
    assert api("POST", f"{home}/wellbeing", unknown).status_code == 422


class TestRestrictions:
    def test_a_region_is_spared_until_it_is_cleared(self, api: Api) -> None:
        home = trainee(api)
        train(api, home, 5)
        assert lifts(api, home)["back-squat"]["rule"] == "add_load"
        made_before = review(api, home)
        said = {"region": "knee", "side": "left", "since": days_ago(3), "level": 7, "note": "twisted it"}
        made = api("POST", f"{home}/restrictions", said)
        assert made.status_code == 201 and made.headers["etag"] == '"r1"'
        assert api("GET", f"/reviews/{made_before['id']}").json()["stale"] is True
        squat = lifts(api, home)["back-squat"]
        assert squat["rule"] == "stop" and all("knee" not in CATALOGUE[name].regions for name in squat["substitutes"])
        assert lifts(api, home)["bench-press"]["rule"] == "add_load"
        assert "knee" in findings(review(api, home))["safety.restricted"]["statement"]

        path = f"{home}/restrictions/{made.json()['id']}"
        assert api("PATCH", path, {"level": 5}).status_code == 428
        assert api("PATCH", path, {"level": 5}, headers={"if-match": '"r9"'}).status_code == 412
        held = api("PATCH", path, {"level": 5}, headers={"if-match": '"r1"'})
        assert held.status_code == 200 and held.headers["etag"] == '"r2"'
        squat = lifts(api, home)["back-squat"]
        assert (squat["rule"], squat["load_kg"]) == ("hold", 60.0) and squat["substitutes"]

        cleared = {"level": 7, "cleared": {"on": str(today()), "by": "Dr Amaral"}}
        assert api("PATCH", path, cleared, headers={"if-match": '"r2"'}).status_code == 200
        squat = lifts(api, home)["back-squat"]
        assert squat["rule"] == "return" and 51.0 <= squat["load_kg"] <= 54.0
        (kept,) = api.all(f"{home}/restrictions")
        assert kept["cleared"] == {"on": str(today()), "by": "Dr Amaral"}
        assert api("GET", path).json() == kept

    def test_what_cannot_be(self, api: Api) -> None:
        home = f"/athletes/{api.athlete()['id']}"
        said = {"region": "elbow", "since": days_ago(3), "level": 4}
        assert faults(api("POST", f"{home}/restrictions", {**said, "since": days_ago(-1)})) == {
            "/since": "in_the_future"
        }
        early = {**said, "cleared": {"on": days_ago(9), "by": "Dr Amaral"}}
        assert faults(api("POST", f"{home}/restrictions", early)) == {"": "cleared_before_since"}
        assert api("POST", f"{home}/restrictions", said).status_code == 201
        assert api("POST", f"{home}/restrictions", said).status_code == 200, "the same again"
        assert api("POST", f"{home}/restrictions", {**said, "level": 5}).status_code == 409
        (kept,) = api.all(f"{home}/restrictions")
        path = f"{home}/restrictions/{kept['id']}"
        assert api("DELETE", path).status_code == 428
        assert api("DELETE", path, headers={"if-match": '"r1"'}).status_code == 204
        assert api.all(f"{home}/restrictions") == []
        reader = api.key_of("coaching:read", "athletes:write", "entries:write")
        assert reader("POST", f"{home}/restrictions", said).status_code == 403

    def test_they_are_imported_once(self, api: Api) -> None:
        athlete = api.athlete()
        line = {
            "type": "restriction",
            "athlete": athlete["external_id"],
            "region": "hip",
            "since": days_ago(40),
            "level": 8,
        }
        cleared = {**line, "cleared": {"on": days_ago(3), "by": "Dr Amaral"}}
        future = {**line, "since": days_ago(-3)}
        for lines in ([line], [line], [line, cleared, future]):
            done = api.load("\n".join(map(json.dumps, lines)))
            assert [fault["pointer"] for fault in done["faults"]] == (["/since"] if future in lines else [])
        (kept,) = api.all(f"/athletes/{athlete['id']}/restrictions")
        assert (kept["revision"], kept["cleared"]["by"]) == (2, "Dr Amaral")
