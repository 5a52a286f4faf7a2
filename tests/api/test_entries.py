"""Entries of every kind over HTTP: stored, listed, changed, deleted, refused; doubts; units; references."""

from datetime import datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from service.domain.records import FoodState
from service.store.tables import AthleteDay, EntryRevision, SessionLift
from tests.api.conftest import Api, Call, days_ago, faults

YESTERDAY = days_ago(1)
KINDS: dict[str, tuple[dict[str, Any], dict[str, Any], dict[str, Any]]] = {
    # path: a good body, a change, what the change shows
    "weigh-ins": ({"mass_kg": 64.2}, {"mass_kg": 64.6}, {"mass_kg": 64.6}),
    "meals": ({"slot": 1, "energy_kcal": 780, "protein_g": 52}, {"protein_g": 55}, {"protein_g": 55, "slot": 1}),
    "training-sessions": (
        {"sets": [{"exercise": "romanian-deadlift", "load_kg": 90, "reps": 8, "rir": 1}]},
        {"sets": [{"exercise": "pull-up", "added_kg": 7.5, "reps": 6}]},
        {},
    ),
    "measurements": ({"method": "scan", "body_fat_pct": 24.0}, {"body_fat_pct": 23.5}, {"body_fat_pct": 23.5}),
    "wellbeing": ({"sleep_h": 7.5, "hunger": 3}, {"fatigue": 4}, {"fatigue": 4, "sleep_h": 7.5}),
}
kinds = pytest.mark.parametrize("path", KINDS)


@kinds
def test_an_entry_is_stored_listed_changed_and_deleted(api: Api, home: str, path: str) -> None:
    body, change, shown = KINDS[path]
    made = api("POST", f"{home}/{path}", {"date": YESTERDAY, "note": "as told", **body})
    assert made.status_code == 201, made.text
    entry = made.json()
    assert made.headers["etag"] == '"r1"' and entry["revision"] == 1
    assert entry["date"] == YESTERDAY and entry["suspect"] is None and entry["note"] == "as told"
    assert api.all(f"{home}/{path}") == [entry]
    changed = api("PATCH", f"{home}/{path}/{entry['id']}", change, headers={"if-match": '"r1"'})
    assert changed.status_code == 200, changed.text
    assert changed.headers["etag"] == '"r2"'
    assert changed.json().items() >= {**shown, "revision": 2, "note": "as told", "date": YESTERDAY}.items()
    assert api.all(f"{home}/{path}") == [changed.json()]
    assert api("DELETE", f"{home}/{path}/{entry['id']}").status_code == 204
    assert api.all(f"{home}/{path}") == []
    assert api("DELETE", f"{home}/{path}/{entry['id']}").status_code == 404
    history = sorted(api.rows(EntryRevision, entry_id=entry["id"]), key=lambda row: row["revision"])
    assert [(row["revision"], row["replaced_by"]) for row in history] == [(1, "change"), (2, "delete")]
    assert history[0]["content"]["created_at"] == entry["created_at"]
    for name in body.keys() & entry.keys():
        assert history[0]["content"][name] == entry[name]


@kinds
def test_an_older_version_changes_and_deletes_nothing(api: Api, home: str, path: str) -> None:
    body, change, _ = KINDS[path]
    entry = api("POST", f"{home}/{path}", {"date": YESTERDAY, **body}).json()
    for method, said in (("PATCH", change), ("DELETE", None)):
        answer = api(method, f"{home}/{path}/{entry['id']}", said, headers={"if-match": '"r0"'})
        assert answer.status_code == 412
    assert api.all(f"{home}/{path}") == [entry]


@kinds
def test_a_dry_run_of_an_entry_answers_and_keeps_nothing(api: Api, home: str, path: str) -> None:
    body, change, _ = KINDS[path]
    for yes in ("true", "True", "1", "yes", "y", "t", "on"):
        answer = api("POST", f"{home}/{path}?dry_run={yes}", {"date": YESTERDAY, **body})
        assert answer.status_code == 201, answer.text
        assert api.all(f"{home}/{path}") == [], yes
    entry = api("POST", f"{home}/{path}", {"date": YESTERDAY, **body}).json()
    api("PATCH", f"{home}/{path}/{entry['id']}?dry_run=true", change)
    api("DELETE", f"{home}/{path}/{entry['id']}?dry_run=true")
    assert api.all(f"{home}/{path}") == [entry]
    assert faults(api("POST", f"{home}/{path}?dry_run=perhaps", {"date": YESTERDAY, **body})) == {
        "dry_run": "bool_parsing"
    }


@kinds
def test_the_same_reference_again_is_the_same_entry(api: Api, home: str, path: str) -> None:
    body, change, _ = KINDS[path]
    said = {"date": YESTERDAY, "ref": "r-1", **body}
    first = api("POST", f"{home}/{path}", said)
    again = api("POST", f"{home}/{path}", said)
    assert (first.status_code, again.status_code) == (201, 200)
    assert again.json() == first.json()
    revised = api("POST", f"{home}/{path}", {**said, **change})
    assert revised.status_code == 200 and revised.json()["id"] == first.json()["id"]
    assert revised.json()["revision"] == 2
    several = api("POST", f"{home}/{path}", [{**said, **change}, {**said, "ref": "r-2"}])
    assert several.status_code == 201
    assert [item["revision"] for item in several.json()["items"]] == [2, 1]
    assert len(api.all(f"{home}/{path}")) == 2
    assert len(api.rows(EntryRevision, entry_id=first.json()["id"])) == 1
    repeated = api("POST", f"{home}/{path}", [{**said, "ref": "r-3"}, {**said, "ref": "r-3"}])
    assert faults(repeated) == {"/1/ref": "repeated"}


@kinds
def test_a_reference_that_another_entry_has_is_refused(api: Api, home: str, path: str) -> None:
    body, _, _ = KINDS[path]
    api("POST", f"{home}/{path}", {"date": YESTERDAY, "ref": "taken", **body})
    other = api("POST", f"{home}/{path}", {"date": YESTERDAY, **body}).json()
    assert api("PATCH", f"{home}/{path}/{other['id']}", {"ref": "taken"}).status_code == 409
    assert api("PATCH", f"{home}/{path}/{other['id']}", {"ref": "free"}).json()["ref"] == "free"


@kinds
def test_concurrent_twins_with_one_reference_are_one_entry(api: Api, home: str, path: str) -> None:
    body, _, _ = KINDS[path]
    calls = [Call("POST", f"{home}/{path}", {"date": YESTERDAY, "ref": "twin", **body}) for _ in range(6)]
    answers = api.together(calls)
    assert sorted(answer.status_code for answer in answers) == [200, 200, 200, 200, 200, 201]
    assert len({answer.json()["id"] for answer in answers}) == 1
    assert len(api.all(f"{home}/{path}")) == 1


@kinds
def test_an_array_is_kept_whole_or_not_at_all(api: Api, home: str, path: str) -> None:
    body, _, _ = KINDS[path]
    bad = api("POST", f"{home}/{path}", [{"date": YESTERDAY, **body}, {"date": "yesterday", "colour": 1, **body}])
    assert faults(bad).keys() == {"/1/date", "/1/colour"}
    future = [{"date": YESTERDAY, **body}, {"date": days_ago(-30), **body}, {"date": days_ago(-31), **body}]
    assert faults(api("POST", f"{home}/{path}", future)) == {"/1/date": "in_the_future", "/2/date": "in_the_future"}
    assert api.all(f"{home}/{path}") == []
    good = api("POST", f"{home}/{path}", [{"date": days_ago(day), **body} for day in range(1, 4)])
    assert good.status_code == 201 and len(good.json()["items"]) == 3
    assert [item["date"] for item in good.json()["items"]] == [days_ago(day) for day in range(1, 4)]


@kinds
def test_tomorrow_where_the_athlete_lives_has_not_been_yet(api: Api, path: str) -> None:
    """UTC+14 is the first zone to have a date, UTC−11 (Etc/GMT+11) one of the last."""
    body, _, _ = KINDS[path]
    for zone in ("Pacific/Kiritimati", "Etc/GMT+11"):
        athlete = api.athlete(time_zone=zone)
        here = f"/athletes/{athlete['id']}/{path}"
        local = datetime.now(ZoneInfo(zone)).date()
        late = api("POST", here, {"date": str(local + timedelta(days=1)), **body})
        assert faults(late) == {"/date": "in_the_future"}
        assert zone in late.json()["errors"][0]["detail"]
        assert api("POST", here, {"date": str(local), **body}).status_code == 201


def test_an_array_has_1_to_1000_elements(api: Api, home: str) -> None:
    said = {"date": YESTERDAY, "mass_kg": 64.2}
    assert faults(api("POST", f"{home}/weigh-ins", [said] * 1001)) == {"": "too_long"}
    assert faults(api("POST", f"{home}/weigh-ins", [])) == {"": "too_short"}
    whole = [{"date": days_ago(day), "mass_kg": 64.2} for day in range(1, 1001)]
    assert len(api("POST", f"{home}/weigh-ins", whole).json()["items"]) == 1000
    assert len(api.all(f"{home}/weigh-ins?limit=1000")) == 1000


@pytest.mark.parametrize(
    ("path", "body", "pointers"),
    [
        ("weigh-ins", {"date": "2026-02-30", "mass_kg": -3, "colour": "blue"}, {"/date", "/mass_kg", "/colour"}),
        ("weigh-ins", {"date": 20000, "mass_kg": "80"}, {"/date", "/mass_kg"}),
        ("weigh-ins", {"mass_kg": 80}, {""}),
        ("weigh-ins", {"date": YESTERDAY}, {""}),
        ("weigh-ins", {"date": YESTERDAY, "mass_kg": 80, "mass_lb": 176}, {""}),
        ("weigh-ins", {"at": f"{YESTERDAY}T07:00:00", "mass_kg": 80}, {"/at"}),
        ("weigh-ins", {"at": 1700000000, "mass_kg": True}, {"/at", "/mass_kg"}),
        ("weigh-ins", {"date": YESTERDAY, "mass_kg": 80, "ref": "x" * 65, "note": "n" * 2001}, {"/ref", "/note"}),
        ("weigh-ins", {"date": YESTERDAY, "mass_kg": 80, "ref": ""}, {"/ref"}),
        ("weigh-ins", {"at": "0001-01-01T00:00:00+14:00", "mass_kg": 80}, {"/at"}),
        ("weigh-ins", {"at": "9999-12-31T23:59:59-12:00", "mass_kg": 80}, {"/at"}),
        ("weigh-ins", {"date": "1926-11-01", "mass_kg": 64}, {"/date"}),
        (
            "meals",
            {"date": YESTERDAY, "energy_kcal": -1, "slot": 0, "protein_g": 6000},
            {"/energy_kcal", "/slot", "/protein_g"},
        ),
        ("meals", {"date": YESTERDAY, "energy_kcal": 700, "energy_kj": 2900}, {""}),
        ("meals", {"date": YESTERDAY, "energy_kcal": 700, "slot": 1.5}, {"/slot"}),
        ("training-sessions", {"date": YESTERDAY, "sets": []}, {"/sets"}),
        (
            "training-sessions",
            {
                "date": YESTERDAY,
                "sets": [
                    {"exercise": "no-such-lift", "reps": 5, "load_kg": 20},
                    {"exercise": "barbell-row", "reps": -5, "rir": 11, "load_kg": 60, "kind": "drop", "aids": ["glue"]},
                    {"exercise": "barbell-row", "reps": 5},
                    {"exercise": "pull-up", "reps": 5, "load_kg": 20},
                    {"exercise": "pull-up", "reps": 5, "added_kg": 5, "assistance_lb": 11},
                ],
            },
            {
                "/sets/0/exercise",
                "/sets/1/reps",
                "/sets/1/rir",
                "/sets/1/kind",
                "/sets/1/aids/0",
                "/sets/2",
                "/sets/3",
                "/sets/4",
            },
        ),
        ("measurements", {"date": YESTERDAY, "method": "guess"}, {"/method"}),
        ("measurements", {"date": YESTERDAY, "method": "scan"}, {""}),
        ("measurements", {"date": YESTERDAY, "method": "tape", "tape": {"neck_cm": 36, "neck_in": 14}}, {"/tape"}),
        (
            "measurements",
            {"date": YESTERDAY, "method": "skinfold_3", "skinfolds": {"calf_mm": 9}},
            {"/skinfolds/calf_mm"},
        ),
        (
            "wellbeing",
            {
                "date": YESTERDAY,
                "sleep_h": 25,
                "hunger": 6,
                "symptoms": ["itch"],
                "pain": [{"exercise": "pull-up", "level": 11}],
            },
            {"/sleep_h", "/hunger", "/symptoms/0", "/pain/0/level"},
        ),
    ],
)
def test_every_fault_of_an_entry_is_named_at_once(
    api: Api, home: str, path: str, body: dict[str, Any], pointers: set[str]
) -> None:
    assert faults(api("POST", f"{home}/{path}", body)).keys() == pointers
    assert faults(api("POST", f"{home}/{path}", [body])).keys() == {f"/0{pointer}" for pointer in pointers}
    assert api.all(f"{home}/{path}") == []


def test_the_date_is_the_athletes_own(api: Api) -> None:
    """2026-03-01T23:30Z is 2 March in Auckland and 1 March in Los Angeles."""
    for zone, day in (("Pacific/Auckland", "2026-03-02"), ("America/Los_Angeles", "2026-03-01")):
        path = f"/athletes/{api.athlete(time_zone=zone)['id']}/weigh-ins"
        made = api("POST", path, {"at": "2026-03-02T00:30:00+01:00", "mass_kg": 70}).json()
        assert made["date"] == day and made["at"] == "2026-03-01T23:30:00Z"
        wrong = {"at": "2026-03-02T00:30:00+01:00", "date": "2026-02-20", "mass_kg": 70}
        assert faults(api("POST", path, wrong)) == {"/date": "disagrees"}
        moved = api("PATCH", f"{path}/{made['id']}", {"at": "2026-03-05T12:00:00Z"}).json()
        assert moved["date"][:8] == "2026-03-" and moved["at"] == "2026-03-05T12:00:00Z"
        timeless = api("PATCH", f"{path}/{made['id']}", {"at": None}).json()
        assert timeless["at"] is None and timeless["date"] == moved["date"]


def test_pounds_kilojoules_and_inches(api: Api, home: str) -> None:
    """Factors: 1 lb = 0.45359237 kg and 1 in = 2.54 cm (international yard and pound agreement, 1959); the
    thermochemical calorie is 4.184 J (NIST SP 811, appendix B.8)."""
    mass = api("POST", f"{home}/weigh-ins", {"date": YESTERDAY, "mass_lb": 180}).json()
    assert mass["mass_kg"] == pytest.approx(81.6466266, abs=1e-6)
    meal = api("POST", f"{home}/meals", {"date": YESTERDAY, "energy_kj": 4184}).json()
    assert meal["energy_kcal"] == pytest.approx(1000, abs=1e-6)
    tape = {"neck_in": 13, "waist_in": 28, "hip_in": 38}
    measured = api("POST", f"{home}/measurements", {"date": YESTERDAY, "method": "tape", "tape": tape}).json()
    assert measured["sites"]["tape"] == pytest.approx({"neck_cm": 33.02, "waist_cm": 71.12, "hip_cm": 96.52})
    sets = [
        {"exercise": "barbell-row", "load_lb": 135, "reps": 8},
        {"exercise": "pull-up", "added_lb": 10, "reps": 5},
        {"exercise": "pull-up", "assistance_lb": 20, "reps": 9},
    ]
    kept = api("POST", f"{home}/training-sessions", {"date": YESTERDAY, "sets": sets}).json()["sets"]
    loads = [item["load_kg"] or item["added_kg"] or item["assistance_kg"] for item in kept]
    assert loads == pytest.approx([61.23497, 4.5359237, 9.0718474], abs=1e-6)
    to_pounds = api("PATCH", f"{home}/weigh-ins/{mass['id']}", {"mass_lb": 181}).json()
    assert to_pounds["mass_kg"] == pytest.approx(82.10022, abs=1e-5)


def test_pounds_sent_as_kilograms_are_doubted_until_confirmed(api: Api) -> None:
    athlete = api.athlete(sex="male", height_cm=182)
    path = f"/athletes/{athlete['id']}/weigh-ins"
    api("POST", path, [{"date": days_ago(day), "mass_kg": 82.0} for day in range(2, 9)])
    doubted = api("POST", path, {"date": YESTERDAY, "mass_kg": 180}).json()
    assert doubted["suspect"]["reason"] == "pounds_for_kilograms"
    assert doubted["suspect"]["best_guess_kg"] == pytest.approx(81.65, abs=0.01)
    assert [item["id"] for item in api.all(f"{path}?suspect=true")] == [doubted["id"]]
    assert len(api.all(f"{path}?suspect=false")) == 7

    def day() -> dict[str, Any]:
        return next(row for row in api.rows(AthleteDay, athlete_id=athlete["id"]) if str(row["date"]) == YESTERDAY)

    def trend() -> float:
        found = api("GET", f"/athletes/{athlete['id']}/estimates?from={YESTERDAY}&to={YESTERDAY}").json()
        return found["average_mass_kg"]["mean"][0]

    assert day()["mass_kg"] is None
    before = trend()
    assert before == pytest.approx(82, abs=0.5)
    confirmed = api("PATCH", f"{path}/{doubted['id']}", {"suspect": None}).json()
    assert confirmed["suspect"] is None and confirmed["mass_kg"] == 180
    assert day()["mass_kg"] == 180
    api("PATCH", f"{path}/{doubted['id']}", {"note": "really"})
    assert day()["mass_kg"] == 180, "a note is no reason to doubt a confirmed value again"
    mended = api("PATCH", f"{path}/{doubted['id']}", {"mass_lb": 180}).json()
    assert mended["suspect"] is None
    assert trend() == pytest.approx(82, abs=0.5)
    refused = api("PATCH", f"{path}/{doubted['id']}", {"suspect": {"reason": "mine"}})
    assert faults(refused) == {"/suspect": "none_required"}


def test_a_slipped_decimal_and_a_meal_for_a_week_are_doubted(api: Api, home: str, athlete: dict[str, Any]) -> None:
    api("POST", f"{home}/weigh-ins", [{"date": days_ago(day), "mass_kg": 64.0} for day in range(2, 9)])
    slipped = api("POST", f"{home}/weigh-ins", {"date": YESTERDAY, "mass_kg": 640.7}).json()
    assert slipped["suspect"]["reason"] == "slipped_decimal"
    assert slipped["suspect"]["best_guess_kg"] == pytest.approx(64.07)
    api("POST", f"{home}/meals", {"date": YESTERDAY, "energy_kcal": 800, "slot": 1})
    feast = api("POST", f"{home}/meals", {"date": YESTERDAY, "energy_kcal": 12000, "slot": 2}).json()
    assert feast["suspect"]["reason"] == "slipped_decimal" and feast["suspect"]["best_guess_kcal"] == 1200

    def day() -> dict[str, Any]:
        return next(row for row in api.rows(AthleteDay, athlete_id=athlete["id"]) if str(row["date"]) == YESTERDAY)

    assert (day()["energy_kcal"], day()["food_state"]) == (800, FoodState.PARTIAL)
    api("PATCH", f"{home}/meals/{feast['id']}", {"suspect": None})
    assert (day()["energy_kcal"], day()["food_state"]) == (12800, FoodState.UNKNOWN)


def test_a_deleted_session_takes_its_lifts_along(api: Api, home: str, athlete: dict[str, Any]) -> None:
    one = {"date": YESTERDAY, "sets": [{"exercise": "barbell-row", "load_kg": 60, "reps": 8, "rir": 2}]}
    two = {"date": YESTERDAY, "sets": [{"exercise": "romanian-deadlift", "load_kg": 90, "reps": 8, "rir": 2}]}
    first, _ = (api("POST", f"{home}/training-sessions", said).json() for said in (one, two))
    api("DELETE", f"{home}/training-sessions/{first['id']}")
    assert [row["exercise"] for row in api.rows(SessionLift, athlete_id=athlete["id"])] == ["romanian-deadlift"]
    (left,) = api.all(f"{home}/training-sessions")
    api("PATCH", f"{home}/training-sessions/{left['id']}", {"date": days_ago(3)})
    assert [str(row["date"]) for row in api.rows(SessionLift, athlete_id=athlete["id"])] == [days_ago(3)]
    api("DELETE", f"{home}/training-sessions/{left['id']}")
    assert api.rows(SessionLift, athlete_id=athlete["id"]) == []


def test_meals_that_come_at_once_are_all_in_the_days_sum(api: Api, home: str, athlete: dict[str, Any]) -> None:
    calls = [Call("POST", f"{home}/meals", {"date": YESTERDAY, "energy_kcal": 100 + slot}) for slot in range(8)]
    assert {answer.status_code for answer in api.together(calls)} == {201}
    (day,) = api.rows(AthleteDay, athlete_id=athlete["id"])
    assert (day["meals"], day["energy_kcal"]) == (8, 828)


def test_two_changes_of_one_version_at_once_make_one(api: Api, home: str) -> None:
    entry = api("POST", f"{home}/weigh-ins", {"date": YESTERDAY, "mass_kg": 64}).json()
    calls = [
        Call("PATCH", f"{home}/weigh-ins/{entry['id']}", {"mass_kg": 64 + step / 10}, headers={"if-match": '"r1"'})
        for step in range(1, 5)
    ]
    assert sorted(answer.status_code for answer in api.together(calls)) == [200, 412, 412, 412]
    (left,) = api.all(f"{home}/weigh-ins")
    assert left["revision"] == 2


def test_lists_are_bounded_by_dates(api: Api, home: str) -> None:
    api("POST", f"{home}/weigh-ins", [{"date": days_ago(day), "mass_kg": 64} for day in range(1, 11)])
    some = api.all(f"{home}/weigh-ins?from={days_ago(5)}&to={days_ago(3)}&limit=2")
    assert [item["date"] for item in some] == [days_ago(day) for day in (5, 4, 3)]
    wrong = api("GET", f"{home}/weigh-ins?from=soon&limit=0&to=2026-13-01")
    assert faults(wrong).keys() == {"from", "limit", "to"}


def test_food_days_are_declared_once_and_change_the_days_state(api: Api, home: str, athlete: dict[str, Any]) -> None:
    path = f"{home}/food-days/{YESTERDAY}"

    def state() -> tuple[int, float | None]:
        (day,) = api.rows(AthleteDay, athlete_id=athlete["id"])
        return day["food_state"], day["energy_kcal"]

    fast = api("PUT", path, {"state": "fast"})
    assert fast.status_code == 200 and fast.headers["etag"] == '"r1"'
    assert state() == (FoodState.FAST, 0.0), "a declared fast is zero, not a gap"
    again = api("PUT", path, {"state": "fast"})
    assert again.json() == fast.json()
    api("POST", f"{home}/meals", {"date": YESTERDAY, "energy_kcal": 900})
    api("PUT", path, {"state": "partial", "note": "forgot supper"})
    assert state() == (FoodState.PARTIAL, 900)
    assert api("PUT", path, {"state": "complete"}, headers={"if-match": '"r1"'}).status_code == 412
    assert api("PUT", path, {"state": "complete"}, headers={"if-match": '"r2"'}).headers["etag"] == '"r3"'
    assert [item["state"] for item in api.all(f"{home}/food-days")] == ["complete"]
    assert faults(api("PUT", path, {"state": "feast", "colour": 1})).keys() == {"/state", "/colour"}
    assert faults(api("PUT", f"{home}/food-days/{days_ago(-9)}", {"state": "fast"})) == {"date": "in_the_future"}
    for impossible in ("0001-01-01", "2026-02-30", "today"):
        assert faults(api("PUT", f"{home}/food-days/{impossible}", {"state": "fast"})).keys() == {"date"}
    api("PUT", f"{home}/food-days/{days_ago(2)}?dry_run=true", {"state": "fast"})
    assert len(api.all(f"{home}/food-days")) == 1


def test_two_declarations_of_one_version_at_once_make_one(api: Api, home: str) -> None:
    path = f"{home}/food-days/{YESTERDAY}"
    api("PUT", path, {"state": "fast"})
    calls = [
        Call("PUT", path, {"state": "partial", "note": str(number)}, headers={"if-match": '"r1"'})
        for number in range(4)
    ]
    assert sorted(answer.status_code for answer in api.together(calls)) == [200, 412, 412, 412]
