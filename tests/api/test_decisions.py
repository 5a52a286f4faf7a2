"""The coach's answers over HTTP: what takes effect, what is refused, what must be acknowledged, what is kept."""

import uuid
from datetime import datetime, timedelta
from typing import Any

import pytest

from service.jobs.clock import tick
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Decision, Target
from tests.api.conftest import Api, Call, days_ago, faults, today
from tests.api.in_a_cut import CLEAN, TARGET_KCAL, review, stalled

SHALLOW_KCAL = 2390  # inside every limit: a step of 50 kcal


@pytest.fixture
def man(api: Api) -> dict[str, Any]:
    return stalled(api, f"stalled-{uuid.uuid4().hex[:8]}", seed="stalled")


@pytest.fixture
def due(api: Api, man: dict[str, Any]) -> dict[str, Any]:
    """His review, which asks for less energy."""
    made = review(api, man)
    assert made["recommendation"]["action"] == "change_energy", made["findings"]
    energy = made["recommendation"]["energy_kcal"]
    assert energy["from"] == TARGET_KCAL > energy["to"]
    return made


def decide(api: Api, made: dict[str, Any], decision: str, headers: Any = None, **body: Any) -> Any:
    return api("POST", f"/reviews/{made['id']}/decision", {"decision": decision, **body}, headers=headers)


def amend(api: Api, made: dict[str, Any], energy_kcal: float, **body: Any) -> Any:
    return decide(api, made, "amended", changes={"energy_kcal": energy_kcal}, **body)


def codes(answer: Any) -> set[str]:
    return {fault["code"] for fault in answer.json()["errors"]}


def targets_of(api: Api, man: dict[str, Any]) -> list[dict[str, Any]]:
    return api.all(f"/athletes/{man['id']}/targets")


def test_accepting_writes_the_recommended_targets_from_the_next_day_and_who_did_it(
    api: Api, man: dict[str, Any], due: dict[str, Any]
) -> None:
    answer = decide(api, due, "accepted", note="as you say")
    assert answer.status_code == 201, answer.text
    body = answer.json()
    assert body["effective_on"] == days_ago(-1) and body["targets"] == due["recommendation"]["targets"]
    kept = targets_of(api, man)[-1]
    assert (kept["from_date"], kept["energy_kcal"]) == (days_ago(-1), due["recommendation"]["energy_kcal"]["to"])
    row = api.rows(Decision, review_id=due["id"])[0]
    assert (row["decision"], row["note"], row["key_id"]) == ("accepted", "as you say", uuid.UUID(body["key_id"]))
    assert datetime.fromisoformat(body["decided_at"]).utcoffset() == timedelta(0)
    assert api.rows(Target, review_id=due["id"])[0]["from_date"] == today() + timedelta(days=1)
    assert api("GET", f"/reviews/{due['id']}").json()["state"] == "accepted"


def test_declining_changes_nothing_but_the_reviews_state(api: Api, man: dict[str, Any], due: dict[str, Any]) -> None:
    before = targets_of(api, man)
    body = decide(api, due, "declined", note="he is on holiday").json()
    assert (body["targets"], body["phase"], body["effective_on"]) == (None, None, None)
    assert targets_of(api, man) == before
    assert api("GET", f"/reviews/{due['id']}").json()["state"] == "declined"


@pytest.mark.parametrize(
    ("energy_kcal", "code"),
    [
        (1490, "limit.energy_floor"),  # NHLBI 1998, from memory: 1500 kcal for men
        (1600, "limit.deficit"),  # a third of 2450 kcal; common practice allows a quarter
    ],
)
def test_a_hard_limit_is_refused_with_its_reason_whatever_is_acknowledged(
    api: Api, man: dict[str, Any], due: dict[str, Any], energy_kcal: float, code: str
) -> None:
    before = targets_of(api, man)
    for acknowledged in ([], [code, "limit.step", "energy.too_soon"]):
        answer = amend(api, due, energy_kcal, acknowledge=acknowledged, note="I know better")
        assert answer.status_code == 422 and code in codes(answer)
        detail = next(fault["detail"] for fault in answer.json()["errors"] if fault["code"] == code)
        assert f"{energy_kcal}" in detail and answer.json()["detail"].count("caution") == 1
    assert targets_of(api, man) == before and not api.rows(Decision, review_id=due["id"])
    assert api("GET", f"/reviews/{due['id']}").json()["state"] == "open"


def test_a_soft_limit_wants_its_code_acknowledged_and_the_audit_keeps_it(
    api: Api, man: dict[str, Any], due: dict[str, Any]
) -> None:
    deep = 2100  # 340 kcal at once; the policy's step ends at a tenth, 244 kcal
    assert faults(amend(api, due, deep)) == {"/acknowledge": "limit.step"}
    assert faults(amend(api, due, deep, acknowledge=["energy.too_soon"])) == {"/acknowledge": "limit.step"}
    answer = amend(api, due, deep, acknowledge=["limit.step"], note="a wedding in May")
    assert answer.status_code == 201, answer.text
    row = api.rows(Decision, review_id=due["id"])[0]
    assert (row["acknowledge"], row["note"], row["changes"]) == (
        ["limit.step"],
        "a wedding in May",
        {"energy_kcal": deep},
    )
    assert row["key_id"] is not None and row["decided_at"] is not None
    assert targets_of(api, man)[-1]["energy_kcal"] == deep
    targets = answer.json()["targets"]  # general Atwater factors 4, 4, 9 kcal/g
    atwater = 4 * targets["protein_g"] + 4 * targets["carbohydrate_g"] + 9 * targets["fat_g"]
    assert atwater == pytest.approx(deep, rel=0.01)


def test_a_referral_forbids_a_deeper_deficit_and_lets_maintenance_pass(api: Api, man: dict[str, Any]) -> None:
    path = f"/athletes/{man['id']}/screening"
    answers = {**api("GET", path).json(), "eating_disorder_history": True}
    known = {name: answers[name] for name in answers if name.endswith(("history", "disease", "medication", "feeding"))}
    version = api("GET", path).headers.get("etag")
    put = api("PUT", path, known, headers={"if-match": version} if version else None)
    assert put.status_code < 300, put.text
    made = review(api, man)
    assert made["recommendation"]["action"] == "refer"
    assert "safety.eating_disorder" in codes(amend(api, made, SHALLOW_KCAL))
    out = {"phase": {"to": "maintain", "on": str(today())}, "energy_kcal": 2450}
    answer = decide(api, made, "amended", changes=out)
    assert answer.status_code == 201, answer.text
    assert answer.json()["phase"]["to"] == "maintain"


@pytest.mark.parametrize("since", ["screening", "symptom"])
def test_what_closed_the_gate_since_the_review_forbids_to_accept_a_deeper_deficit(
    api: Api, man: dict[str, Any], due: dict[str, Any], since: str
) -> None:
    here = f"/athletes/{man['id']}"
    before = targets_of(api, man)
    if since == "screening":  # answers hold for the day of the review too: it is stale
        put = api("PUT", f"{here}/screening", {**CLEAN, "eating_disorder_history": True})
        assert put.status_code < 300, put.text
        assert decide(api, due, "accepted").status_code == 409
    else:
        put = api("POST", f"{here}/wellbeing", {"date": str(today()), "symptoms": ["chest_pain"]})
        code = "safety.symptoms"
        assert put.status_code < 300, put.text
        assert faults(decide(api, due, "accepted", acknowledge=[code])) == {"/decision": code}
    assert targets_of(api, man) == before
    assert api("GET", f"/reviews/{due['id']}").json()["state"] == "open"
    assert decide(api, due, "declined").status_code == 201


def test_the_version_guards_a_decision_and_only_one_of_two_at_once_counts(api: Api, due: dict[str, Any]) -> None:
    old = decide(api, due, "accepted", headers={"if-match": '"r0"'})
    assert old.status_code == 412
    call = Call("POST", f"/reviews/{due['id']}/decision", {"decision": "accepted"}, headers={"if-match": due["etag"]})
    statuses = sorted(answer.status_code for answer in api.together([call, call]))
    assert statuses[0] == 201 and statuses[1] in (409, 412)
    assert len(api.rows(Decision, review_id=due["id"])) == 1
    assert decide(api, due, "declined").status_code == 409


def test_next_weeks_review_lapses_an_open_one(api: Api, man: dict[str, Any]) -> None:
    earlier, later = review(api, man, 8), review(api, man, 1)
    shown = [api("GET", f"/reviews/{made['id']}").json()["state"] for made in (earlier, later)]
    assert shown == ["lapsed", "open"]
    assert decide(api, earlier, "accepted").status_code == 409


def test_a_week_without_an_answer_lapses_by_the_clock(api: Api, due: dict[str, Any]) -> None:
    made_at = datetime.fromisoformat(due["made_at"])
    api.loop.run(_next_review_at(api, due["athlete_id"], made_at + timedelta(days=30)))
    for days, state in ((6.9, "open"), (7.1, "lapsed")):
        api.loop.run(tick(api.database, made_at + timedelta(days=days)))
        assert api("GET", f"/reviews/{due['id']}").json()["state"] == state


async def _next_review_at(api: Api, athlete_id: str, at: datetime) -> None:
    """So that no next week's review lapses the one before."""
    async with api.database.writing() as connection:
        scope = Scope(connection, api.practice_id)
        change = scope.update(Athlete).where(table_of(Athlete).c.id == uuid.UUID(athlete_id))
        await scope.run(change.values(next_review_at=at))


def test_what_a_decision_must_say(api: Api, due: dict[str, Any]) -> None:
    assert decide(api, due, "amended").status_code == 422
    assert decide(api, due, "accepted", changes={"energy_kcal": 2300}).status_code == 422
    assert faults(decide(api, due, "maybe")).keys() == {"/decision"}
    assert faults(decide(api, due, "amended", changes={"energy_kcal": 20, "colour": 1})).keys() == {
        "/changes/energy_kcal",
        "/changes/colour",
    }
    assert decide(api.stranger(), due, "accepted").status_code == 404
    assert decide(api.key_of("coaching:read"), due, "accepted").status_code == 403
    assert api("GET", f"/reviews/{due['id']}").json()["state"] == "open"


def test_a_dry_run_decides_nothing(api: Api, man: dict[str, Any], due: dict[str, Any]) -> None:
    before = targets_of(api, man)
    path = f"/reviews/{due['id']}/decision?dry_run=true"
    answer = api("POST", path, {"decision": "accepted"})
    assert answer.status_code == 201 and answer.json()["targets"] == due["recommendation"]["targets"]
    assert targets_of(api, man) == before
    assert api("GET", f"/reviews/{due['id']}").json()["state"] == "open"


def test_a_decision_on_a_review_of_the_past_takes_effect_tomorrow(api: Api) -> None:
    """What was eaten since is judged by the targets of that time, not by what is decided now."""
    man = stalled(api, f"past-{uuid.uuid4().hex[:8]}", seed="past")
    before = targets_of(api, man)
    made = review(api, man, 5)
    assert made["recommendation"]["action"] == "change_energy", made["findings"]
    body = decide(api, made, "accepted").json()
    assert body["effective_on"] == days_ago(-1)
    assert [row for row in targets_of(api, man) if row["from_date"] <= str(today())] == before
