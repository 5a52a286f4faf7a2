"""Policies over HTTP: versions, an athlete's own thresholds, refusals, the schema, the past left alone, replays."""

import time
import uuid
from datetime import timedelta
from typing import Any

import pytest

from service.catalogue.sentences import question
from service.domain.policy import DEFAULT, describe
from service.domain.rules.rulebook import describe_rules
from service.store.scope import Scope
from service.store.tables import Decision, PolicyVersion, Review, Target
from tests.api.conftest import Api, Call, days_ago, faults, today
from tests.api.in_a_cut import review, stalled

STUBBORN = {"energy_change_probability": 0.99, "not_in_deficit_probability": 0.99, "cut_rate_slow_pct": -0.1}


def add(api: Api, changes: dict[str, Any], **more: Any) -> Any:
    return api("POST", "/policies", {"changes": changes, **more})


def test_the_schema_has_every_threshold_with_its_source(api: Api) -> None:
    items = api("GET", "/policies/schema").json()["items"]
    assert items == describe()
    assert {item["name"] for item in items} == set(DEFAULT.values())
    assert all(item["source"] and item["unit"] and item["description"] for item in items)
    assert all(item["range"]["from"] <= item["default"] <= item["range"]["to"] for item in items)
    default = api("GET", "/policies/default").json()
    assert default["values"] == {item["name"]: item["default"] for item in items}
    assert (default["id"], default["version"], default["changes"]) == ("default", 1, {})


def test_the_schema_has_every_rule_with_the_thresholds_that_decide_it(api: Api) -> None:
    schema = api("GET", "/policies/schema").json()
    assert schema["rules"] == [{**row, "question": question(row["code"])} for row in describe_rules()]
    assert all({*rule["thresholds"]} <= {item["name"] for item in schema["items"]} for rule in schema["rules"])
    rules = {rule["code"]: rule for rule in schema["rules"]}
    assert rules["safety.minor"] | {"source": ""} == {
        "code": "safety.minor", "stage": "safety", "severity": "stop", "question": "Is the athlete a minor?",
        "argues_for": "refer", "thresholds": ["adult_age_y", "clearance_valid_days"], "source": "",
    }  # fmt: skip


def test_versions_are_added_and_the_newest_is_in_force(fresh: Api) -> None:
    man = stalled(fresh, "versions")
    assert review(fresh, man, 8)["policy"] == {"id": "default", "version": 1}
    first, second = add(fresh, {"cut_max_days": 40}, note="shorter").json(), add(fresh, {"cut_max_days": 39}).json()
    assert (first["version"], second["version"]) == (1, 2) and first["note"] == "shorter"
    assert second["values"] == {**DEFAULT.values(), "cut_max_days": 39}
    assert [item["id"] for item in fresh.all("/policies")] == [first["id"], second["id"]]
    assert fresh("GET", f"/policies/{first['id']}").json() == first  # stays as it was
    assert review(fresh, man)["policy"] == {"id": second["id"], "version": 2}
    assert all(row["key_id"] is not None for row in fresh.rows(PolicyVersion))


def test_an_athletes_own_thresholds_lie_over_the_practices(fresh: Api) -> None:
    hers, his = stalled(fresh, "hers"), stalled(fresh, "his")
    add(fresh, {"cut_max_days": 40, "meals_per_day": 3})
    small_steps = {"energy_step_max_kcal": 100}
    own = add(fresh, small_steps, athlete_id=hers["id"]).json()
    assert own["values"] == {**DEFAULT.values(), "cut_max_days": 40, "meals_per_day": 3, **small_steps}
    of_hers, of_his = review(fresh, hers), review(fresh, his)
    assert of_hers["policy"]["id"] == own["id"] != of_his["policy"]["id"]
    energies = [made["recommendation"]["energy_kcal"] for made in (of_hers, of_his)]
    down = [energy["from"] - energy["to"] for energy in energies]
    assert 50 <= down[0] <= 100 < down[1] <= 250
    assert len(of_his["recommendation"]["targets"]["meals"]) == 3
    newer = add(fresh, {"cut_max_days": 38}).json()
    assert fresh("GET", f"/policies/{own['id']}").json()["values"]["cut_max_days"] == 38  # the practice moved below
    assert newer["athlete_id"] is None
    listed = fresh.all(f"/policies?athlete_id={hers['id']}")
    assert [item["id"] for item in listed] == [own["id"]]


def test_a_review_names_the_pair_of_versions_that_makes_its_thresholds_again(fresh: Api) -> None:
    hers = stalled(fresh, "pair")
    own = add(fresh, {"energy_step_max_kcal": 100}, athlete_id=hers["id"]).json()
    assert own["base"] == {"id": "default", "version": 1}
    assert review(fresh, hers, 15)["policy"] == {"id": own["id"], "version": 1, "base": own["base"]}
    first = add(fresh, {"cut_max_days": 40}).json()
    assert first["base"] is None
    made = review(fresh, hers, 8)["policy"]
    assert made == {"id": own["id"], "version": 1, "base": {"id": first["id"], "version": 1}}
    second = add(fresh, {"cut_max_days": 38}).json()
    assert review(fresh, hers)["policy"]["base"] == {"id": second["id"], "version": 2}

    def values(base: str | None) -> Any:
        shown = fresh("GET", f"/policies/{own['id']}" + (f"?base={base}" if base else "")).json()
        return shown["base"]["id"], shown["values"]["cut_max_days"], shown["values"]["energy_step_max_kcal"]

    assert values(made["base"]["id"]) == (first["id"], 40, 100)
    assert values(None) == values(second["id"]) == (second["id"], 38, 100)
    assert values("default") == ("default", 42, 100)
    for bad in ("nonsense", str(uuid.uuid4()), own["id"]):
        assert faults(fresh("GET", f"/policies/{own['id']}?base={bad}")) == {"base": "unknown_policy"}
    for whole in (first["id"], "default"):
        assert faults(fresh("GET", f"/policies/{whole}?base=default")) == {"base": "no_base"}


def test_the_practices_version_is_refused_when_an_athletes_own_does_not_go_with_it(fresh: Api) -> None:
    his, hers = fresh.athlete(external_id="Piet"), fresh.athlete(external_id="Rosa")
    assert add(fresh, {"cut_plan_days": 30}, athlete_id=his["id"]).status_code == 201
    assert add(fresh, {"cut_max_days": 60}, athlete_id=hers["id"]).status_code == 201
    later = {"cut_min_days": 35, "cut_plan_days": 40}
    refused = add(fresh, later)
    assert faults(refused) == {"/changes/cut_min_days": "clashes_with_athlete"}
    assert "Piet" in refused.json()["detail"] and "cut_min_days (35)" in refused.json()["detail"]
    assert "cut_plan_days (30)" in refused.json()["detail"]
    assert add(fresh, {}, athlete_id=his["id"]).status_code == 201  # the newest of an athlete counts
    assert add(fresh, later).status_code == 201
    longer = {"cut_plan_days": 50, "cut_max_days": 60}
    assert add(fresh, longer).status_code == 201
    assert add(fresh, {"cut_plan_days": 55}, athlete_id=his["id"]).status_code == 201
    back = add(fresh, {})  # it is what the practice no longer says that clashes
    assert faults(back) == {"/changes": "clashes_with_athlete"} and "Piet" in back.json()["detail"]


def test_a_stored_version_that_no_longer_holds_is_left_out_and_nothing_fails(
    fresh: Api, caplog: pytest.LogCaptureFixture
) -> None:
    his, hers = stalled(fresh, "stored"), fresh.athlete()
    own = add(fresh, {"cut_plan_days": 30, "meals_per_day": 3}, athlete_id=his["id"]).json()
    _store(fresh, {"cut_min_days": 35, "cut_plan_days": 40, "no_longer_known": 1})
    for athlete in (his, hers):
        for path in ("estimates", "prescriptions", "adherence"):
            assert fresh("GET", f"/athletes/{athlete['id']}/{path}").status_code == 200, path
    made = review(fresh, his)
    assert made["policy"]["id"] == own["id"] and len(made["recommendation"]["targets"]["meals"]) == 3
    practices, shown = sorted(fresh.all("/policies"), key=lambda item: item["athlete_id"] is not None)
    assert practices["left_out"] == ["no_longer_known"] and practices["values"]["cut_min_days"] == 35
    assert shown["left_out"] == ["cut_plan_days"] and shown["changes"] == own["changes"]
    assert (shown["values"]["cut_plan_days"], shown["values"]["meals_per_day"]) == (40, 3)
    assert shown == fresh("GET", f"/policies/{own['id']}").json()
    said = [record.getMessage() for record in caplog.records if record.name == "service.application.evidence.policies"]
    assert any(own["id"] in words and "cut_plan_days (30)" in words for words in said)


def _store(api: Api, changes: dict[str, Any]) -> None:
    """A version of the practice's as an earlier release would have left it, without its checks."""

    async def write() -> None:
        async with api.database.writing() as connection:
            row = {"about": "practice", "version": 1, "changes": changes}
            await Scope(connection, api.practice_id).insert(PolicyVersion, [row])

    api.loop.run(write())


def test_faults_point_to_every_threshold_at_once(fresh: Api) -> None:
    changes = {
        "cut_max_days": 1000,
        "meals_per_day": 2.5,
        "no_such_threshold": 1,
        "build_rate_slow_pct": 0.5,
        "build_rate_fast_pct": 0.2,
        "body_fat_floor_male_pct": 5,
    }
    assert faults(add(fresh, changes)) == {
        "/changes/cut_max_days": "out_of_range",
        "/changes/meals_per_day": "not_whole",
        "/changes/no_such_threshold": "unknown",
        "/changes/build_rate_slow_pct": "order",
        "/changes/body_fat_floor_male_pct": "out_of_range",
    }
    assert faults(add(fresh, {"cut_max_days": "long"})).keys() == {"/changes/cut_max_days"}
    assert faults(fresh("POST", "/policies", {"changes": {}, "colour": 1})).keys() == {"/colour"}
    assert fresh.all("/policies") == []


def test_a_change_leaves_past_reviews_alone(fresh: Api) -> None:
    man = stalled(fresh, "past")
    before = review(fresh, man, 8)
    add(fresh, STUBBORN)
    again = fresh("GET", f"/reviews/{before['id']}").json()
    assert again == {name: value for name, value in before.items() if name != "etag"}
    assert review(fresh, man, 8)["id"] == before["id"] and again["policy"]["id"] == "default"
    assert not again["stale"]
    assert review(fresh, man, 1)["policy"]["id"] != "default"


def test_whose_policies_are_whose(fresh: Api, api: Api) -> None:
    mine = add(fresh, {"cut_max_days": 40}).json()
    assert api("GET", f"/policies/{mine['id']}").status_code == 404
    assert api("POST", f"/policies/{mine['id']}/replays", _span()).status_code == 404
    athlete = fresh.athlete()
    assert add(api, {"cut_max_days": 40}, athlete_id=athlete["id"]).status_code == 404
    bound = fresh.key_of(athlete_id=athlete["id"])
    assert add(bound, {"cut_max_days": 40}).status_code == 404
    assert bound("POST", "/policies/default/replays", _span()).status_code == 404
    assert add(fresh.key_of("coaching:read"), {"cut_max_days": 40}).status_code == 403
    for bad in ("nonsense", str(uuid.uuid4())):
        assert fresh("GET", f"/policies/{bad}").status_code == 404
    dry = fresh("POST", "/policies?dry_run=true", {"changes": {"cut_max_days": 41}})
    assert dry.status_code == 201 and len(fresh.all("/policies")) == 1


def test_two_versions_at_once_are_two_versions_or_one_and_a_conflict(fresh: Api) -> None:
    calls = [Call("POST", "/policies", {"changes": {"cut_max_days": days}}) for days in (36, 37, 38)]
    statuses = [answer.status_code for answer in fresh.together(calls)]
    kept = [item["version"] for item in fresh.all("/policies")]
    assert set(statuses) <= {201, 409} and statuses.count(201) == len(kept)
    assert sorted(kept) == list(range(1, len(kept) + 1))


def _span(**more: Any) -> dict[str, Any]:
    return {"from": days_ago(30), "to": days_ago(1), **more}


def _to_the_end(api: Api, path: str) -> tuple[dict[str, Any], list[int]]:
    """The replay when it is over, and the progress seen on the way."""
    seen = []
    for _ in range(600):
        replay = api("GET", path).json()
        seen.append(replay["athletes_done"])
        if replay["state"] != "running":
            return replay, seen
        time.sleep(0.05)
    raise AssertionError(f"still running: {replay}")


def test_a_replay_goes_on_in_the_background_and_puts_two_policies_side_by_side(fresh: Api) -> None:
    people = [stalled(fresh, f"p-{i}", days=35) for i in range(3)]
    other = add(fresh, STUBBORN).json()
    written = [len(fresh.rows(table)) for table in (Review, Target, Decision)]
    started = fresh("POST", "/policies/default/replays", _span(against=other["id"]))
    assert started.status_code == 202, started.text
    first = started.json()
    assert (first["state"], first["athletes_done"], first["athletes_total"]) == ("running", 0, 3)
    path = f"/policies/default/replays/{first['id']}"
    replay, seen = _to_the_end(fresh, path)
    assert replay["state"] == "done", replay["detail"]
    assert seen == sorted(seen) and replay["athletes_done"] == 3 and replay["ended_at"] is not None
    assert [item["id"] for item in fresh.all("/policies/default/replays")] == [first["id"]]
    summary = replay["result"]["summary"]
    assert set(summary) == {"default", other["id"]}
    ours, stubborn = summary["default"], summary[other["id"]]
    assert ours["weeks"] == stubborn["weeks"] >= 12 and ours["athletes"] == 3
    assert ours["energy_changes"] > stubborn["energy_changes"]
    assert ours["rate_alarms"] >= stubborn["rate_alarms"]
    for one in (ours, stubborn):
        assert sum(one["actions"].values()) == one["weeks"]
        assert 0 <= one["false_alarms"] <= one["rate_alarms"]
    shown = {item["external_id"]: item["weeks"] for item in replay["result"]["athletes"]}
    assert set(shown) == {man["external_id"] for man in people}
    by_day = [week["as_of"] for week in shown["p-0"]["default"]]
    assert by_day == [week["as_of"] for week in shown["p-0"][other["id"]]]
    assert all(days_ago(30) <= day <= days_ago(1) for day in by_day)
    assert [len(fresh.rows(table)) for table in (Review, Target, Decision)] == written  # no athlete's record changed
    assert fresh("GET", f"/policies/{other['id']}/replays/{first['id']}").status_code == 404


def test_a_replay_recommends_what_a_review_of_that_day_recommends(fresh: Api) -> None:
    man = stalled(fresh, "same")
    started = fresh("POST", "/policies/default/replays", _span(athletes=[man["id"]])).json()
    replay, _ = _to_the_end(fresh, f"/policies/default/replays/{started['id']}")
    for week in replay["result"]["athletes"][0]["weeks"]["default"]:
        made = fresh("POST", f"/athletes/{man['id']}/reviews", {"as_of": week["as_of"]}).json()
        assert (made["recommendation"]["action"], made["recommendation"]["energy_kcal"], made["phase"]["kind"]) == (
            week["action"],
            week["energy_kcal"],
            week["phase"],
        )
        assert [finding["code"] for finding in made["findings"]] == week["codes"]
        if week["action"] == "change_energy":  # from then on the replay's athlete has eaten by it, the stored one not
            return
    raise AssertionError("nothing changed")


def test_what_a_replay_must_say(fresh: Api) -> None:
    path = "/policies/default/replays"
    turned = {"from": days_ago(1), "to": days_ago(30)}
    assert faults(fresh("POST", path, turned)) == {"/from": "after_to"}
    assert faults(fresh("POST", path, _span(against="nonsense"))) == {"/against": "unknown_policy"}
    assert faults(fresh("POST", path, _span(athletes=[str(uuid.uuid4())]))) == {"/athletes": "unknown_athlete"}
    assert faults(fresh("POST", path, {"to": str(today() - timedelta(days=1))})).keys() == {"/from"}
    assert fresh.all(path) == []
