"""A request estimates an athlete once, however many of its days and rules look at the evidence."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

import pytest

from service.application.evidence import estimates
from tests.api.conftest import Api, today
from tests.api.in_a_cut import review, stalled


@pytest.fixture
def passes(monkeypatch: pytest.MonkeyPatch) -> Iterator[list[int]]:
    """Athletes of each pass of the body's filter since the list was cleared."""
    sizes: list[int] = []
    whole = estimates.estimate

    def estimate(who: Any, log: Any, **more: Any) -> Any:
        sizes.append(log.mass_kg.shape[0])
        return whole(who, log, **more)

    monkeypatch.setattr(estimates, "estimate", estimate)
    yield sizes


@pytest.fixture(scope="module")
def man(api: Api) -> dict[str, Any]:
    man = stalled(api, "m-passes")
    squat = {"exercise": "back-squat", "load_kg": 100, "reps": 6, "rir": 2}
    body = {"date": str(today() - timedelta(days=1)), "sets": [squat]}
    assert api("POST", f"/athletes/{man['id']}/training-sessions", body).status_code == 201
    return man


def test_reading(api: Api, man: dict[str, Any], passes: list[int]) -> None:
    here = f"/athletes/{man['id']}"
    for path in ("prescriptions", f"prescriptions?on={today() + timedelta(days=3)}", "estimates", "logging-need"):
        passes.clear()
        answer = api("GET", f"{here}/{path}")
        assert (answer.status_code, passes) == (200, [1]), (path, answer.text)
    passes.clear()
    assert api("GET", f"{here}/substitutes?exercise=back-squat").status_code == 200
    assert passes == [1]


def test_a_review_and_each_decision(api: Api, man: dict[str, Any], passes: list[int]) -> None:
    for days_ago, answer in ((2, {"decision": "accepted"}), (1, {"decision": "amended"})):
        passes.clear()
        made = review(api, man, days_ago)
        assert passes == [1]
        if answer["decision"] == "amended":
            answer = {**answer, "changes": {"energy_kcal": 2200}}
        passes.clear()
        decided = api("POST", f"/reviews/{made['id']}/decision", answer)
        if decided.status_code == 422:
            codes = [fault["code"] for fault in decided.json()["errors"]]
            passes.clear()
            decided = api("POST", f"/reviews/{made['id']}/decision", {**answer, "acknowledge": codes})
        assert (decided.status_code, passes) == (201, [1]), decided.text


def test_a_planned_phase(api: Api, man: dict[str, Any], passes: list[int]) -> None:
    on = str(today() + timedelta(days=10))
    body = {"kind": "maintain", "starts_on": on, "energy_kcal": 2450}
    planned = api("POST", f"/athletes/{man['id']}/phases", body)
    assert (planned.status_code, passes) == (201, [1]), planned.text


def test_menus_of_a_past_day(api: Api, man: dict[str, Any], passes: list[int]) -> None:
    targets = {"energy_kcal": 2400, "protein_g": 170, "fat_g": 75, "carbohydrate_g": 260, "fibre_g": 30}
    body = {"from": str(today() - timedelta(days=3)), "days": 1, "targets": targets}
    made = api("POST", f"/athletes/{man['id']}/menus", body)
    assert (made.status_code, passes) == (200, [1]), made.text
