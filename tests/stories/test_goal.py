"""A goal is checked when it is set and in every review: what it takes, whether its date is possible, the earliest."""

import json
from datetime import date, timedelta
from math import log
from typing import Any

import pytest

from tests.api.conftest import Api, days_ago, today
from tests.api.in_a_cut import CLEAN, review

WOMAN = {"sex": "female", "birth_date": "1996-03-04", "height_cm": 168, "activity_factor": 1.6, "time_zone": "UTC"}
MASS_KG, FAT_PCT = 70.0, 30.0


def after(days: int) -> str:
    return str(today() + timedelta(days=days))


def weighed(api: Api, *more: dict[str, Any], fat_pct: float = FAT_PCT, **who: Any) -> str:
    """A woman of 70 kg and 30 % body fat with four weeks of weigh-ins and whole food days; the path."""
    athlete = api.athlete(**{**WOMAN, **who})
    home, name = f"/athletes/{athlete['id']}", athlete["external_id"]
    assert api("PUT", f"{home}/screening", {**CLEAN, "cycle": "menopause"}).status_code in (200, 201)
    measured = {"body_fat_pct": fat_pct, "method": "scan"}
    lines: list[dict[str, Any]] = [{"type": "measurement", "date": days_ago(back), **measured} for back in (27, 14, 2)]
    for back in range(28, 0, -1):
        lines.append({"type": "weigh_in", "date": days_ago(back), "mass_kg": MASS_KG + 0.2 * (back % 2)})
        lines.append({"type": "meal", "date": days_ago(back), "energy_kcal": 2100, "protein_g": 120})
        lines.append({"type": "food_day", "date": days_ago(back), "state": "complete"})
    done = api.load("\n".join(json.dumps({**line, "athlete": name}) for line in [*lines, *more]))
    assert (done["state"], done["faults"]) == ("done", []), done
    return home


def set_goal(api: Api, home: str, body_fat_pct: float, by: str | None = None, query: str = "") -> dict[str, Any]:
    """The check in the answer to a PATCH that sets a goal."""
    goal = {"body_fat_pct": body_fat_pct, "by": by}
    answer = api("PATCH", home + query, {"goal": goal}, headers={"if-match": "*"})
    assert answer.status_code == 200 and answer.json()["goal"] == goal, answer.text
    check: dict[str, Any] = answer.json()["goal_check"]
    return check


def goal_finding(made: dict[str, Any]) -> dict[str, Any]:
    (found,) = (finding for finding in made["findings"] if finding["code"] == "goal.check")
    return dict(found)


class TestSettingAGoal:
    def test_on_the_first_day_the_answer_names_the_facts_that_are_missing(self, api: Api) -> None:
        athlete = api.athlete(**WOMAN, goal={"body_fat_pct": 22, "by": after(200)})
        check = athlete["goal_check"]
        assert (check["status"], check["possible"], check["warning"]) == ("unknown", None, None)
        assert check["missing"] == ["mass_kg", "body_fat_pct"]
        assert "a weigh-in and a body-fat measurement" in check["statement"]
        home = f"/athletes/{athlete['id']}"
        assert api("GET", home).json()["goal_check"] == check
        api("POST", f"{home}/weigh-ins", {"date": days_ago(1), "mass_kg": MASS_KG})
        assert api("GET", home).json()["goal_check"]["missing"] == ["body_fat_pct"]
        api("POST", f"{home}/measurements", {"date": days_ago(1), "body_fat_pct": FAT_PCT, "method": "scan"})
        check = api("GET", home).json()["goal_check"]
        assert check["status"] in ("possible", "too_soon") and check["missing"] == []

    def test_a_date_too_soon_is_kept_with_a_warning_and_the_earliest_date_has_none(self, api: Api) -> None:
        home = weighed(api)
        check = set_goal(api, home, 24, after(35))
        assert (check["status"], check["possible"]) == ("too_soon", False)
        assert check["warning"] == check["statement"] and "more than the limits allow" in check["warning"]
        factor = log((check["mass_at_goal_kg"] + check["lose_kg"]) / check["mass_at_goal_kg"])
        assert check["needed_pct_per_week"] == pytest.approx(-100 * factor / 5, abs=0.01)  # all of five weeks in a cut
        assert check["needed_pct_per_week"] < check["fastest_pct_per_week"] < 0
        assert 0 < check["lose_fat_kg"] < check["lose_kg"] < 12
        assert check["earliest_from"] <= check["earliest_on"] <= check["earliest_to"]
        earliest = date.fromisoformat(check["earliest_on"])
        at = set_goal(api, home, 24, str(earliest))
        assert (at["status"], at["possible"], at["warning"]) == ("possible", True, None)
        assert at["needed_pct_per_week"] >= at["fastest_pct_per_week"] - 0.001
        before = set_goal(api, home, 24, str(earliest - timedelta(days=1)))
        assert before["status"] == "too_soon" and before["earliest_on"] == check["earliest_on"]
        assert api("GET", home).json()["goal_check"] == before
        undated = set_goal(api, home, 24)
        assert (undated["status"], undated["needed_pct_per_week"]) == ("possible", None)
        assert undated["earliest_on"] == check["earliest_on"]

    def test_a_goal_below_the_floor_is_kept_with_a_warning_from_the_first_day_on(self, api: Api) -> None:
        athlete = api.athlete(**WOMAN, goal={"body_fat_pct": 10})
        assert athlete["goal"]["body_fat_pct"] == 10
        assert athlete["goal_check"]["status"] == "below_floor"
        assert "below the floor of 12 %" in athlete["goal_check"]["warning"]
        man = api("PATCH", f"/athletes/{athlete['id']}", {"sex": "male"}, headers={"if-match": "*"}).json()
        assert (man["goal_check"]["status"], man["goal_check"]["warning"]) == ("unknown", None)

    def test_an_import_keeps_an_impossible_goal(self, api: Api) -> None:
        home = weighed(api)
        athlete = api("GET", home).json()
        said = {name: athlete[name] for name in ("external_id", "sex", "birth_date", "height_cm")}
        line = {"type": "athlete", **said, "goal": {"body_fat_pct": 18, "by": after(30)}}
        assert api.load(json.dumps(line))["faults"] == []
        check = api("GET", home).json()["goal_check"]
        assert (check["status"], check["possible"]) == ("too_soon", False) and check["warning"]

    @pytest.mark.parametrize(
        ("goal_pct", "by", "status", "words"),
        [
            (45, None, "upward", "no cut leads there"),
            (30.2, None, "reached", "may be reached already"),
            (24, days_ago(3), "date_passed", "has passed"),
        ],
    )
    def test_other_goals_are_answered(self, api: Api, goal_pct: float, by: str | None, status: str, words: str) -> None:
        check = set_goal(api, weighed(api), goal_pct, by)
        assert check["status"] == status and words in check["statement"]
        assert (check["warning"] is not None) == (status == "date_passed")

    def test_a_dry_run_checks_and_keeps_nothing(self, api: Api) -> None:
        home = weighed(api)
        assert set_goal(api, home, 24, after(20), "?dry_run=true")["status"] == "too_soon"
        athlete = api("GET", home).json()
        assert (athlete["goal"], athlete["goal_check"], athlete["revision"]) == (None, None, 1)


class TestWhatItRestsOn:
    def test_what_is_running_and_the_maintenance_after_it_are_counted(self, api: Api) -> None:
        def earliest(*phases: dict[str, Any]) -> date:
            check = set_goal(api, weighed(api, *({"type": "phase", **phase} for phase in phases)), 28)
            assert check["status"] == "possible", check
            return date.fromisoformat(check["earliest_on"])

        def phase(kind: str, since: int, until: int) -> dict[str, Any]:
            return {"kind": kind, "starts_on": days_ago(since), "planned_end_on": after(until), "energy_kcal": 2100}

        free = earliest()
        building = earliest(phase("build", 10, 50))
        resting = earliest(phase("maintain", 10, 30))
        assert abs((building - free).days - 50) <= 2 and abs((resting - free).days - 30) <= 2

    def test_the_practices_own_policy_moves_the_date(self, api: Api) -> None:
        own = api.stranger()
        home = weighed(own)
        usual = set_goal(own, home, 24)
        changes = {"changes": {"cut_rate_fast_pct": -0.7, "cut_rate_aim_pct": -0.6}}
        assert own("POST", "/policies", changes).status_code == 201
        slower = own("GET", home).json()["goal_check"]
        assert slower["fastest_pct_per_week"] == -0.7 > usual["fastest_pct_per_week"]
        assert slower["earliest_on"] > usual["earliest_on"] and slower["lose_kg"] == usual["lose_kg"]

    def test_no_date_is_given_while_a_deficit_is_closed(self, api: Api) -> None:
        home = weighed(api)
        set_goal(api, home, 24, after(300))
        api("PUT", f"{home}/screening", {**CLEAN, "pregnant_or_breastfeeding": True})
        check = api("GET", home).json()["goal_check"]
        assert (check["status"], check["possible"], check["earliest_on"]) == ("referred", None, None)


class TestInReviews:
    def test_every_review_says_what_the_goal_takes_and_does_not_act_on_it(self, api: Api) -> None:
        cut = {"kind": "cut", "starts_on": days_ago(14), "planned_end_on": after(20), "energy_kcal": 2100}
        home = weighed(api, {"type": "phase", **cut})
        athlete = {"id": home.rpartition("/")[2]}
        without = api("POST", f"{home}/reviews?dry_run=true", {"as_of": days_ago(1)}).json()
        assert "goal.unset" in [finding["code"] for finding in without["findings"]]
        check = set_goal(api, home, 24, after(30))
        made = review(api, athlete)
        found = goal_finding(made)
        assert found["severity"] == "advice" and found["evidence"]["status"] == check["status"] == "too_soon"
        assert found["evidence"]["lose_kg"] == pytest.approx(check["lose_kg"], abs=0.3)
        assert "thresholds" in found["evidence"] and found["source"]
        for name in ("action", "energy_kcal", "phase"):
            assert made["recommendation"][name] == without["recommendation"][name]
        set_goal(api, home, 24, after(700))
        assert goal_finding(review(api, athlete))["severity"] == "info"

    def test_the_coach_is_called_once_for_a_goal_out_of_reach_and_reads_of_it_every_week(self, api: Api) -> None:
        home = weighed(api)
        athlete = {"id": home.rpartition("/")[2]}
        set_goal(api, home, 10)
        assert goal_finding(review(api, athlete, 8))["severity"] == "warning"
        found = goal_finding(review(api, athlete))
        assert (found["severity"], found["evidence"]["status"]) == ("info", "below_floor")


class TestWhoSeesIt:
    def test_lists_leave_it_out_and_a_key_without_coaching_reads_none(self, api: Api) -> None:
        home = weighed(api)
        set_goal(api, home, 24)
        name = api("GET", home).json()["external_id"]
        (item,) = api("GET", f"/athletes?external_id={name}").json()["items"]
        assert item["goal"]["body_fat_pct"] == 24 and item["goal_check"] is None
        assert api.key_of("entries:read")("GET", home).json()["goal_check"] is None
