"""The last deload is remembered, however long ago it was, and a replay sees those of its whole past."""

import json
import time
import uuid
from collections.abc import Collection
from datetime import timedelta
from typing import Any

import pytest

from service.store.tables import Decision, Review
from service.store.types import new_id
from tests.api.conftest import Api, days_ago, today

DAYS = 210


def train(api: Api, deloaded_days_ago: tuple[int, ...] = (), rested_days_ago: Collection[int] = ()) -> dict[str, Any]:
    """An athlete who has weighed in daily and trained every third day for thirty weeks, with these lighter sessions."""
    athlete = api.athlete()
    lines = []
    for ago in range(DAYS, 0, -1):
        stamp = {"athlete": athlete["external_id"], "date": days_ago(ago)}
        lines.append({"type": "weigh_in", **stamp, "mass_kg": 64.0 + 0.1 * (ago % 3)})
        if ago % 3 == 0 and ago not in rested_days_ago:
            sets = [{"exercise": "barbell-row", "load_kg": 50, "reps": 8, "rir": 2}]
            lines.append({"type": "training_session", **stamp, "sets": sets, "deload": ago in deloaded_days_ago})
    done = api.load("\n".join(map(json.dumps, lines)))
    assert (done["lines_kept"], done["faults"]) == (len(lines), [])
    return athlete


def deload(api: Api, athlete: dict[str, Any], ago: int, state: str) -> None:
    """A review of some days ago that recommended a deload, decided upon five days later."""
    as_of = today() - timedelta(days=ago)
    row = {"id": new_id(), "athlete_id": uuid.UUID(athlete["id"]), "week": str(ago), "as_of": as_of, "action": "deload"}
    prediction = {"for": str(as_of + timedelta(days=7)), "average_mass_kg": None, "strength": {}}
    document = {
        "findings": [], "estimates": {}, "recommendation": {"action": "deload"}, "prediction": prediction,
        "engine_version": "0",
    }  # fmt: skip
    api.insert(Review, [{**row, "severity": 1, "document": document, "inputs_digest": "", "state": state}])
    if state != "lapsed":
        effect = {"effective_on": str(as_of + timedelta(days=6)), "targets": None, "phase": None}
        said = {"id": new_id(), "athlete_id": row["athlete_id"], "review_id": row["id"], "decision": state}
        api.insert(Decision, [{**said, "effect": effect}])


@pytest.mark.parametrize(
    ("state", "weeks"),
    [("accepted", 12), ("amended", 30), ("declined", 30), ("lapsed", 30)],  # 86 days ago, or since training began
)
def test_an_accepted_deload_of_three_months_ago_is_on_record(api: Api, state: str, weeks: int) -> None:
    athlete = train(api)
    deload(api, athlete, 92, state)
    review = api("POST", f"/athletes/{athlete['id']}/reviews?dry_run=true", {"as_of": days_ago(1)}).json()
    (due,) = [finding for finding in review["findings"] if finding["code"] == "training.deload_due"]
    assert round(due["evidence"]["weeks"]) == weeks
    assert f"{weeks} weeks" in due["statement"]


def due(api: Api, athlete: dict[str, Any]) -> dict[str, Any]:
    """What a review of yesterday says of a deload that is due."""
    review = api("POST", f"/athletes/{athlete['id']}/reviews?dry_run=true", {"as_of": days_ago(1)}).json()
    (found,) = (finding for finding in review["findings"] if finding["code"] == "training.deload_due")
    return dict(found)


@pytest.mark.parametrize("ago", [111, 120, 180])
def test_a_deload_that_the_log_shows_is_on_record_however_long_ago(api: Api, ago: int) -> None:
    """Sessions that were marked as one; training is not counted from its first day instead."""
    found = due(api, train(api, deloaded_days_ago=(ago, ago + 3)))
    assert found["evidence"]["last_deload_on"] == days_ago(ago)
    assert round(found["evidence"]["weeks"]) == round((ago - 1) / 7)


def test_a_week_without_training_is_a_deload_however_long_ago(api: Api) -> None:
    found = due(api, train(api, rested_days_ago=range(150, 160)))
    assert found["evidence"]["last_deload_on"] == days_ago(161)


def test_a_deload_lasts_a_week_from_the_decision(api: Api) -> None:
    """Reviewed as of ten days ago, accepted to begin four days ago: the lighter week has three days left."""
    accepted, amended = train(api), train(api)
    deload(api, accepted, 10, "accepted")
    deload(api, amended, 10, "amended")  # something else was done
    rules = {
        ago: [
            api("GET", f"/athletes/{who['id']}/prescriptions?on={today() - timedelta(days=ago)}").json()["items"][0][
                "rule"
            ]
            for who in (accepted, amended)
        ]
        for ago in (5, 4, -2, -3)
    }
    assert [ago for ago, (own, _) in rules.items() if own == "deload"] == [4, -2], rules
    assert all(other != "deload" for _, other in rules.values()), rules


def test_a_replay_knows_a_lighter_session_of_its_first_weeks(api: Api) -> None:
    """Weeks of half a year ago are judged with what was trained then, not with the last sixteen weeks alone."""
    athlete = train(api, deloaded_days_ago=(150,))
    body = {"from": days_ago(148), "to": days_ago(1), "athletes": [athlete["id"]]}
    run = api("POST", "/policies/default/replays", body).json()
    for _ in range(600):
        if run["state"] != "running":
            break
        time.sleep(0.05)
        run = api("GET", f"/policies/default/replays/{run['id']}").json()
    assert run["state"] == "done", run
    weeks = run["result"]["athletes"][0]["weeks"]["default"]
    first_due = next(week["as_of"] for week in weeks if "training.deload_due" in week["codes"])
    assert days_ago(150 - 56) <= first_due <= days_ago(150 - 56 - 6)  # eight weeks after it, on a review day
