"""A goal is checked before the writer is taken, anew where something was stored since, and once while nothing was."""

import uuid
from typing import Any

import pytest

from service.api import athletes
from service.application.plan import goal
from tests.api.conftest import Api, Call, days_ago
from tests.api.in_a_cut import CLEAN, stalled


def test_nobody_waits_for_a_check_and_it_knows_what_they_stored(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    man = stalled(api, f"goal-{uuid.uuid4().hex[:8]}", seed="goal")
    home, whole, checked = f"/athletes/{man['id']}", athletes.new_goal_check, []
    late = [{"date": days_ago(0), "mass_kg": 84.1, "ref": "late"}]

    async def check(scope: Any, athlete: Any) -> Any:
        made = await whole(scope, athlete)
        checked.append(made and made.status)
        if late:  # with SQLite's one writer taken this would wait for ever
            answer = await api.send(Call("POST", f"{home}/weigh-ins", late.pop()))
            assert answer.status_code == 201
        return made

    monkeypatch.setattr(athletes, "new_goal_check", check)
    said = {"goal": {"body_fat_pct": 15, "by": days_ago(-30)}}
    answer = api("PATCH", home, said, headers={"if-match": "*"})
    assert answer.status_code == 200 and checked == ["too_soon", "too_soon"]
    monkeypatch.undo()
    assert api("GET", home).json()["goal_check"] == answer.json()["goal_check"]


def test_without_a_goal_nothing_is_worked_out(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    athlete = api.athlete()
    monkeypatch.setattr("service.application.plan.goal.evidence_on", None)
    home = f"/athletes/{athlete['id']}"
    assert api("PATCH", home, {"name": "Ana"}, headers={"if-match": "*"}).json()["goal_check"] is None
    assert api("GET", home).status_code == 200
    assert api.athlete(goal={"body_fat_pct": 20})["goal_check"]["status"] == "unknown", (
        "of a new athlete nothing was logged"
    )


def test_a_check_is_worked_out_once_until_something_changes(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    own = api.for_tests()
    own.move_clock(0)
    home = f"/athletes/{stalled(own, 'once')['id']}"
    whole, worked_out = goal.evidence_on, []

    async def counted(scope: Any, athlete: Any, day: Any) -> Any:
        worked_out.append(day)
        return await whole(scope, athlete, day)

    monkeypatch.setattr(goal, "evidence_on", counted)
    own("PATCH", home, {"goal": {"body_fat_pct": 15}}, headers={"if-match": "*"})

    def look() -> tuple[int, str]:
        worked_out.clear()
        check = own("GET", home).json()["goal_check"]
        own("PATCH", home, {"name": "Luis"}, headers={"if-match": "*"})
        assert own("GET", home).json()["goal_check"] == check
        return len(worked_out), check["earliest_on"]

    assert [look()[0] for _ in range(2)] == [1, 0]
    own("POST", f"{home}/weigh-ins", {"date": days_ago(0), "mass_kg": 85.5})
    own("PUT", f"{home}/screening", {**CLEAN, "injury": []})
    assert [look()[0] for _ in range(2)] == [1, 0]
    before = look()[1]
    own("POST", "/policies", {"changes": {"cut_max_days": 28, "cut_plan_days": 28}})
    assert [look()[0] for _ in range(2)] == [1, 0] and look()[1] > before
    own.move_clock(-2)
    assert [look()[0] for _ in range(2)] == [1, 0]
