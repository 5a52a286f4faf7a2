"""The attention list: gravest first, then most overdue, then by the practice's own name; one order over all pages."""

import random
import uuid
from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest

from service.application.log.stale import mark_stale
from service.application.review.reasons import check_in_body
from service.domain.evidence import PhaseNow
from service.domain.policy import DEFAULT
from service.domain.rules.findings import Severity
from service.store.scope import Scope
from service.store.tables import Athlete, CheckIn, JobFailure, Review
from service.store.types import new_id
from tests.api.conftest import Api, faults, today
from tests.domain.rules.on_plan import ON_PLAN

GRAVE = list(Severity)
ATHLETES = 60


def kept(severity: int, days_overdue: int = 0, code: str = "check_in.no_food") -> dict[str, Any]:
    """What a check-in or review keeps for the list."""
    reason = {"code": code, "severity": GRAVE[severity].value, "statement": f"{code} says so."}
    return {"days_overdue": days_overdue, "reasons": [reason]}


def night(athlete_id: uuid.UUID, severity: int, days_overdue: int = 0) -> dict[str, Any]:
    day = {"athlete_id": athlete_id, "date": date(2026, 3, 8), "severity": severity}
    return {**day, "attention": kept(severity, days_overdue)}


def review(athlete_id: uuid.UUID, severity: int, state: str = "open", action: str = "change_energy") -> dict[str, Any]:
    row: dict[str, Any] = {"id": new_id(), "athlete_id": athlete_id, "week": "2026-W10", "as_of": date(2026, 3, 8)}
    row["document"] = {"recommendation": {"action": action}}
    attention = kept(severity, code="loss.ceiling") if severity else None
    found = {"action": action, "severity": severity, "attention": attention, "inputs_digest": ""}
    return {**row, **found, "state": state}


def enrol(api: Api, names: Sequence[str]) -> list[uuid.UUID]:
    ids = [new_id() for _ in names]
    body = {"sex": "female", "birth_date": date(1994, 5, 2), "height_cm": 168.0}
    api.insert(Athlete, [{"id": one, "external_id": name, **body} for one, name in zip(ids, names, strict=True)])
    return ids


def items(api: Api) -> list[dict[str, Any]]:
    return api("GET", "/attention").json()["items"]


def test_gravest_first_then_most_overdue_then_by_name_on_pages_of_any_length(fresh: Api) -> None:
    rng = random.Random(3)
    names = [f"n-{number:03d}" for number in rng.sample(range(1000), ATHLETES)]
    ids = enrol(fresh, names)
    drawn = [(rng.randrange(4), rng.randrange(4)) for _ in names]
    fresh.insert(CheckIn, [night(one, *found) for one, found in zip(ids, drawn, strict=True)])
    pressing = [(-rank, -days, name) for name, (rank, days) in zip(names, drawn, strict=True) if rank]
    wanted = [name for _, _, name in sorted(pressing)]
    for limit in (1, 7, ATHLETES - 1, ATHLETES, 1000):
        pages = fresh.all(f"/attention?limit={limit}")
        assert [item["external_id"] for item in pages] == wanted, limit
    assert [(item["severity"], item["days_overdue"]) for item in pages] == [
        (GRAVE[-rank].value, -days) for rank, days, _ in sorted(pressing)
    ]


def test_the_next_page_goes_on_after_the_last_item_whoever_has_been_seen_to_meanwhile(fresh: Api) -> None:
    ids = enrol(fresh, list("abcdef"))
    fresh.insert(Review, [review(one, 1) for one in ids])
    first = fresh("GET", "/attention?limit=3")
    assert [item["external_id"] for item in first.json()["items"]] == ["a", "b", "c"]
    seen = first.json()["items"][1]["review_id"]
    assert fresh("POST", f"/reviews/{seen}/decision", {"decision": "declined"}).status_code == 201
    second = fresh("GET", f"/{first.links['next']['url']}")
    assert [item["external_id"] for item in second.json()["items"]] == ["d", "e", "f"]
    assert "next" not in second.links


def test_a_cursor_of_another_list_is_refused(fresh: Api) -> None:
    enrol(fresh, ["a", "b"])
    other = fresh("GET", "/athletes?limit=1").links["next"]["url"].partition("cursor=")[2]
    assert fresh("GET", f"/attention?cursor={other}").status_code == 400
    assert faults(fresh("GET", "/attention?limit=1001")).keys() == {"limit"}


def test_the_gravest_source_leads_and_what_only_informs_makes_nobody_overdue(fresh: Api) -> None:
    """A measurement a hundred days old is worth a word, not a place before somebody whose plan is in question."""
    old, urgent, quiet = enrol(fresh, ["old", "urgent", "quiet"])
    fresh.insert(CheckIn, [night(old, 0, 100), night(urgent, 1, 2), night(quiet, 0, 5)])
    fresh.insert(Review, [review(old, 1), review(urgent, 1)])
    found = items(fresh)
    shown = [(item["external_id"], item["severity"], item["days_overdue"], item["next"]) for item in found]
    assert shown == [
        ("urgent", "advice", 2, "Decide on the energy target."),
        ("old", "advice", 0, "Decide on the energy target."),
    ]
    assert [reason["from"] for reason in found[1]["reasons"]] == ["review", "check_in"]


def test_only_open_reviews_with_something_to_decide_and_failed_work_are_there(fresh: Api) -> None:
    failed, held, decided, due = enrol(fresh, ["failed", "held", "decided", "due"])
    fresh.insert(JobFailure, [{"athlete_id": failed, "job": "weekly_review", "error": "ValueError: no"}])
    fresh.insert(Review, [review(held, 0, action="hold"), review(decided, 3, "accepted"), review(due, 0)])
    found = {item["external_id"]: item for item in items(fresh)}
    assert found.keys() == {"failed", "due"}
    assert (found["failed"]["severity"], found["failed"]["review_id"]) == ("warning", None)
    assert (found["due"]["severity"], found["due"]["next"]) == ("info", "Decide on the energy target.")


@pytest.mark.parametrize(
    ("action", "severity", "night_severity", "following"),
    [
        ("switch_phase", 1, 1, "Decide on the next phase."),  # what the review asks goes before what the check asks
        ("deload", 1, 2, "Decide on the lighter week."),
        ("deload", 1, 3, "Ask for a complete food day."),  # unless that stops something
        ("switch_phase", 3, 1, "Return energy to maintenance today and speak to the athlete."),  # as this does
        ("hold", 1, 2, "Ask for a complete food day."),  # a hold leaves nothing to decide
        ("refer", 2, 1, "Return energy to maintenance today and speak to the athlete."),
    ],
)
def test_the_one_next_thing(fresh: Api, action: str, severity: int, night_severity: int, following: str) -> None:
    (one,) = enrol(fresh, ["one"])
    fresh.insert(CheckIn, [night(one, night_severity)])
    fresh.insert(Review, [review(one, severity, action=action)])
    assert [item["next"] for item in items(fresh)] == [following]


def test_a_goal_out_of_reach_is_stated_once_and_then_what_to_do(fresh: Api) -> None:
    (one,) = enrol(fresh, ["one"])
    fresh.insert(Review, [{**review(one, 1, action="hold"), "attention": kept(1, code="goal.check")}])
    (item,) = items(fresh)
    assert item["next"] == "Talk the goal over with the athlete: a later date, or another goal."
    assert item["next"] not in [reason["statement"] for reason in item["reasons"]]


def test_the_days_to_the_end_of_a_phase_are_counted_from_the_day_on_which_the_coach_reads_it(fresh: Api) -> None:
    """The check is of the day before: its own count is one too many by the morning."""
    says = {2: "in 2 days.", 1: "in 1 day.", 0: "plan what follows.", -1: "was due to end 1 day ago"}
    night_of = today() - timedelta(days=1)
    for one, left in zip(enrol(fresh, [f"n{left}" for left in says]), says, strict=True):
        cut = PhaseNow("cut", 20, night_of - timedelta(days=19), today() + timedelta(days=left))
        found = check_in_body(replace(ON_PLAN, as_of=night_of, phase=cut), DEFAULT)
        fresh.insert(CheckIn, [{**night(one, 1), "date": night_of, "attention": found["attention"]}])
    told = {item["external_id"]: [reason["statement"] for reason in item["reasons"]] for item in items(fresh)}
    for left, words in says.items():
        assert any(words in statement for statement in told[f"n{left}"]), (left, told)


def test_a_review_that_asks_for_data_says_which(fresh: Api) -> None:
    (one,) = enrol(fresh, ["one"])
    asks = kept(2, code="rate.too_fast")
    asks["reasons"] += kept(1, code="data.few_weigh_ins")["reasons"]
    fresh.insert(Review, [{**review(one, 2, action="collect_data"), "attention": asks}])
    assert [item["next"] for item in items(fresh)] == ["Ask for weigh-ins on most mornings."]


def test_a_key_bound_to_one_athlete_sees_that_one_alone(fresh: Api) -> None:
    ids = enrol(fresh, ["a", "b"])
    fresh.insert(CheckIn, [night(one, 2) for one in ids])
    bound = fresh.key_of("coaching:read", athlete_id=str(ids[1]))
    assert [item["external_id"] for item in items(bound)] == ["b"]


def test_three_reasons_are_shown_by_weight_and_the_rest_is_counted(fresh: Api) -> None:
    (one,) = enrol(fresh, ["one"])
    codes = {"check_in.missed_sessions": 1, "safety.symptoms": 3, "check_in.no_food": 1, "safety.bmi_low": 2}
    said = [reason for code, severity in codes.items() for reason in kept(severity, code=code)["reasons"]]
    fresh.insert(CheckIn, [{**night(one, 3), "attention": {"days_overdue": 0, "reasons": said}}])
    (item,) = items(fresh)
    assert [reason["code"] for reason in item["reasons"]] == [
        "safety.symptoms", "safety.bmi_low", "check_in.missed_sessions",
    ]  # fmt: skip
    assert item["more"] == 1 and item["next"] == "No training: get the athlete medical help today."


def test_a_review_of_the_week_speaks_for_the_limits_that_follow_from_maintenance(fresh: Api) -> None:
    """The check of a later day would name another number: open, accepted or overtaken, one of both speaks."""
    names = ["open", "accepted", "stale", "declined", "older"]
    ids = dict(zip(names, enrol(fresh, names), strict=True))
    check = kept(2, code="limit.deficit")
    fresh.insert(CheckIn, [{**night(one, 2), "attention": check, "date": date(2026, 3, 12)} for one in ids.values()])
    asked = kept(2, code="limit.deficit") | {
        "reasons": [{**check["reasons"][0], "statement": "Eat 2110 kcal or more."}]
    }
    rows = {name: {**review(one, 2), "attention": asked} for name, one in ids.items()}
    rows["accepted"]["state"], rows["declined"]["state"] = "accepted", "declined"
    rows["stale"]["stale"] = True
    rows["older"] |= {"state": "accepted", "as_of": date(2026, 3, 5)}
    fresh.insert(Review, list(rows.values()))
    found = {item["external_id"]: [reason["statement"] for reason in item["reasons"]] for item in items(fresh)}
    own = check["reasons"][0]["statement"]
    assert found == {"open": ["Eat 2110 kcal or more."], "stale": [own], "declined": [own], "older": [own]}


def test_what_was_answered_is_not_asked_again(fresh: Api) -> None:
    """By what the latest check finds to hold; a stop stays until it is decided, unless entries overtook its review."""
    answered, left, stop, cleared = enrol(fresh, ["answered", "left", "stop", "cleared"])
    asks, stops = kept(1, code="data.few_weigh_ins"), kept(3, code="loss.ceiling")
    fresh.insert(Review, [{**review(one, 1, action="collect_data"), "attention": asks} for one in (answered, left)])
    fresh.insert(Review, [{**review(one, 3, action="stop_deficit"), "attention": stops} for one in (stop, cleared)])
    api_rows = {answered: [], left: ["data.few_weigh_ins"], stop: [], cleared: []}
    quiet = {"date": date(2026, 3, 9), "severity": 0, "attention": None}
    fresh.insert(CheckIn, [{**quiet, "athlete_id": one, "holding": holding} for one, holding in api_rows.items()])
    shown = {item["external_id"]: item["next"] for item in items(fresh)}
    assert shown.keys() == {"left", "stop", "cleared"}
    fresh.loop.run(_stale(fresh, cleared))
    shown = {item["external_id"]: (item["next"], item["action"]) for item in items(fresh)}
    assert shown["cleared"] == ("Make the review again: entries have come in since.", None)
    assert shown["stop"] == ("Return energy to maintenance today and speak to the athlete.", "stop_deficit")


async def _stale(api: Api, athlete_id: uuid.UUID) -> None:
    async with api.database.writing() as connection:
        await mark_stale(Scope(connection, api.practice_id), {(athlete_id, date(2026, 3, 1))})


def test_of_two_open_reviews_the_later_one_says_what_comes_next(fresh: Api) -> None:
    """The coach has looked at a day of the past after this week's review, which holds."""
    (one,) = enrol(fresh, ["one"])
    past = {**review(one, 1), "week": "2026-02-08", "as_of": date(2026, 2, 8)}
    fresh.insert(Review, [past, {**review(one, 1, action="hold"), "attention": kept(1, code="data.suspect_entries")}])
    (item,) = items(fresh)
    assert (item["action"], item["next"]) == ("hold", "Confirm or correct the suspect entries.")


def test_only_active_athletes_are_listed(fresh: Api) -> None:
    ids = enrol(fresh, ["a", "b"])
    fresh.insert(CheckIn, [night(one, 3) for one in ids])
    home = f"/athletes/{ids[0]}"
    for status, wanted in (("paused", ["b"]), ("ended", ["b"]), ("active", ["a", "b"])):
        assert fresh("PATCH", home, {"status": status}, headers={"if-match": "*"}).json()["status"] == status
        assert [item["external_id"] for item in items(fresh)] == wanted
        same = [row["external_id"] for row in fresh.all(f"/athletes?status={status}")]
        assert same == (["a"] if status != "active" else ["a", "b"])
    assert faults(fresh("PATCH", home, {"status": "gone"}, headers={"if-match": "*"})).keys() == {"/status"}


def test_who_stands_later_than_what_is_stored_allows_is_found_all_the_same(fresh: Api) -> None:
    """What reviews have answered leaves many behind those who seemed to come later, beyond the first look."""
    names = [f"n-{number:03d}" for number in range(200)]
    ids = enrol(fresh, names)
    answered, pressing = ids[:150], ids[150:]
    fresh.insert(CheckIn, [{**night(one, 1, 9), "attention": kept(1, 9, "limit.deficit")} for one in answered])
    fresh.insert(Review, [review(one, 1, action="hold") for one in answered])
    fresh.insert(CheckIn, [night(one, 1, 3) for one in pressing])
    wanted = [*names[150:], *names[:150]]
    for limit in (10, 60, 1000):
        assert [item["external_id"] for item in fresh.all(f"/attention?limit={limit}")] == wanted, limit
