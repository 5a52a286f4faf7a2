"""Late entries mark a review stale, and the next review says what they moved."""

import uuid
from datetime import timedelta
from typing import Any

import pytest

from tests.api.conftest import Api, days_ago, today
from tests.api.in_a_cut import review, stalled


@pytest.fixture
def man(api: Api) -> dict[str, Any]:
    return stalled(api, f"late-{uuid.uuid4().hex[:8]}", seed="late")


def test_nothing_late_nothing_changed(api: Api, man: dict[str, Any]) -> None:
    first = review(api, man, 8)
    second = review(api, man, 1)
    assert first["changed_since"] is None and second["changed_since"] is None
    assert not api("GET", f"/reviews/{first['id']}").json()["stale"]


def test_late_weigh_ins_are_told_with_the_quantities_they_moved(api: Api, man: dict[str, Any]) -> None:
    first = review(api, man, 8)
    ids = {entry["date"]: entry for entry in api.all(f"/athletes/{man['id']}/weigh-ins")}
    for back in range(9, 16):  # the week before the first review weighs a kilogram more than he had said
        entry = ids[days_ago(back)]
        path = f"/athletes/{man['id']}/weigh-ins/{entry['id']}"
        changed = {"mass_kg": round(entry["mass_kg"] + 1.0, 1)}
        headers = {"if-match": f'"r{entry["revision"]}"'}
        assert api("PATCH", path, changed, headers=headers).status_code == 200
    assert api("GET", f"/reviews/{first['id']}").json()["stale"]
    told = review(api, man, 1)["changed_since"]
    assert told["as_of"] == first["as_of"] == str(today() - timedelta(days=8))
    mass = told["quantities"]["average_mass_kg"]
    assert mass["was"] == first["estimates"]["average_mass_kg"]["mean"] and 0.2 < mass["by"] <= 1.0
    assert mass["is"] == pytest.approx(mass["was"] + mass["by"], abs=0.011)
    assert told["quantities"]["maintenance_kcal"]["by"] < 0  # more mass on the same food: he needs less
    fresh = api("POST", f"/athletes/{man['id']}/reviews?dry_run=true", {"as_of": first["as_of"]}).json()
    assert fresh["estimates"]["average_mass_kg"]["mean"] == pytest.approx(mass["is"], abs=0.011)


def test_what_happened_after_the_earlier_review_is_no_late_entry(api: Api, man: dict[str, Any]) -> None:
    review(api, man, 8)
    body = {"date": days_ago(3), "mass_kg": 92.0}
    assert api("POST", f"/athletes/{man['id']}/weigh-ins", body).status_code in (200, 201)
    assert review(api, man, 1)["changed_since"] is None
