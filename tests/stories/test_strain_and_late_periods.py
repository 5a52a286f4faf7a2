"""Strain and a late period over HTTP: nothing starts or deepens a deficit beside them, however the coach gets there."""

import uuid
from typing import Any

import pytest

from tests.api.conftest import Api, today
from tests.api.in_a_cut import review, stalled

STRAINED = {"sleep_h": 4.5, "hunger": 5, "fatigue": 5}
LATE = {"months_without_menstruation": 1.6}


def _note(api: Api, athlete: dict[str, Any], said: dict[str, Any]) -> None:
    noted = api("POST", f"/athletes/{athlete['id']}/wellbeing", {"date": str(today()), **said})
    assert noted.status_code == 201, noted.text


@pytest.mark.parametrize(
    ("sex", "noted", "asked"),
    [
        ("male", STRAINED, ["wellbeing.strain"]),
        ("female", {**STRAINED, **LATE}, ["safety.period_late", "wellbeing.strain"]),
        ("female", LATE, ["safety.period_late"]),
        ("female", {"sleep_h": 7.5, "hunger": 3, "fatigue": 2, "months_without_menstruation": 0.5}, []),
    ],
)
def test_accepting_yesterdays_review_heeds_what_was_noted_today(
    api: Api, sex: str, noted: dict[str, Any], asked: list[str]
) -> None:
    athlete = stalled(api, f"stalled-{uuid.uuid4().hex[:8]}", seed="stalled", sex=sex)
    made = review(api, athlete)
    energy = made["recommendation"]["energy_kcal"]
    assert energy["to"] < energy["from"], made["recommendation"]
    _note(api, athlete, noted)
    path, said = f"/reviews/{made['id']}/decision", {"decision": "accepted"}
    assert api("GET", f"/reviews/{made['id']}").json()["stale"] is False
    for known in range(len(asked)):
        refused = api("POST", path, {**said, "acknowledge": asked[:known]})
        assert refused.status_code == 422, refused.text
        faults = [(fault["pointer"], fault["code"]) for fault in refused.json()["errors"]]
        assert faults == [("/acknowledge", code) for code in asked[known:]]
    taken = api("POST", path, {**said, "acknowledge": asked})
    assert taken.status_code == 201, taken.text
