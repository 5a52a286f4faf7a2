"""Strain and a late period over HTTP: nothing starts or deepens a deficit beside them, however the coach gets there."""

import json
import uuid
from typing import Any

import pytest

from tests.api.conftest import Api, days_ago, today
from tests.api.in_a_cut import CLEAN, review, stalled

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


@pytest.mark.parametrize("noted", [STRAINED, LATE, {"sleep_h": 7.5, "hunger": 3, "fatigue": 2}])
def test_the_first_targets_of_a_cut_wait_for_strain_and_a_late_period_to_pass(api: Api, noted: dict[str, Any]) -> None:
    athlete = api.athlete(sex="female", birth_date="1995-04-01", height_cm=168, activity_factor=1.6, time_zone="UTC")
    home = f"/athletes/{athlete['id']}"
    assert api("PUT", f"{home}/screening", CLEAN).status_code == 200
    assert api("POST", f"{home}/weigh-ins", {"date": str(today()), "mass_kg": 66.0}).status_code == 201
    cut = {"kind": "cut", "starts_on": str(today()), "planned_end_on": days_ago(-34)}
    asked = [fault["code"] for fault in api("POST", f"{home}/phases", cut).json()["errors"]]
    assert api("POST", f"{home}/phases", {**cut, "acknowledge": asked}).status_code == 201
    _note(api, athlete, noted)
    advised = review(api, athlete, days_ago=0)["recommendation"]
    if noted in (STRAINED, LATE):
        code = "wellbeing.strain" if noted is STRAINED else "safety.period_late"
        assert (advised["action"], advised["because"]) == ("hold", [code]), advised
        assert advised["energy_kcal"]["to"] is None and advised["targets"] is None
    else:
        assert advised["action"] == "change_energy" and advised["energy_kcal"]["to"] < 2100.0


def test_a_rest_from_cutting_goes_on_under_strain(api: Api) -> None:
    """A man of 110 kg and 32 % fat whose four weeks at maintenance are over: he goes on to a cut when he has slept."""
    name = f"rested-{uuid.uuid4().hex[:8]}"
    athlete = api.athlete(
        external_id=name, sex="male", birth_date="1990-04-01", height_cm=180, activity_factor=1.5, time_zone="UTC"
    )
    assert api("PUT", f"/athletes/{athlete['id']}/screening", CLEAN).status_code == 200
    goal = {"goal": {"body_fat_pct": 18}}
    assert api("PATCH", f"/athletes/{athlete['id']}", goal, headers={"if-match": "*"}).status_code == 200
    lines: list[dict[str, Any]] = [
        {"type": "phase", "kind": "maintain", "starts_on": days_ago(41), "planned_end_on": days_ago(0),
         "energy_kcal": 2900},
        {"type": "measurement", "date": days_ago(40), "method": "skinfold", "body_fat_pct": 32.0},
        {"type": "measurement", "date": days_ago(3), "method": "skinfold", "body_fat_pct": 32.0},
    ]  # fmt: skip
    for day in range(42):
        lines.append({"type": "weigh_in", "date": days_ago(day), "mass_kg": 110.0 + (0.2, -0.2, 0.0)[day % 3]})
        lines.append({"type": "meal", "date": days_ago(day), "energy_kcal": 2900, "protein_g": 180})
        lines.append({"type": "food_day", "date": days_ago(day), "state": "complete"})
    done = api.load("\n".join(json.dumps({**line, "athlete": name}) for line in lines))
    assert (done["state"], done["faults"]) == ("done", []), done

    def advised() -> dict[str, Any]:
        made = api("POST", f"/athletes/{athlete['id']}/reviews?dry_run=true", {"as_of": days_ago(0)})
        return {**made.json()["recommendation"], "found": {f["code"]: f for f in made.json()["findings"]}}

    rested = advised()
    assert (rested["action"], rested["phase"]["to"]) == ("switch_phase", "cut"), rested
    _note(api, athlete, STRAINED)
    strained = advised()
    assert (strained["action"], strained["because"], strained["phase"]) == ("hold", ["wellbeing.strain"], None)
    assert strained["energy_kcal"]["to"] == 2900.0
    assert "The athlete is under strain" in strained["found"]["wellbeing.strain"]["statement"]
