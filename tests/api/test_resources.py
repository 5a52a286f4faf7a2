"""Practice, athletes, screening, phases, targets, estimates, reviews, catalogue; every fault at once."""

import uuid
from datetime import date, timedelta
from typing import Any

import pytest

from service.store.tables import Athlete, AthleteDay, EntryRevision, Phase, Review, SessionLift, Target, WeighIn
from tests.api.conftest import ATHLETE, NOTHING_KNOWN, Api, Call, days_ago, faults, today

YESTERDAY = days_ago(1)
FULL = {
    **ATHLETE, "external_id": "full", "name": "Ana", "activity_factor": 1.6, "experience": "intermediate",
    "equipment": ["barbell", "pull-up bar"], "food_pattern": "vegetarian", "meals_per_day": 2,
    "eating_window": {"from": "12:00", "to": "20:00"}, "carbohydrate_share": 0.5,
    "goal": {"body_fat_pct": 20, "by": "2027-03-01"}, "review_weekday": "sunday",
}  # fmt: skip
PHASE = {"kind": "build", "starts_on": days_ago(30), "planned_end_on": days_ago(2), "energy_kcal": 2600}
TARGET = {"from_date": days_ago(30), "energy_kcal": 2600, "protein_g": 130, "fibre_g": 26}


class TestPractice:
    def test_it_is_shown_and_renamed(self, api: Api) -> None:
        shown = api("GET", "/practice")
        assert shown.json()["id"] == str(api.practice_id) and shown.headers["etag"]
        renamed = api("PATCH", "/practice", {"name": "Iron & Oak"}, headers={"if-match": shown.headers["etag"]})
        assert renamed.json()["name"] == "Iron & Oak" == api("GET", "/practice").json()["name"]
        stranger = api.stranger()
        taken = stranger("PATCH", "/practice", {"name": "Iron & Oak"}, headers={"if-match": "*"})
        assert taken.status_code == 409

    def test_faults(self, api: Api) -> None:
        bad = {"name": "", "time_zone": "Europe/Nowhere", "id": "x", "revision": 9}
        answer = api("PATCH", "/practice", bad, headers={"if-match": "*"})
        assert faults(answer).keys() == {"/name", "/time_zone", "/id", "/revision"}
        assert faults(api("PATCH", "/practice", {"name": None}, headers={"if-match": "*"})).keys() == {"/name"}


class TestAthletes:
    def test_all_fields_come_back(self, api: Api) -> None:
        known = api("GET", "/exercises").json()["items"]
        equipment = sorted({name for item in known for name in item["equipment"]})[:2]
        said = {**FULL, "equipment": equipment}
        made = api("POST", "/athletes", said)
        assert made.status_code == 201, made.text
        assert made.json().items() >= said.items() and made.headers["etag"] == '"r1"'
        path = f"/athletes/{made.json()['id']}"
        assert api("GET", path).json() == made.json()
        changes = {"goal": None, "name": "Anna", "meals_per_day": 3, "eating_window": None}
        changed = api("PATCH", path, changes, headers={"if-match": '"r1"'})
        assert changed.json().items() >= {**said, **changes, "revision": 2}.items()
        assert api("GET", path).json() == changed.json()

    def test_every_fault_at_once(self, api: Api) -> None:
        bad = {
            "external_id": "", "sex": "f", "birth_date": "02.05.1994", "height_cm": 1.68, "time_zone": "Lisbon",
            "activity_factor": 0.5, "experience": "pro", "equipment": ["anvil"], "food_pattern": "air",
            "meals_per_day": 9, "eating_window": {"from": "noon"}, "carbohydrate_share": 2, "goal": {"weight": 60},
            "review_weekday": "today", "revision": 3,
        }  # fmt: skip
        found = faults(api("POST", "/athletes", bad))
        assert found.keys() == {
            "/external_id", "/sex", "/birth_date", "/height_cm", "/time_zone", "/activity_factor", "/experience",
            "/equipment", "/food_pattern", "/meals_per_day", "/eating_window/from", "/eating_window/to",
            "/carbohydrate_share", "/goal/body_fat_pct", "/goal/weight", "/review_weekday", "/revision",
        }  # fmt: skip
        assert faults(api("POST", "/athletes", {})).keys() == {"/external_id", "/sex", "/birth_date", "/height_cm"}
        for born in (days_ago(100), "1900-01-01"):
            assert faults(api("POST", "/athletes", {**FULL, "equipment": [], "birth_date": born})) == {
                "/birth_date": "implausible"
            }

    def test_what_is_required_cannot_be_cleared(self, api: Api, home: str) -> None:
        nothing = dict.fromkeys(("external_id", "sex", "birth_date", "height_cm", "time_zone", "review_weekday"))
        found = faults(api("PATCH", home, nothing, headers={"if-match": "*"}))
        assert found.keys() == {f"/{name}" for name in nothing}

    def test_an_external_id_names_one_athlete(self, api: Api, athlete: dict[str, Any]) -> None:
        twin = {**ATHLETE, "external_id": athlete["external_id"]}
        assert api("POST", "/athletes", twin).status_code == 409
        other = api.athlete()
        change = {"external_id": athlete["external_id"]}
        assert api("PATCH", f"/athletes/{other['id']}", change, headers={"if-match": "*"}).status_code == 409
        assert [item["id"] for item in api.all(f"/athletes?external_id={athlete['external_id']}")] == [athlete["id"]]
        assert api.all("/athletes?external_id=nobody") == []

    def test_a_dry_run_keeps_nothing(self, api: Api, home: str) -> None:
        made = api("POST", "/athletes?dry_run=true", {**ATHLETE, "external_id": "dry"})
        assert made.status_code == 201 and api.all("/athletes?external_id=dry") == []
        assert api("DELETE", f"{home}?dry_run=true").status_code == 204
        assert api("GET", home).status_code == 200

    def test_deleting_erases_all_that_was_logged_and_derived(
        self, api: Api, home: str, athlete: dict[str, Any]
    ) -> None:
        api("POST", f"{home}/weigh-ins", [{"date": days_ago(day), "mass_kg": 64} for day in range(1, 15)])
        sets = [{"exercise": "barbell-row", "load_kg": 50, "reps": 8}]
        session = api("POST", f"{home}/training-sessions", {"date": YESTERDAY, "sets": sets}).json()
        api("PATCH", f"{home}/training-sessions/{session['id']}", {"note": "x"})
        api("POST", f"{home}/phases", {"kind": "build", "starts_on": days_ago(14)})
        api("POST", f"{home}/targets", {"from_date": days_ago(14), "energy_kcal": 2400})
        api("POST", f"{home}/reviews", {"as_of": YESTERDAY})
        assert api("DELETE", home, headers={"if-match": '"r9"'}).status_code == 412
        assert api("DELETE", home).status_code == 204
        assert api("GET", home).status_code == 404
        for table in (WeighIn, AthleteDay, SessionLift, EntryRevision, Phase, Target, Review):
            assert api.rows(table, athlete_id=athlete["id"]) == [], table

    def test_another_zone_moves_no_entry(self, api: Api, home: str) -> None:
        said = {"at": f"{YESTERDAY}T23:30:00Z", "mass_kg": 64}
        entry = api("POST", f"{home}/weigh-ins", said).json()
        api("PATCH", home, {"time_zone": "Pacific/Auckland"}, headers={"if-match": "*"})
        assert api.all(f"{home}/weigh-ins") == [entry]


class TestScreening:
    def test_the_latest_answers_count(self, api: Api, home: str) -> None:
        nothing = api("GET", f"{home}/screening").json()
        assert nothing["answered_at"] is None and nothing["revision"] == 0
        clearance = {"for": "deficit", "on": "2026-01-05", "by": "Dr Costa"}
        said = {"kidney_disease": True, "glucose_lowering_medication": "none", "clearances": [clearance]}
        first = api("PUT", f"{home}/screening", said)
        assert first.status_code == 200 and first.headers["etag"] == '"r1"'
        assert first.json().items() >= said.items() and first.json()["pregnant_or_breastfeeding"] is None
        second = api("PUT", f"{home}/screening", {"kidney_disease": False}, headers={"if-match": '"r1"'})
        assert second.json()["revision"] == 2 and second.json()["clearances"] == []
        assert api("GET", f"{home}/screening").json() == second.json()
        assert api("PUT", f"{home}/screening", {}, headers={"if-match": '"r1"'}).status_code == 412
        api("PUT", f"{home}/screening?dry_run=true", {"kidney_disease": True})
        assert api("GET", f"{home}/screening").json() == second.json()

    def test_faults(self, api: Api, home: str) -> None:
        bad = {
            "kidney_disease": "perhaps",
            "glucose_lowering_medication": "metformin",
            "clearances": [{"for": "all"}],
            "x": 1,
        }
        assert faults(api("PUT", f"{home}/screening", bad)).keys() == {
            "/kidney_disease", "/glucose_lowering_medication", "/clearances/0/for", "/clearances/0/on",
            "/clearances/0/by", "/x",
        }  # fmt: skip

    def test_new_answers_mark_reviews_stale(self, api: Api, home: str) -> None:
        api("POST", f"{home}/weigh-ins", [{"date": days_ago(day), "mass_kg": 64} for day in range(1, 15)])
        review = api("POST", f"{home}/reviews", {"as_of": YESTERDAY}).json()
        assert review["stale"] is False
        api("PUT", f"{home}/screening", {"pregnant_or_breastfeeding": True})
        assert api("GET", f"/reviews/{review['id']}").json()["stale"] is True


class TestPhasesAndTargets:
    def test_phases_are_planned_listed_and_changed(self, api: Api, home: str) -> None:
        made = api("POST", f"{home}/phases", PHASE)
        assert made.status_code == 201 and made.json().items() >= PHASE.items()
        assert api("POST", f"{home}/phases", PHASE).status_code == 200, "the same again changes nothing"
        assert api("POST", f"{home}/phases", {**PHASE, "kind": "maintain"}).status_code == 409
        later = api("POST", f"{home}/phases", {"kind": "maintain", "starts_on": days_ago(-10)}).json()
        assert [item["kind"] for item in api.all(f"{home}/phases?limit=1")] == ["build", "maintain"]
        path = f"{home}/phases/{later['id']}"
        moved = api("PATCH", path, {"energy_kj": 10878.4}, headers={"if-match": '"r1"'}).json()
        assert moved["energy_kcal"] == pytest.approx(2600) and moved["revision"] == 2
        twin = api("PATCH", path, {"starts_on": PHASE["starts_on"]}, headers={"if-match": "*"})
        assert twin.status_code == 409
        backwards = api("PATCH", path, {"planned_end_on": days_ago(20)}, headers={"if-match": "*"})
        assert faults(backwards) == {"": "ends_before_start"}
        cleared = api("PATCH", path, {"energy_kcal": None}, headers={"if-match": "*"}).json()
        assert cleared["energy_kcal"] is None
        assert api("PATCH", f"{home}/phases/{uuid.uuid4()}", {}, headers={"if-match": "*"}).status_code == 404

    def test_targets_are_set_listed_and_changed(self, api: Api, home: str) -> None:
        made = api("POST", f"{home}/targets", TARGET)
        assert made.status_code == 201 and made.json().items() >= TARGET.items()
        assert api("POST", f"{home}/targets", {**TARGET, "energy_kcal": 1900}).status_code == 409
        meals = [{"slot": slot, "energy_kcal": 900, "protein_g": 65} for slot in (1, 2)]
        said = {
            "from_date": days_ago(9),
            "energy_kj": 10000,
            "meals": meals,
            "eating_window": {"from": "12:00", "to": "20:00"},
        }
        later = api("POST", f"{home}/targets", said).json()
        assert later["energy_kcal"] == pytest.approx(2390.057, abs=1e-3) and later["meals"] == meals
        path = f"{home}/targets/{later['id']}"
        changed = api("PATCH", path, {"protein_g": 140, "meals": None}, headers={"if-match": '"r1"'}).json()
        assert (changed["protein_g"], changed["meals"], changed["revision"]) == (140, None, 2)
        twin = api("PATCH", path, {"from_date": TARGET["from_date"]}, headers={"if-match": "*"})
        assert twin.status_code == 409
        assert [item["revision"] for item in api.all(f"{home}/targets?limit=1")] == [1, 2]

    @pytest.mark.parametrize(
        ("path", "body", "pointers"),
        [
            ("phases", {"kind": "bulk", "starts_on": 20260101, "energy_kj": 90}, {"/kind", "/starts_on", "/energy_kj"}),
            ("phases", {"kind": "cut", "starts_on": "2026-02-01", "planned_end_on": "2026-01-01"}, {""}),
            ("phases", {"kind": "cut", "starts_on": "2026-02-01", "energy_kcal": 1850, "energy_kj": 7740}, {""}),
            ("phases", {}, {"/kind", "/starts_on"}),
            ("targets", {"from_date": "2026-02-01"}, {""}),
            ("targets", {"from_date": "2026-02-01", "energy_kcal": 1850, "energy_kj": 7740}, {""}),
            ("targets", {"energy_kcal": 1, "protein_g": -1, "meals": [{"slot": 0}], "eating_window": {}, "x": 1},
             {"/from_date", "/energy_kcal", "/protein_g", "/meals/0/slot", "/meals/0/energy_kcal", "/meals/0/protein_g",
              "/eating_window/from", "/eating_window/to", "/x"}),
        ],
    )  # fmt: skip
    def test_faults(self, api: Api, home: str, path: str, body: dict[str, Any], pointers: set[str]) -> None:
        assert faults(api("POST", f"{home}/{path}", body)).keys() == pointers
        assert api.all(f"{home}/{path}") == []

    def test_what_is_required_of_targets_cannot_be_cleared(self, api: Api, home: str) -> None:
        made = api("POST", f"{home}/targets", TARGET).json()
        path = f"{home}/targets/{made['id']}"
        for field in ("energy_kcal", "from_date"):
            answer = api("PATCH", path, {field: None}, headers={"if-match": "*"})
            assert answer.status_code == 422, (field, answer.text)
        both = api("PATCH", path, {"energy_kcal": 1900, "energy_kj": 8000}, headers={"if-match": "*"})
        assert both.status_code == 422
        assert api.all(f"{home}/targets") == [made]

    @pytest.mark.parametrize(("path", "body"), [("phases", PHASE), ("targets", TARGET)])
    def test_a_dry_run_keeps_nothing(self, api: Api, home: str, path: str, body: dict[str, Any]) -> None:
        assert api("POST", f"{home}/{path}?dry_run=true", body).status_code == 201
        assert api.all(f"{home}/{path}") == []

    def test_twins_at_once_are_one(self, api: Api, home: str) -> None:
        answers = api.together([Call("POST", f"{home}/phases", PHASE)] * 4)
        assert sorted(answer.status_code for answer in answers) == [200, 200, 200, 201]
        answers = api.together([Call("POST", f"{home}/targets", TARGET)] * 4)
        assert sorted(answer.status_code for answer in answers) == [201, 409, 409, 409]


class TestEstimates:
    @pytest.fixture
    def logged(self, api: Api, home: str) -> str:
        """Six weeks of a cut of about 0.4 kg a week, food on most days, and rows."""
        cut = {"kind": "cut", "starts_on": days_ago(40), "energy_kcal": 1800, "acknowledge": NOTHING_KNOWN}
        assert api("POST", f"{home}/phases", cut).status_code == 201
        days = range(1, 43)
        api(
            "POST",
            f"{home}/weigh-ins",
            [{"date": days_ago(day), "mass_kg": 62 + day * 0.06 + day % 3 / 5} for day in days],
        )
        api(
            "POST",
            f"{home}/meals",
            [{"date": days_ago(day), "energy_kcal": 1790, "carbohydrate_g": 160} for day in days if day % 5],
        )
        sets = [{"exercise": "barbell-row", "load_kg": 50, "reps": 8, "rir": 2}]
        api(
            "POST", f"{home}/training-sessions", [{"date": days_ago(day), "sets": sets} for day in days if day % 4 == 0]
        )
        return home

    def test_columns_by_date_with_bounds_in_order(self, api: Api, logged: str) -> None:
        for basis in ("as_known", "revised"):
            found = api("GET", f"{logged}/estimates?from={days_ago(40)}&to={YESTERDAY}&basis={basis}").json()
            assert found["basis"] == basis
            assert found["dates"] == [days_ago(day) for day in range(40, 0, -1)]
            bands = [found[name] for name in found if isinstance(found[name], dict) and "mean" in found[name]]
            bands.append(found["strength"]["barbell-row"]["one_rep_max_kg"])
            assert len(bands) == 7
            for band in bands:
                for low, mean, high in zip(band["lo"], band["mean"], band["hi"], strict=True):
                    assert (low is None) == (mean is None) == (high is None)
                    assert mean is None or low <= mean <= high
            assert all(0 <= value <= 1 for value in found["probability"]["loss_too_fast"] if value is not None)
            assert found["average_mass_kg"]["mean"][-1] == pytest.approx(62.3, abs=0.6)

    def test_too_fast_is_what_the_policy_in_force_says(self, api: Api, logged: str) -> None:
        path = f"{logged}/estimates?from={YESTERDAY}&to={YESTERDAY}"
        (before,) = api("GET", path).json()["probability"]["loss_too_fast"]
        stricter = {"athlete_id": logged.rsplit("/", 1)[1], "changes": {"cut_rate_fast_pct": -0.8}}
        assert api("POST", "/policies", stricter).status_code == 201
        (after,) = api("GET", path).json()["probability"]["loss_too_fast"]
        assert after > before

    def test_as_known_does_not_change_with_later_entries(self, api: Api, logged: str) -> None:
        """Each day uses what is dated up to it; `revised` may change, and does."""
        path = f"{logged}/estimates?from={days_ago(40)}&to={days_ago(15)}"
        known, revised = (api("GET", f"{path}&basis={basis}").json() for basis in ("as_known", "revised"))
        longer = api("GET", f"{logged}/estimates?from={days_ago(40)}&to={YESTERDAY}").json()
        days = len(known["dates"])
        for name in ("average_mass_kg", "maintenance_kcal", "rate_pct_per_week", "body_fat_pct"):
            for bound in ("mean", "lo", "hi"):
                assert longer[name][bound][:days] == pytest.approx(known[name][bound], rel=1e-9, nan_ok=True), name
        api("POST", f"{logged}/weigh-ins", [{"date": days_ago(day), "mass_kg": 60.5} for day in range(1, 14)])
        assert api("GET", path).json() == known
        later = api("GET", f"{logged}/estimates?from={days_ago(40)}&to={YESTERDAY}&basis=revised").json()
        assert later["average_mass_kg"]["mean"][:days] != revised["average_mass_kg"]["mean"]

    def test_before_the_first_entry_nothing_is_known(self, api: Api, logged: str, athlete: dict[str, Any]) -> None:
        found = api("GET", f"{logged}/estimates?from={days_ago(60)}&to={days_ago(30)}").json()
        assert found["average_mass_kg"]["mean"][:15] == [None] * 15
        assert found["average_mass_kg"]["mean"][-1] is not None
        long_ago = api("GET", f"{logged}/estimates?from=2001-01-01&to=2001-01-31").json()
        assert long_ago["average_mass_kg"]["mean"] == [None] * 31 and long_ago["strength"] == {}
        nobody = api("GET", f"/athletes/{api.athlete()['id']}/estimates").json()
        assert len(nobody["dates"]) == 28 and nobody["average_mass_kg"]["lo"] == [None] * 28

    def test_windows_that_make_no_sense(self, api: Api, home: str) -> None:
        assert faults(api("GET", f"{home}/estimates?from={days_ago(1)}&to={days_ago(2)}")) == {"from": "after_to"}
        assert faults(api("GET", f"{home}/estimates?from=1990-01-01&to=2026-01-01")) == {"from": "too_long"}
        bad = api("GET", f"{home}/estimates?from=soon&to=0001-01-01&basis=guessed")
        assert faults(bad).keys() == {"from", "to", "basis"}
        for future in ("2199-01-01", days_ago(-3)):
            assert faults(api("GET", f"{home}/estimates?to={future}")) == {"to": "in_the_future"}


class TestReviews:
    @pytest.fixture
    def logged(self, api: Api, home: str) -> str:
        api("POST", f"{home}/phases", {"kind": "maintain", "starts_on": days_ago(30), "energy_kcal": 2000})
        api("POST", f"{home}/weigh-ins", [{"date": days_ago(day), "mass_kg": 64 + day % 3 / 5} for day in range(1, 30)])
        return home

    def test_a_week_has_one_review(self, api: Api, logged: str) -> None:
        as_of = today() - timedelta(days=1)
        dry = api("POST", f"{logged}/reviews?dry_run=true", {"as_of": str(as_of)})
        assert dry.status_code == 200 and dry.json()["id"] is None and api.all(f"{logged}/reviews") == []
        answers = api.together([Call("POST", f"{logged}/reviews", {"as_of": str(as_of)})] * 4)
        assert sorted(answer.status_code for answer in answers) == [200, 200, 200, 201]
        assert len({answer.json()["id"] for answer in answers}) == 1
        (review,) = api.all(f"{logged}/reviews")
        year, week, _ = as_of.isocalendar()
        assert review["week"] == f"{year}-W{week:02d}" and review["state"] == "open"
        same = ("recommendation", "findings", "estimates", "inputs_digest", "prediction", "week", "policy")
        assert {name: review[name] for name in same} == {name: dry.json()[name] for name in same}
        assert api("GET", f"/reviews/{review['id']}").json() == review

    def test_iso_weeks_begin_on_monday_and_cross_the_year(self, api: Api, home: str) -> None:
        """ISO 8601: 2025-12-29 is a Monday in 2026-W01, 2024-12-29 a Sunday in 2024-W52."""
        for day, week in (("2025-12-29", "2026-W01"), ("2024-12-29", "2024-W52"), ("2024-12-30", "2025-W01")):
            assert api("POST", f"{home}/reviews?dry_run=true", {"as_of": day}).json()["week"] == week

    def test_the_future_is_not_reviewed(self, api: Api, home: str) -> None:
        assert faults(api("POST", f"{home}/reviews", {"as_of": days_ago(-3)})) == {"/as_of": "in_the_future"}
        assert faults(api("POST", f"{home}/reviews", {"as_of": "soon", "week": 9})).keys() == {"/as_of", "/week"}

    def test_a_late_entry_makes_it_stale_and_changes_nothing_of_it(self, api: Api, logged: str) -> None:
        review = api("POST", f"{logged}/reviews", {"as_of": days_ago(8)}).json()
        api("POST", f"{logged}/weigh-ins", {"date": days_ago(3), "mass_kg": 64})
        assert api("GET", f"/reviews/{review['id']}").json() == review
        api("POST", f"{logged}/weigh-ins", {"date": days_ago(9), "mass_kg": 63.9})
        assert api("GET", f"/reviews/{review['id']}").json() == {**review, "stale": True}


class TestCatalogue:
    def test_exercises_are_filtered(self, api: Api) -> None:
        items = api("GET", "/exercises").json()["items"]
        slugs = {item["slug"] for item in items}
        main = {"romanian-deadlift", "pull-up", "barbell-row", "one-arm-dumbbell-row", "lat-pulldown"}
        assert main <= slugs and len(slugs) == len(items)
        pattern = items[0]["pattern"]
        some = api("GET", f"/exercises?pattern={pattern}").json()["items"]
        assert some and {item["pattern"] for item in some} == {pattern}
        for item in api("GET", "/exercises?equipment=barbell").json()["items"]:
            assert set(item["equipment"]) <= {"barbell"}
        assert api("GET", "/exercises?pattern=none").json()["items"] == []

    def test_the_attention_list_has_a_limit(self, api: Api) -> None:
        assert faults(api("GET", "/attention?limit=0")).keys() == {"limit"}
        assert isinstance(api("GET", "/attention").json()["items"], list)


def test_dates_of_birth_on_leap_days(api: Api) -> None:
    born = api.athlete(birth_date="1996-02-29")
    assert date.fromisoformat(born["birth_date"]) == date(1996, 2, 29)
    (row,) = [row for row in api.rows(Athlete) if str(row["id"]) == born["id"]]
    assert row["birth_date"] == date(1996, 2, 29)
