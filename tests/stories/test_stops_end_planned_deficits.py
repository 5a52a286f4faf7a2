"""What stops a deficit ends those that were planned for later too, and says which."""

import uuid
from datetime import timedelta
from typing import Any

import pytest

from tests.api.conftest import Api, days_ago, today
from tests.api.in_a_cut import review, stalled


def ahead(days: int) -> str:
    return str(today() + timedelta(days=days))


@pytest.fixture
def man(api: Api) -> dict[str, Any]:
    return stalled(api, f"stops-{uuid.uuid4().hex[:8]}", seed="stops")


def test_chest_pain_ends_the_cut_and_the_targets_and_cuts_to_come(api: Api, man: dict[str, Any]) -> None:
    home = f"/athletes/{man['id']}"
    now = api.all(f"{home}/phases")[-1]["energy_kcal"]
    planned = {"from_date": ahead(5), "energy_kcal": now - 60}
    assert api("POST", f"{home}/targets", {**planned, "acknowledge": ["energy.change_too_soon"]}).status_code == 201
    assert api("POST", f"{home}/wellbeing", {"date": days_ago(0), "symptoms": ["chest_pain"]}).status_code == 201
    made = api("POST", f"{home}/reviews", {}).json()
    assert (made["as_of"], made["recommendation"]["action"]) == (days_ago(0), "refer")
    decided = api("POST", f"/reviews/{made['id']}/decision", {"decision": "accepted"})
    assert decided.status_code == 201, decided.text
    answer = decided.json()
    assert answer["effective_on"] == days_ago(0)
    assert answer["taken_back"] == [{"what": "targets", "from_date": ahead(5), "energy_kcal": now - 60}]
    targets = api.all(f"{home}/targets")
    assert [row["from_date"] for row in targets] == [days_ago(0)] and targets[0]["energy_kcal"] > now
    assert api.all(f"{home}/phases")[-1]["kind"] == "maintain"
    assert api("GET", f"/reviews/{made['id']}/decision").json()["taken_back"] == answer["taken_back"]


def test_what_stays_as_it_is_takes_nothing_back(api: Api, man: dict[str, Any]) -> None:
    made = review(api, man)
    answer = api("POST", f"/reviews/{made['id']}/decision", {"decision": "accepted"}).json()
    assert answer["taken_back"] == []
