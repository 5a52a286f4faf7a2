"""A changed fact about an athlete: what was computed from the old one is computed anew, reviews are marked stale."""

import uuid
from typing import Any

import pytest

from service.store.tables import AthleteDay
from tests.api.conftest import Api, days_ago
from tests.api.in_a_cut import review, stalled


@pytest.fixture
def man(api: Api) -> dict[str, Any]:
    return stalled(api, f"facts-{uuid.uuid4().hex[:8]}", seed="facts")


def change(api: Api, athlete: dict[str, Any], **fields: Any) -> None:
    path = f"/athletes/{athlete['id']}"
    tag = api("GET", path).headers["etag"]
    assert api("PATCH", path, fields, headers={"if-match": tag}).status_code == 200


def stale(api: Api, made: dict[str, Any]) -> bool:
    return bool(api("GET", f"/reviews/{made['id']}").json()["stale"])


FACTS: list[dict[str, Any]] = [
    {"height_cm": 174},
    {"sex": "female"},
    {"birth_date": "1985-04-01"},
    {"activity_factor": 1.9},
    {"goal": {"body_fat_pct": 14, "by": "2028-01-01"}},
    {"experience": "novice"},
    {"meals_per_day": 3},
    {"carbohydrate_share": 0.6},
    {"eating_window": {"from": "12:00", "to": "20:00"}},
    {"food_pattern": "vegan"},
]


def test_a_changed_fact_marks_reviews_stale_and_changes_their_digest(api: Api, man: dict[str, Any]) -> None:
    for number, fields in enumerate(FACTS, start=1):
        made = review(api, man, number)
        change(api, man, **fields)
        assert stale(api, made), fields
        anew = api("POST", f"/athletes/{man['id']}/reviews?dry_run=true", {"as_of": made["as_of"]}).json()
        assert anew["inputs_digest"] != made["inputs_digest"], fields
        kept = api("GET", f"/reviews/{made['id']}").json()
        assert all(kept[name] == made[name] for name in ("inputs_digest", "recommendation", "estimates", "findings"))


def test_what_no_review_looks_at_and_the_same_again_mark_nothing(api: Api, man: dict[str, Any]) -> None:
    goal = {"body_fat_pct": 14, "by": "2028-01-01"}
    change(api, man, goal=goal)
    made = review(api, man)
    change(api, man, name="Somebody Else", time_zone="Europe/Lisbon", review_weekday="friday", height_cm=180, goal=goal)
    assert not stale(api, made)
    line = {"type": "athlete", "external_id": man["external_id"], "sex": "male", "height_cm": 180, "goal": goal}
    assert api.load(str({**line, "birth_date": "1995-04-01"}).replace("'", '"'))["lines_kept"] == 1
    assert not stale(api, made)
    api("POST", "/policies", {"athlete_id": man["id"], "changes": {"energy_change_probability": 0.7}})
    assert not stale(api, made)  # a policy is a version named in the review


def test_screening_answers_mark_reviews_stale(api: Api, man: dict[str, Any]) -> None:
    made = review(api, man)
    assert api("PUT", f"/athletes/{man['id']}/screening", {"kidney_disease": True}).status_code == 200
    assert stale(api, made)


def test_body_fat_from_sites_follows_height_sex_and_age(api: Api) -> None:
    """The same as for an athlete of whom the right facts were said from the start."""
    right = {"sex": "female", "birth_date": "1990-01-01", "height_cm": 165.0}
    wrong = {"sex": "male", "birth_date": "1970-01-01", "height_cm": 190.0}
    girths = {"neck_cm": 34, "waist_cm": 74, "abdomen_cm": 80, "hip_cm": 98}
    folds = {f"{name}_mm": 14 for name in ("biceps", "triceps", "subscapular", "suprailiac")}
    bodies = [
        {"date": days_ago(20), "method": "tape", "tape": girths},
        {"date": days_ago(10), "method": "skinfold_4", "skinfolds": folds},
        {"date": days_ago(5), "method": "scan", "body_fat_pct": 27.0},
    ]
    kept = []
    for facts, correction in ((right, {}), (wrong, right)):
        athlete = api.athlete(**facts)
        path = f"/athletes/{athlete['id']}/measurements"
        assert api("POST", path, bodies).status_code == 201
        if correction:
            change(api, athlete, **correction)
        shown = [(item["date"], item["body_fat_pct"], item["body_fat_se_pct"]) for item in api.all(path)]
        days = api.rows(AthleteDay, athlete_id=athlete["id"])
        kept.append((shown, sorted((str(day["date"]), day["body_fat_pct"], day["body_fat_se_pct"]) for day in days)))
    assert kept[0] == kept[1]
    assert all(day[1] is not None for day in kept[0][1])


def test_doubts_about_weigh_ins_follow_the_height(api: Api) -> None:
    """The first weigh-ins have nothing before them but the athlete's height to be doubted by (three agreeing pass)."""
    kept = []
    for height_cm, corrected in ((150.0, None), (210.0, 150.0)):
        athlete = api.athlete(height_cm=height_cm)
        path = f"/athletes/{athlete['id']}/weigh-ins"
        api("POST", path, [{"date": days_ago(back), "mass_kg": 132.0 + 0.1 * (back % 3)} for back in (1, 2)])
        if corrected:
            before = [item["suspect"] for item in api.all(path)]
            change(api, athlete, height_cm=corrected)
        days = api.rows(AthleteDay, athlete_id=athlete["id"])
        masses = sorted((str(day["date"]), day["mass_kg"]) for day in days)
        kept.append(([item["suspect"] for item in api.all(path)], masses))
    assert kept[0] == kept[1] and kept[1][0] != before
