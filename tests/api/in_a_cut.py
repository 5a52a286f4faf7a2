"""An invented man in a cut that stalls: six weeks of weigh-ins and whole food days, and his reviews."""

import json
import random
from datetime import timedelta
from typing import Any

from tests.api.conftest import Api, today

DAYS = 42
MAINTENANCE_KCAL, TARGET_KCAL, KCAL_PER_KG = 2450.0, 2440.0, 7700.0
CLEAN = {
    "pregnant_or_breastfeeding": False,
    "eating_disorder_history": False,
    "kidney_disease": False,
    "heart_or_metabolic_disease": False,
    "glucose_lowering_medication": "none",
}


def stalled(
    api: Api,
    name: str,
    *,
    seed: str = "",
    days: int = DAYS,
    ends_days_ago: int = 1,
    jump_kg: float = 0.0,
    sex: str = "male",
) -> dict[str, Any]:
    """Take him on and import his log; `jump_kg` shifts his scale up and down from week to week.

    His noise is that of `seed`, by default of his name: one that differs from run to run names a seed.

    The cut begins with the last 20 days, so that the latest review is neither in its first days nor at its end.
    """
    athlete = api.athlete(
        external_id=name, sex=sex, birth_date="1995-04-01", height_cm=180, activity_factor=1.55, time_zone="UTC"
    )
    here = f"/athletes/{athlete['id']}"
    assert api("PUT", f"{here}/screening", CLEAN).status_code in (200, 201)
    first = today() - timedelta(days=days + ends_days_ago - 1)
    noise, mass_kg = random.Random(seed or name), 86.0
    lines: list[dict[str, Any]] = [
        _phase(name, first, "maintain", 2450),
        _phase(name, first + timedelta(days=days - 20), "cut", TARGET_KCAL),
        {"type": "measurement", "athlete": name, "date": str(first), "body_fat_pct": 20.0, "method": "skinfold"},
    ]
    for day in range(days):
        on = str(first + timedelta(days=day))
        kcal = 2445 + noise.uniform(-80, 80)
        mass_kg += (kcal - MAINTENANCE_KCAL) / KCAL_PER_KG
        shift_kg = jump_kg * (1 if day // 7 % 2 else -1)
        seen_kg = round(mass_kg + shift_kg + noise.gauss(0.0, 0.3), 1)
        lines.append({"type": "weigh_in", "athlete": name, "date": on, "mass_kg": seen_kg})
        lines.append({"type": "meal", "athlete": name, "date": on, "energy_kcal": round(kcal), "protein_g": 160})
        lines.append({"type": "food_day", "athlete": name, "date": on, "state": "complete"})
    body = "\n".join(map(json.dumps, lines))
    done = api.load(body)
    assert (done["state"], done["faults"]) == ("done", []), done
    return athlete


def _phase(name: str, starts_on: Any, kind: str, energy_kcal: float) -> dict[str, Any]:
    end = starts_on + timedelta(days=41)
    return {
        "type": "phase",
        "athlete": name,
        "kind": kind,
        "starts_on": str(starts_on),
        "planned_end_on": str(end),
        "energy_kcal": energy_kcal,
    }


def review(api: Api, athlete: dict[str, Any], days_ago: int = 1, **more: Any) -> dict[str, Any]:
    """His review as of a day."""
    as_of = str(today() - timedelta(days=days_ago))
    made = api("POST", f"/athletes/{athlete['id']}/reviews", {"as_of": as_of}, **more)
    assert made.status_code in (200, 201), made.text
    return {**made.json(), "etag": made.headers.get("etag")}
