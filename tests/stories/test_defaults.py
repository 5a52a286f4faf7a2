"""What a coach gets without asking: meals, windows, fat and carbohydrate, main lifts, prescriptions, counts."""

import json
from datetime import timedelta
from typing import Any

from tests.api.conftest import Api, days_ago, faults, today
from tests.api.in_a_cut import CLEAN, review

WOMAN = {"sex": "female", "birth_date": "1996-03-04", "height_cm": 168, "activity_factor": 1.6, "time_zone": "UTC"}
MAN = {"sex": "male", "birth_date": "1994-09-10", "height_cm": 184, "activity_factor": 1.6, "time_zone": "UTC"}


def weighed(api: Api, mass_kg: float, kind: str, energy_kcal: float, *more: dict[str, Any], **who: Any) -> str:
    """An athlete with four weeks of weigh-ins and complete food days, in a phase since three weeks; the path."""
    athlete = api.athlete(**who)
    home, name = f"/athletes/{athlete['id']}", athlete["external_id"]
    assert api("PUT", f"{home}/screening", CLEAN).status_code in (200, 201)
    end = str(today() + timedelta(days=28))
    lines: list[dict[str, Any]] = [
        {"type": "phase", "kind": kind, "starts_on": days_ago(21), "planned_end_on": end, "energy_kcal": energy_kcal},
        {"type": "measurement", "date": days_ago(28), "body_fat_pct": 25 if mass_kg < 70 else 15, "method": "scan"},
    ]
    for day in range(28, 0, -1):
        lines.append({"type": "weigh_in", "date": days_ago(day), "mass_kg": mass_kg + 0.2 * (day % 2)})
        meal = {"energy_kcal": energy_kcal, "protein_g": 120}
        lines.append({"type": "meal", "date": days_ago(day), **meal})
        lines.append({"type": "food_day", "date": days_ago(day), "state": "complete"})
    taken_in(api, name, [*lines, *more])
    return home


def taken_in(api: Api, name: str, lines: list[dict[str, Any]]) -> None:
    done = api.load("\n".join(json.dumps({**line, "athlete": name}) for line in lines))
    assert (done["state"], done["faults"]) == ("done", []), done


def targets_of(api: Api, home: str) -> dict[str, Any]:
    made = review(api, {"id": home.rpartition("/")[2]})
    targets: dict[str, Any] = made["recommendation"]["targets"]
    return targets


def session(days: int, *sets: dict[str, Any]) -> dict[str, Any]:
    return {"type": "training_session", "date": days_ago(days), "sets": list(sets)}


def lifted(exercise: str, load_kg: float, reps: int = 6, sets: int = 3) -> list[dict[str, Any]]:
    return [{"exercise": exercise, "load_kg": load_kg, "reps": reps, "rir": 2}] * sets


class TestFood:
    def test_a_woman_of_62_kg_in_a_cut_has_three_meals_and_no_window(self, api: Api) -> None:
        targets = targets_of(api, weighed(api, 62, "cut", 1500, **WOMAN))
        assert len(targets["meals"]) == 3 and targets["eating_window"] is None
        assert targets["fat_g"] >= 0.6 * 62 and 9 * targets["fat_g"] <= 0.31 * targets["energy_kcal"]  # Helms 2014
        assert targets["carbohydrate_g"] > 2.5 * targets["fat_g"]

    def test_a_man_of_95_kg_in_a_build_has_fat_by_his_mass_and_the_rest_carbohydrate(self, api: Api) -> None:
        """Iraki 2019, doi 10.3390/sports7070154: off season fat 0.5–1.5 g/kg, carbohydrate at least 3–5 g/kg."""
        targets = targets_of(api, weighed(api, 95, "build", 3400, **MAN))
        assert 0.8 * 95 <= targets["fat_g"] <= 1.0 * 95 and targets["carbohydrate_g"] >= 3 * 95
        assert len(targets["meals"]) == 3 and targets["eating_window"] is None

    def test_what_was_asked_for_is_given(self, api: Api) -> None:
        asked = {"meals_per_day": 6, "eating_window": {"from": "10:00", "to": "19:00"}, "carbohydrate_share": 0.4}
        targets = targets_of(api, weighed(api, 95, "build", 3400, **MAN, **asked))
        assert len(targets["meals"]) == 6 and targets["eating_window"] == asked["eating_window"]
        assert abs(4 * targets["carbohydrate_g"] / (targets["energy_kcal"] - 4 * targets["protein_g"]) - 0.4) < 0.03
        assert faults(api("POST", "/athletes", {**MAN, "external_id": "seven", "meals_per_day": 7})).keys() == {
            "/meals_per_day"
        }

    def test_nobody_on_the_referral_list_gets_a_window(self, api: Api) -> None:
        home = weighed(api, 62, "maintain", 2000, **WOMAN, eating_window={"from": "12:00", "to": "20:00"})
        assert api("PUT", f"{home}/screening", {**CLEAN, "glucose_lowering_medication": "insulin"}).status_code == 200
        assert targets_of(api, home)["eating_window"] is None


class TestMainLifts:
    def test_a_squat_that_is_lost_counts_though_pulls_are_trained(self, api: Api) -> None:
        """A squatter in a cut: the squat falls by a fifth, the press by as much, pull-downs are taken up and hold."""
        lines = [session(day, *lifted("back-squat", 140), *lifted("bench-press", 100)) for day in range(60, 22, -4)]
        lines += [
            session(day, *lifted("back-squat", 110), *lifted("bench-press", 80), *lifted("lat-pulldown", 70))
            for day in range(18, 1, -4)
        ]
        home = weighed(api, 84, "cut", 2300, *lines, **MAN)
        made = review(api, {"id": home.rpartition("/")[2]})
        assert {"back-squat", "bench-press"} <= made["estimates"]["strength"].keys()
        assert made["estimates"]["probability"]["strength_lost"] > 0.8
        assert "strength.lost_surely" in {finding["code"] for finding in made["findings"]}

    def test_those_named_on_the_athlete_stand_for_strength(self, api: Api) -> None:
        lines = [
            session(day, *lifted("back-squat", 110 if day < 20 else 140), *lifted("leg-extension", 60))
            for day in range(60, 1, -4)
        ]
        home = weighed(api, 84, "cut", 2300, *lines, **MAN, main_lifts=["leg-extension"])
        made = review(api, {"id": home.rpartition("/")[2]})
        assert not any(finding["code"].startswith("strength.lost") for finding in made["findings"])
        assert made["estimates"]["probability"]["strength_lost"] < 0.5
        unknown = {**MAN, "external_id": "x", "main_lifts": ["no-such-lift"]}
        assert faults(api("POST", "/athletes", unknown)) == {"/main_lifts": "unknown_exercise"}
        held = {**MAN, "external_id": "x", "main_lifts": ["plank"]}
        assert faults(api("POST", "/athletes", held)) == {"/main_lifts": "no_strength"}


class TestPrescriptions:
    def test_a_review_gives_them_by_plan_day(self, api: Api) -> None:
        home = weighed(api, 84, "maintain", 2800, **MAN)
        plan = {"days_per_week": 3, "from_date": days_ago(0)}
        made = api("POST", f"{home}/training-plans/starter", plan)
        assert made.status_code == 201, made.text
        asked = review(api, {"id": home.rpartition("/")[2]}, days_ago=0)["recommendation"]["prescriptions"]
        days = list(dict.fromkeys(one["day"] for one in asked))
        assert days == [day["name"] for day in made.json()["days"]] and len(days) == 3
        for day in made.json()["days"]:
            here = [one["exercise"] for one in asked if one["day"] == day["name"]]
            assert here == [one["exercise"] for one in day["exercises"]] and len(here) <= 9

    def test_without_a_plan_they_come_by_the_days_of_training(self, api: Api) -> None:
        monday_like, other = lifted("back-squat", 100), lifted("bench-press", 80)
        lines = [session(day, *(monday_like if day % 4 else other)) for day in (14, 12, 10, 8, 6, 4)]
        home = weighed(api, 84, "maintain", 2800, *lines, **MAN)
        asked = review(api, {"id": home.rpartition("/")[2]})["recommendation"]["prescriptions"]
        squat_day, bench_day = (
            (today() - timedelta(days=6)).strftime("%A"),
            (today() - timedelta(days=4)).strftime("%A"),
        )
        assert [(one["day"], one["exercise"]) for one in asked] == [
            (squat_day, "back-squat"),
            (bench_day, "bench-press"),
        ]


class TestCounts:
    def test_carries_and_holds_are_logged_planned_and_grow_in_metres_and_seconds(self, api: Api) -> None:
        athlete = api.athlete(**MAN)
        home = f"/athletes/{athlete['id']}"
        items = [{"exercise": "farmers-carry"}, {"exercise": "plank", "sets": 2, "seconds": {"from": 30, "to": 45}}]
        plan = {"from_date": days_ago(30), "name": "Trunk", "days": [{"name": "A", "exercises": items}]}
        made = api("POST", f"{home}/training-plans", plan)
        assert made.status_code == 201, made.text
        first, second = made.json()["days"][0]["exercises"]
        assert first["distance_m"] == {"from": 20, "to": 40} and second["seconds"] == {"from": 30, "to": 45}
        assert "reps" not in first and "reps" not in second
        carries = [{"exercise": "farmers-carry", "load_kg": 24, "distance_m": 40}] * 3
        holds = [{"exercise": "plank", "seconds": 45}] * 2
        taken_in(api, athlete["external_id"], [session(3, *carries, *holds)])
        (stored,) = api.all(f"{home}/training-sessions")
        assert stored["sets"][0]["distance_m"] == 40 and stored["sets"][3]["seconds"] == 45
        assert stored["sets"][0]["reps"] is None
        carry, hold = api("GET", f"{home}/prescriptions").json()["items"]
        assert (carry["rule"], carry["load_kg"], carry["distance_m"]) == ("add_load", 26.0, {"from": 20, "to": 40})
        assert (hold["rule"], hold["seconds"], hold["reps"]) == ("add_time", {"from": 35, "to": 50}, None)
        shown = api("GET", f"{home}/estimates?from={days_ago(4)}&to={days_ago(0)}").json()["strength"]
        assert all(set(lift["one_rep_max_kg"]["mean"]) == {None} for lift in shown.values())

    def test_a_set_says_what_its_exercise_counts(self, api: Api) -> None:
        home = f"/athletes/{api.athlete(**MAN)['id']}"
        for wrong, code in (
            ({"exercise": "plank", "reps": 10}, "wrong_count"),
            ({"exercise": "farmers-carry", "load_kg": 24, "seconds": 30}, "wrong_count"),
            ({"exercise": "back-squat", "load_kg": 100, "reps": 5, "seconds": 30}, "wrong_count"),
            ({"exercise": "suitcase-carry", "load_kg": 24}, "count_missing"),
        ):
            answer = api("POST", f"{home}/training-sessions", {"date": days_ago(1), "sets": [wrong]})
            assert faults(answer) == {"/sets/0": code}

    def test_an_assisted_lift_starts_from_what_was_logged(self, api: Api) -> None:
        athlete = api.athlete(**MAN)
        helped = [{"exercise": "pull-up", "assistance_kg": 68, "reps": 8, "rir": 2}] * 3
        taken_in(api, athlete["external_id"], [session(3, *helped)])
        (pull_up,) = api("GET", f"/athletes/{athlete['id']}/prescriptions").json()["items"]
        assert (pull_up["rule"], pull_up["assistance_kg"]) == ("hold", 68.0)


def test_a_coach_may_state_the_standard_error_of_a_reading(api: Api) -> None:
    home = f"/athletes/{api.athlete(**WOMAN)['id']}"
    said = {"method": "skinfold", "body_fat_pct": 24}
    answers = [
        api("POST", f"{home}/measurements", {"date": days_ago(day), **said, **more}).json()
        for day, more in ((3, {}), (2, {"body_fat_se_pct": 1.5}))
    ]
    assert answers[0]["body_fat_se_pct"] > 2.0 and answers[1]["body_fat_se_pct"] == 1.5
    path = f"{home}/measurements/{answers[1]['id']}"
    changed = api("PATCH", path, {"body_fat_pct": 25}, headers={"if-match": f'"r{answers[1]["revision"]}"'})
    assert changed.status_code == 200 and changed.json()["body_fat_se_pct"] == 1.5
    for wrong in (0.4, 10.5):
        body = {"date": days_ago(1), **said, "body_fat_se_pct": wrong}
        assert faults(api("POST", f"{home}/measurements", body)).keys() == {"/body_fat_se_pct"}
