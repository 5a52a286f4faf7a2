"""Reviews that a coach makes: worked out before the writer is taken, a day has its own, estimates say why."""

import uuid
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import date, timedelta
from typing import Any

import pytest

from service.api import reviews
from service.store.engine import Database
from tests.api.conftest import Api, Call, days_ago, today
from tests.api.in_a_cut import review, stalled


@pytest.fixture
def man(api: Api) -> dict[str, Any]:
    return stalled(api, f"made-{uuid.uuid4().hex[:8]}", seed="made")


@pytest.mark.parametrize("times", [1, 2, 3])
def test_nobody_waits_for_a_review_that_is_being_worked_out_and_it_knows_what_they_stored(
    api: Api, man: dict[str, Any], monkeypatch: pytest.MonkeyPatch, times: int
) -> None:
    """Nothing is computed in a transaction, however often something is stored meanwhile.

    After two lost races the review is kept as of before, and says that it is stale.
    """
    whole, in_transaction = reviews.make_reviews, False
    late = [{"date": days_ago(1), "mass_kg": 84.1 + count / 10, "ref": f"late-{count}"} for count in range(times)]
    enter = Database.writing

    @asynccontextmanager
    async def told(self: Database) -> AsyncIterator[Any]:
        nonlocal in_transaction
        async with enter(self) as connection:
            in_transaction = True
            try:
                yield connection
            finally:
                in_transaction = False

    worked_out: list[bool] = []

    async def make(scope: Any, athletes: Sequence[Any], as_of: date) -> Any:
        made = await whole(scope, athletes, as_of)
        worked_out.append(in_transaction)
        if late:  # with SQLite's one writer taken this would wait for ever
            answer = await api.send(Call("POST", f"/athletes/{man['id']}/weigh-ins", late.pop()))
            assert answer.status_code == 201
        return made

    monkeypatch.setattr(reviews, "make_reviews", make)
    monkeypatch.setattr(Database, "writing", told)
    first = review(api, man)
    assert worked_out == [False] * min(times + 1, 3)
    monkeypatch.undo()
    if times > 2:
        assert (first["stale"], review(api, man)["stale"]) == (True, False)
        return
    again = api("POST", f"/athletes/{man['id']}/reviews?dry_run=true", {"as_of": first["as_of"]}).json()
    assert (first["inputs_digest"], first["stale"]) == (again["inputs_digest"], False)
    assert api("GET", f"/reviews/{first['id']}").json()["stale"] is False


def test_a_dry_run_takes_no_transaction(api: Api, man: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Database, "writing", None)
    tried = api("POST", f"/athletes/{man['id']}/reviews?dry_run=true", {"as_of": days_ago(1)})
    monkeypatch.undo()
    assert (tried.status_code, tried.json()["id"]) == (200, None)
    assert api.all(f"/athletes/{man['id']}/reviews") == []


def test_each_day_has_its_own_review_and_keeps_it(api: Api, man: dict[str, Any]) -> None:
    end = today() - timedelta(days=today().weekday() + 1)  # a Sunday: with five days before it in one ISO week
    path = f"/athletes/{man['id']}/reviews"
    made = [api("POST", path, {"as_of": str(end - timedelta(days=back))}) for back in (5, 3, 3, 0)]
    assert [answer.status_code for answer in made] == [201, 201, 200, 201]
    bodies = [answer.json() for answer in made]
    assert bodies[1]["id"] == bodies[2]["id"] and len({body["week"] for body in bodies}) == 1
    year, week, _ = end.isocalendar()
    assert bodies[0]["week"] == f"{year}-W{week:02d}"
    assert [(item["as_of"], item["state"]) for item in api.all(path)] == [
        (str(end - timedelta(days=5)), "lapsed"),
        (str(end - timedelta(days=3)), "lapsed"),
        (str(end), "open"),
    ]


def test_the_same_key_again_gets_the_first_answer(api: Api, man: dict[str, Any]) -> None:
    path, headers = f"/athletes/{man['id']}/reviews", {"idempotency-key": uuid.uuid4().hex}
    first = api("POST", path, {"as_of": days_ago(2)}, headers=headers)
    again = api("POST", path, {"as_of": days_ago(2)}, headers=headers)
    assert (first.status_code, again.status_code) == (201, 201)
    assert again.headers["idempotency-replayed"] == "true" and again.json() == first.json()


def _estimates(api: Api, athlete: dict[str, Any]) -> dict[str, Any]:
    answer = api("GET", f"/athletes/{athlete['id']}/estimates?to={days_ago(1)}")
    assert answer.status_code == 200
    return answer.json()


def test_estimates_say_what_would_narrow_them_most(api: Api) -> None:
    """Who weighs daily and logs every third day is asked for food; who logs daily and weighs weekly, for weigh-ins."""
    asked = {}
    for name, weighs, logs in (("food", 1, 3), ("scale", 7, 1)):
        athlete = api.athlete(external_id=f"{name}-{uuid.uuid4().hex[:8]}", activity_factor=1.6, time_zone="UTC")
        lines: list[Any] = []
        for back in range(1, 43):
            if back % weighs == 0:
                lines.append(("weigh-ins", {"date": days_ago(back), "mass_kg": 64.0 + 0.3 * (back * 7 % 5 - 2) / 2}))
            if back % logs == 0:
                lines.append(("meals", {"date": days_ago(back), "energy_kcal": 2000 + back * 37 % 200}))
        for path in ("weigh-ins", "meals"):
            api("POST", f"/athletes/{athlete['id']}/{path}", [body for kind, body in lines if kind == path])
        for _, body in (line for line in lines if line[0] == "meals"):
            api("PUT", f"/athletes/{athlete['id']}/food-days/{body['date']}", {"state": "complete"})
        rests = _estimates(api, athlete)["rests_on"]
        narrow = rests["would_narrow_most"]
        assert rests["days_used"] > 0 and 0 < rests["prior_share"] < 1
        assert narrow["days"] == 14
        sd = narrow["maintenance_sd_kcal"]
        best = {"food_days": "logging_daily", "weigh_ins": "weighing_daily"}[narrow["ask_for"]]
        assert sd[best] == min(sd["weighing_daily"], sd["logging_daily"]) < 0.95 * sd["as_so_far"]
        assert sd["both_daily"] <= 1.01 * sd[best]
        made = review(api, athlete)
        (said,) = (item for item in made["findings"] if "would help most" in item["statement"])
        shown = {name.removesuffix("_kcal"): value for name, value in said["evidence"]["outlook"].items()}
        assert shown == {"days": 14, **sd}
        asked[name] = (narrow["ask_for"], said["statement"])
    assert [asked[name][0] for name in ("food", "scale")] == ["food_days", "weigh_ins"]
    assert "Complete food days would help most" in asked["food"][1]
    assert "Daily weigh-ins would help most" in asked["scale"][1]


def test_before_any_log_nothing_narrows(api: Api) -> None:
    assert _estimates(api, api.athlete())["rests_on"]["would_narrow_most"] is None


def test_the_policys_margins_are_those_of_the_probabilities(api: Api, man: dict[str, Any]) -> None:
    """A deficit that counts only from 15 % on is less probable than one from 5 % on; a loss of 3 % more than of 5 %."""
    sets = [{"exercise": "romanian-deadlift", "load_kg": 120.0, "reps": 6, "rir": 1}]
    path = f"/athletes/{man['id']}/training-sessions"
    bodies = [
        {"date": days_ago(back), "sets": [{**sets[0], "load_kg": 120.0 - 6 * (back < 18)}]} for back in range(2, 42, 3)
    ]
    assert api("POST", path, bodies).status_code == 201
    before, first = _estimates(api, man), review(api, man, 2)
    changes = {"no_deficit_pct": 10, "strength_loss_pct": 3}
    assert api("POST", "/policies", {"athlete_id": man["id"], "changes": changes}).status_code == 201
    after, second = _estimates(api, man), review(api, man, 1)
    assert after["probability"]["not_in_deficit"][-1] > before["probability"]["not_in_deficit"][-1] + 0.001
    lost = [found["strength"]["romanian-deadlift"]["probability_lost"][-1] for found in (before, after)]
    assert lost[1] > lost[0] + 0.02
    assert after["maintenance_kcal"] == before["maintenance_kcal"]
    found = second["estimates"]["probability"]
    assert found["not_in_deficit"] == pytest.approx(after["probability"]["not_in_deficit"][-1], abs=1e-4)
    assert second["estimates"]["strength"]["romanian-deadlift"]["probability_lost"] == pytest.approx(lost[1], abs=1e-4)
    assert not api("GET", f"/reviews/{first['id']}").json()["stale"]  # a policy is a version named in the review
