"""A review that entries have overtaken is made anew before it is decided, and of the phase that is in force."""

import uuid
from datetime import timedelta
from typing import Any

import pytest

from service.store.tables import Review
from tests.api.conftest import Api, Call, days_ago, faults, today
from tests.api.in_a_cut import review, stalled
from tests.api.test_decisions import decide, targets_of
from tests.api.test_safety import SOFT


@pytest.fixture
def man(api: Api) -> dict[str, Any]:
    return stalled(api, f"stale-{uuid.uuid4().hex[:8]}", seed="stale")


@pytest.fixture
def due(api: Api, man: dict[str, Any]) -> dict[str, Any]:
    return review(api, man)


def enter_late(api: Api, man: dict[str, Any], kg: float = 3.0) -> None:
    """Three weigh-ins of the last days that were entered only now."""
    late = [{"date": days_ago(back), "mass_kg": 86.0 + kg, "at": f"{days_ago(back)}T04:00:00Z"} for back in (3, 2, 1)]
    assert api("POST", f"/athletes/{man['id']}/weigh-ins", late).status_code in (200, 201)


def test_a_stale_review_can_only_be_declined(api: Api, man: dict[str, Any], due: dict[str, Any]) -> None:
    before = targets_of(api, man)
    enter_late(api, man)
    for said in ({"decision": "accepted"}, {"decision": "amended", "changes": {"energy_kcal": 2390}}):
        answer = api("POST", f"/reviews/{due['id']}/decision", said)
        assert answer.status_code == 409 and "make a new review" in answer.json()["detail"]
    assert targets_of(api, man) == before
    assert decide(api, due, "declined").status_code == 201


def test_made_again_it_is_the_same_review_with_what_has_changed(
    api: Api, man: dict[str, Any], due: dict[str, Any]
) -> None:
    path, body = f"/athletes/{man['id']}/reviews", {"as_of": due["as_of"]}
    enter_late(api, man)
    tried = api("POST", f"{path}?dry_run=true", body).json()
    answer = api("POST", path, body)
    made = answer.json()
    assert (answer.status_code, made["id"], made["stale"], made["state"]) == (200, due["id"], False, "open")
    assert answer.headers["etag"] != due["etag"]
    assert made["inputs_digest"] == tried["inputs_digest"] != due["inputs_digest"]
    moved = made["changed_since"]
    mass = moved["quantities"]["average_mass_kg"]
    assert moved["as_of"] == due["as_of"] and tried["changed_since"] == moved
    assert mass["was"] == due["estimates"]["average_mass_kg"]["mean"] and mass["by"] > 0.1
    assert mass["is"] == pytest.approx(made["estimates"]["average_mass_kg"]["mean"], abs=0.011)
    assert api("GET", f"/reviews/{due['id']}").json() == made
    again = api("POST", path, body)  # nothing came since: it is kept
    assert (again.status_code, again.json()) == (200, made)
    assert len(api.all(path)) == 1
    assert decide(api, made, "accepted", headers={"if-match": due["etag"]}).status_code == 412
    assert decide(api, made, "accepted", headers={"if-match": answer.headers["etag"]}).status_code == 201


def test_a_decided_review_is_not_made_again(api: Api, man: dict[str, Any], due: dict[str, Any]) -> None:
    assert decide(api, due, "declined").status_code == 201
    enter_late(api, man)
    kept = api("POST", f"/athletes/{man['id']}/reviews", {"as_of": due["as_of"]}).json()
    assert (kept["state"], kept["stale"], kept["inputs_digest"]) == ("declined", True, due["inputs_digest"])


def test_two_who_make_it_again_at_once_get_the_same(api: Api, man: dict[str, Any], due: dict[str, Any]) -> None:
    enter_late(api, man)
    call = Call("POST", f"/athletes/{man['id']}/reviews", {"as_of": due["as_of"]})
    first, second = api.together([call, call])
    assert first.status_code == second.status_code == 200 and first.json() == second.json()
    assert first.headers["etag"] == second.headers["etag"]


def test_a_decision_is_for_the_phase_that_was_reviewed(api: Api, man: dict[str, Any], due: dict[str, Any]) -> None:
    """Since the review the coach has planned maintenance from today: the cut's next step is of the past."""
    phase = {"kind": "maintain", "starts_on": str(today()), "energy_kcal": 2450}
    assert api("POST", f"/athletes/{man['id']}/phases", phase).status_code == 201
    for said in ({"decision": "accepted"}, {"decision": "amended", "changes": {"energy_kcal": 2390}}):
        answer = api("POST", f"/reviews/{due['id']}/decision", said)
        assert answer.status_code == 409 and "but maintenance from" in answer.json()["detail"], answer.text
    assert decide(api, due, "declined").status_code == 201


def test_an_amended_phase_gets_the_energy_it_needs_and_begins_in_time(
    api: Api, man: dict[str, Any], due: dict[str, Any]
) -> None:
    def amend(**phase: str) -> Any:
        return api("POST", f"/reviews/{due['id']}/decision", {"decision": "amended", "changes": {"phase": phase}})

    place = "/changes/phase/on"
    for ago in (1, -61):  # of the past; later than in sixty days
        assert faults(amend(to="maintain", on=days_ago(ago))).keys() == {place}
    assert faults(amend(to="build", on=str(today()))).keys() == {place}, "the day is under way; only stops act at once"
    backwards = amend(to="maintain", on=days_ago(-1), planned_end_on=days_ago(3))
    assert faults(backwards) == {"/changes/phase/planned_end_on": "ends_before_start"}
    for empty in ({}, {"phase": None}):
        answer = api("POST", f"/reviews/{due['id']}/decision", {"decision": "amended", "changes": empty})
        assert faults(answer) == {"/changes": "nothing_changed"}
    answer = amend(to="maintain", on=days_ago(-1))
    assert answer.status_code == 201, answer.text
    maintenance = due["estimates"]["maintenance_kcal"]["mean"]
    energy = answer.json()["targets"]["energy_kcal"]
    assert energy == pytest.approx(maintenance, abs=30) and energy > due["recommendation"]["energy_kcal"]["to"] + 50
    latest = api.all(f"/athletes/{man['id']}/phases")[-1]
    assert (latest["kind"], latest["energy_kcal"]) == ("maintain", energy)


def test_a_surplus_in_an_amendment_is_acknowledged(api: Api, due: dict[str, Any]) -> None:
    far = {"energy_kcal": 4000, "phase": {"to": "maintain", "on": days_ago(-1)}}
    answer = decide(api, due, "amended", changes=far)
    assert faults(answer) == {"/acknowledge": "limit.surplus"}
    assert decide(api, due, "amended", changes=far, acknowledge=["limit.surplus"]).status_code == 201


def test_the_decision_can_be_read(api: Api, man: dict[str, Any], due: dict[str, Any]) -> None:
    path = f"/reviews/{due['id']}/decision"
    assert api("GET", path).status_code == 404
    said = decide(api, due, "accepted", note="as you say", acknowledge=["limit.step"]).json()
    assert api("GET", path).json() == said
    assert said["acknowledge"] == ["limit.step"] and said["effective_on"] == days_ago(-1) and said["key_id"]
    assert api.stranger()("GET", path).status_code == 404


def returned(api: Api, ago: int) -> tuple[dict[str, Any], dict[str, Any], dict[str, Any]]:
    """A man whose cut ended so many days ago, with a policy of two steps; his review of that day, and its decision."""
    man = stalled(api, f"steps-{uuid.uuid4().hex[:8]}", seed="steps", days=61, ends_days_ago=ago)
    here = f"/athletes/{man['id']}"
    policy = {"athlete_id": man["id"], "changes": {"maintain_return_steps": 2}}
    assert api("POST", "/policies", policy).status_code == 201
    cut = api.all(f"{here}/phases")[-1]
    low = {"from_date": days_ago(ago), "energy_kcal": 2200, "acknowledge": SOFT}
    assert api("POST", f"{here}/targets", low).status_code == 201
    over = api("PATCH", f"{here}/phases/{cut['id']}", {"planned_end_on": days_ago(ago)}, headers={"if-match": '"r1"'})
    assert over.status_code == 200, over.text
    made = review(api, man, ago)
    asked = made["recommendation"]
    assert (asked["action"], asked["phase"]["to"]) == ("switch_phase", "maintain"), asked
    answer = decide(api, made, "accepted")
    assert answer.status_code == 201, answer.text
    return man, made, answer.json()


def test_a_return_in_two_steps_reaches_maintenance_a_week_later(api: Api) -> None:
    man, made, said = returned(api, 1)
    half, full = said["targets"]["energy_kcal"], said["next_targets"]["energy_kcal"]
    assert full == pytest.approx(made["estimates"]["maintenance_kcal"]["mean"], abs=30)
    assert half == pytest.approx((2200 + full) / 2, abs=15)
    week_later = str(today() + timedelta(days=8))
    assert said["next_targets"]["from_date"] == week_later
    assert [(t["from_date"], t["energy_kcal"]) for t in targets_of(api, man)[-2:]] == [
        (said["effective_on"], half),
        (week_later, full),
    ]
    stored = targets_of(api, man)[-1]
    assert stored["protein_g"] == said["next_targets"]["protein_g"] > 0
    assert api("GET", f"/reviews/{made['id']}/decision").json()["next_targets"] == said["next_targets"]


def test_to_go_on_in_between_leaves_the_second_step_and_another_plan_replaces_it(api: Api) -> None:
    practice = api.for_tests()
    practice.move_clock(8)
    man, _, said = returned(practice, 9)  # decided eight days ago: half from the day after, the second step from today
    full = said["next_targets"]
    assert (said["effective_on"], full["from_date"]) == (days_ago(7), days_ago(0))
    for ago in (4, 1):  # long before the second step, and so that it begins with the decision's first day
        practice.move_clock(ago)
        between = review(practice, man, ago + 1)
        energy = between["recommendation"]["energy_kcal"]
        assert energy["from"] == energy["to"] == said["targets"]["energy_kcal"], between["recommendation"]
        assert decide(practice, between, "accepted").status_code == 201
        assert [t["energy_kcal"] for t in targets_of(practice, man)][-1] == full["energy_kcal"]
    practice.move_clock(1, hour=13)
    later = review(practice, man, 1)
    other = {"energy_kcal": 2460, "phase": {"to": "maintain", "on": days_ago(0)}}
    answer = decide(practice, later, "amended", changes=other, acknowledge=SOFT)
    assert answer.status_code == 201, answer.text
    assert targets_of(practice, man)[-1]["energy_kcal"] == 2460


def test_a_year_before_the_calendar_is_no_day_of_training(api: Api, man: dict[str, Any]) -> None:
    assert faults(api("GET", f"/athletes/{man['id']}/prescriptions?on=0001-01-01")).keys() == {"on"}
    assert api("GET", f"/athletes/{man['id']}/prescriptions?on=1900-01-01").status_code == 200
    assert faults(api("GET", f"/athletes/{man['id']}/volume?to=0001-01-01")).keys() == {"to"}


def test_targets_that_do_not_add_up_are_acknowledged(api: Api, man: dict[str, Any]) -> None:
    """General Atwater factors, 4, 4 and 9 kcal/g: 160·4 + 250·4 + 80·9 = 2360 kcal; 400·4 + 100·4 + 40·9 = 2360."""
    path, day = f"/athletes/{man['id']}/targets?dry_run=true", str(today() + timedelta(days=1))
    whole = {"from_date": day, "energy_kcal": 2350, "protein_g": 160, "carbohydrate_g": 250, "fat_g": 80}
    assert api("POST", path, whole).status_code == 201
    assert faults(api("POST", path, {**whole, "fat_g": 20})) == {"/acknowledge": "targets.sum"}
    lean = {**whole, "protein_g": 400, "carbohydrate_g": 100, "fat_g": 40}
    assert faults(api("POST", path, lean)) == {"/acknowledge": "targets.protein"}
    assert api("POST", path, {**lean, "acknowledge": ["targets.protein"]}).status_code == 201
    little = {"from_date": day, "energy_kcal": 2350, "protein_g": 50}
    assert faults(api("POST", path, little)) == {"/acknowledge": "targets.protein"}


def test_energy_that_is_not_the_phases_is_acknowledged_and_imports_are_never_refused_for_it(api: Api) -> None:
    man = stalled(api, f"sense-{uuid.uuid4().hex[:8]}", seed="sense")
    path = f"/athletes/{man['id']}/phases?dry_run=true"
    answers = {
        (kind, kcal): api("POST", path, {"kind": kind, "starts_on": str(today()), "energy_kcal": kcal})
        for kind, kcal in (("maintain", 3200), ("build", 3600), ("build", 2100), ("cut", 2900))
    }
    found = {asked: {fault["code"] for fault in answer.json()["errors"]} for asked, answer in answers.items()}
    assert "limit.surplus" in found["maintain", 3200] & found["build", 3600]
    assert "phase.energy_disagrees" in found["build", 2100] & found["cut", 2900]
    line = f'{{"type": "phase", "athlete": "{man["external_id"]}", "kind": "maintain", "starts_on": "{today()}", '
    assert api.load(line + '"energy_kcal": 5000}')["faults"] == []


def test_history_is_not_asked_about(api: Api, man: dict[str, Any]) -> None:
    old = {"from_date": days_ago(30), "energy_kcal": 2350, "protein_g": 20}  # a phase has replaced it since
    assert api("POST", f"/athletes/{man['id']}/targets", old).status_code == 201


def test_a_review_scored_before_intervals_were_kept_still_counts(fresh: Api) -> None:
    athlete = fresh.athlete()
    item = {"predicted": {"mean": 80, "lo": 79, "hi": 81}, "found": 80, "z": 0.0, "inside": True}
    row = {
        "id": uuid.uuid4(), "athlete_id": uuid.UUID(athlete["id"]), "week": "w", "as_of": today(), "action": "hold",
        "severity": 0, "document": {}, "inputs_digest": "", "state": "lapsed",
        "score": {"made_as_of": days_ago(7), "phase": "cut", "quantities": {"average_mass_kg": item}},
    }  # fmt: skip
    fresh.insert(Review, [row])
    said = fresh("GET", "/calibration").json()["overall"]["average_mass_kg"]
    assert (said["scored"], said["mean_width"]) == (1, None)
