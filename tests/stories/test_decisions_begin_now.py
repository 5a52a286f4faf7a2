"""What is decided holds from the next day on, whatever day was reviewed; what stops something holds at once."""

from datetime import datetime, timedelta
from typing import Any

from service.jobs.clock import tick
from service.store.types import now
from tests.api.conftest import Api, days_ago, faults, today
from tests.api.in_a_cut import CLEAN, review, stalled


def decide(api: Api, made: dict[str, Any], **said: Any) -> dict[str, Any]:
    answer = api("POST", f"/reviews/{made['id']}/decision", {"decision": "accepted", **said})
    assert answer.status_code == 201, answer.text
    return answer.json()


def targets(api: Api, man: dict[str, Any]) -> list[tuple[str, float]]:
    return [(row["from_date"], row["energy_kcal"]) for row in api.all(f"/athletes/{man['id']}/targets")]


def test_the_review_of_a_past_week_is_read_as_it_was_and_accepted_from_tomorrow(api: Api) -> None:
    man = stalled(api, "late-answer")
    before = targets(api, man)
    adherence = f"/athletes/{man['id']}/adherence?from={days_ago(10)}&to={days_ago(1)}"
    judged = api("GET", adherence).json()
    made = review(api, man, days_ago=8)
    assert made["as_of"] == days_ago(8) and made["recommendation"]["action"] == "change_energy"
    said = decide(api, made)
    assert said["effective_on"] == days_ago(-1)
    assert targets(api, man) == [*before, (days_ago(-1), made["recommendation"]["energy_kcal"]["to"])]
    assert api("GET", adherence).json() == judged, "what was eaten is not judged by what is decided now"


def test_what_stops_a_deficit_holds_today(api: Api) -> None:
    man = stalled(api, "chest")
    here = f"/athletes/{man['id']}"
    note = {"date": str(today()), "symptoms": ["chest_pain"]}
    assert api("POST", f"{here}/wellbeing", note).status_code == 201
    made = review(api, man, days_ago=0)
    assert (made["recommendation"]["action"], made["recommendation"]["phase"]["to"]) == ("refer", "maintain")
    said = decide(api, made)
    assert said["effective_on"] == said["phase"]["on"] == str(today())
    phase = api.all(f"{here}/phases")[-1]
    assert (phase["kind"], phase["starts_on"]) == ("maintain", str(today()))
    assert targets(api, man)[-1] == (str(today()), made["recommendation"]["energy_kcal"]["to"])


def test_a_phase_begins_later_when_asked_and_keeps_its_length(api: Api) -> None:
    man = stalled(api, "later")
    made = review(api, man)
    asked = {"to": "maintain", "on": days_ago(-20), "planned_end_on": days_ago(-48)}
    said = decide(api, made, decision="amended", changes={"phase": asked})
    assert (said["effective_on"], said["phase"]) == (days_ago(-20), asked)


def test_a_real_practice_has_the_real_time_and_a_test_practice_a_clock_that_goes_forward(api: Api) -> None:
    moved = api("POST", "/sandbox/clock", {"now": "2026-03-02T06:00:00Z"})
    assert moved.status_code == 403 and "real time" in moved.json()["detail"]
    assert api("GET", "/practice").json()["test"] is False
    practice = api.for_tests()
    assert practice("GET", "/practice").json()["test"] is True
    practice.move_clock(days_ago=400)
    assert practice("GET", "/practice").json()["clock_at"] is not None
    back = practice("POST", "/sandbox/clock", {"now": f"{days_ago(401)}T06:00:00Z"})
    assert back.status_code == 409 and "forward" in back.json()["detail"]
    assert practice.key_of("coaching:write")("POST", "/sandbox/clock", {"now": str(now())}).status_code == 403
    home = f"/athletes/{practice.athlete(time_zone='UTC')['id']}"
    early = practice("POST", f"{home}/weigh-ins", {"date": days_ago(399), "mass_kg": 64})
    assert faults(early) == {"/date": "in_the_future"}
    assert practice("POST", f"{home}/weigh-ins", {"date": days_ago(400), "mass_kg": 64}).status_code == 201
    assert faults(practice("POST", f"{home}/reviews", {"as_of": days_ago(399)})) == {"/as_of": "in_the_future"}
    stored = practice("GET", home).json()
    assert stored["created_at"].startswith(days_ago(400)), "also what is written of an athlete is dated by it"


def test_weeks_pass_in_a_test_practice_and_every_decision_is_dated_by_its_clock(api: Api) -> None:
    practice = api.for_tests()
    practice.move_clock(days_ago=300, hour=5)
    man = stalled(practice, "a-year-ago", ends_days_ago=301)
    here = f"/athletes/{man['id']}"
    weeks = []
    for week in range(3):
        practice.move_clock(days_ago=300 - 7 * week, hour=6)
        api.loop.run(tick(api.database, now()))  # of the real time: this practice's weeks are its own
        weighed = {"date": days_ago(300 - 7 * week), "mass_kg": 86.0}
        assert practice("POST", f"{here}/weigh-ins", weighed).status_code == 201
        open_reviews = [made for made in practice.all(f"{here}/reviews") if made["state"] == "open"]
        for made in open_reviews:
            said = decide(practice, made)
            weeks.append((made, said))
    assert len(weeks) >= 2, "the first week's review and those that the clock has passed"
    for made, said in weeks:
        decided = datetime.fromisoformat(said["decided_at"]).date()
        assert decided > datetime.fromisoformat(made["as_of"]).date() and str(decided) < days_ago(280)
        assert said["effective_on"] == str(decided + timedelta(days=1))
    assert practice("PUT", f"{here}/screening", CLEAN).json()["answered_at"][:10] == days_ago(300 - 14)
