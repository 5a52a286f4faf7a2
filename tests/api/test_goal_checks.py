"""A goal is checked before the writer is taken, and anew where something was stored meanwhile."""

import uuid
from typing import Any

import pytest

from service.api import athletes
from tests.api.conftest import Api, Call, days_ago
from tests.api.in_a_cut import stalled


def test_nobody_waits_for_a_check_and_it_knows_what_they_stored(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    man = stalled(api, f"goal-{uuid.uuid4().hex[:8]}")
    home, whole, checked = f"/athletes/{man['id']}", athletes.goal_check, []
    late = [{"date": days_ago(0), "mass_kg": 84.1, "ref": "late"}]

    async def check(scope: Any, athlete: Any) -> Any:
        made = await whole(scope, athlete)
        checked.append(made and made.status)
        if late:  # with SQLite's one writer taken this would wait for ever
            answer = await api.send(Call("POST", f"{home}/weigh-ins", late.pop()))
            assert answer.status_code == 201
        return made

    monkeypatch.setattr(athletes, "goal_check", check)
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
    goal = {"body_fat_pct": 20}
    assert api.athlete(goal=goal)["goal_check"]["status"] == "unknown", "of a new athlete nothing was logged"
