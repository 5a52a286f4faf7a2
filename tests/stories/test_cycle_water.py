"""Cycle water at the start of a cut: nothing is lowered before it can be told from tissue."""

import json
from datetime import timedelta
from typing import Any

import pytest

from tests.api.conftest import Api, today
from tests.api.in_a_cut import CLEAN, review

DAYS, KCAL = 14, 1750


def dieting(
    api: Api,
    *,
    days: int = DAYS,
    rise_kg: float = 0.5,
    started_on_day: int | None = None,
    cycle: str | None = None,
    **who: Any,
) -> dict[str, Any]:
    """Somebody of 62 kg in a cut since the first weigh-in, every day logged whole, whose scale creeps up."""
    athlete = api.athlete(birth_date="1995-03-01", height_cm=167, activity_factor=1.5, time_zone="UTC", **who)
    name, first = athlete["external_id"], today() - timedelta(days=days)
    assert api("PUT", f"/athletes/{athlete['id']}/screening", CLEAN | {"cycle": cycle}).is_success
    lines: list[dict[str, Any]] = [
        {"type": "phase", "athlete": name, "kind": "cut", "starts_on": str(first), "energy_kcal": KCAL}
    ]
    for day in range(days):
        on = {"athlete": name, "date": str(first + timedelta(days=day))}
        lines += [
            {"type": "weigh_in", **on, "mass_kg": round(62.0 + rise_kg * day / 13 + 0.2 * (day % 2), 1)},
            {"type": "meal", **on, "energy_kcal": KCAL, "protein_g": 120},
            {"type": "food_day", **on, "state": "complete"},
        ]
    if started_on_day is not None:
        on = {"athlete": name, "date": str(first + timedelta(days=started_on_day))}
        lines.append({"type": "wellbeing", **on, "menstruation": "started"})
    assert api.load("\n".join(map(json.dumps, lines)))["faults"] == []
    return athlete


def found(made: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {finding["code"]: finding for finding in made["findings"]}


@pytest.mark.parametrize("days", [9, 11, DAYS])
def test_nothing_is_lowered_in_the_first_two_weeks_of_a_womans_log(api: Api, days: int) -> None:
    made = review(api, dieting(api, days=days, sex="female"))
    assert made["recommendation"]["energy_kcal"]["to"] == KCAL
    if days == DAYS:
        water = found(made)["energy.cycle_water"]
        assert water["evidence"]["days_without_cycle_start"] == DAYS
        assert made["recommendation"]["action"] == "hold"


def test_of_who_has_no_cycle_or_once_it_started_or_two_weeks_later_energy_is_decided_on_as_always(api: Api) -> None:
    for athlete in (
        dieting(api, sex="male"),
        dieting(api, sex="female", started_on_day=2),
        dieting(api, sex="female", cycle="hormonal_contraception"),
        dieting(api, sex="female", days=DAYS + 3),
    ):
        made = review(api, athlete)
        assert "energy.cycle_water" not in found(made)
        assert made["recommendation"]["action"] != "hold"


def test_a_logged_start_moves_the_estimates_of_the_weeks_before(api: Api) -> None:
    """Read anew with hindsight, and from that day on as known; what was known before stays as it was."""
    athlete = dieting(api, sex="female", rise_kg=0.0)
    path, first = f"/athletes/{athlete['id']}", today() - timedelta(days=DAYS)
    asked = f"{path}/estimates?from={first}&to={first + timedelta(days=DAYS - 1)}&basis="
    before = {basis: api("GET", asked + basis).json() for basis in ("as_known", "revised")}
    on = str(first + timedelta(days=DAYS - 1))
    assert api("POST", f"{path}/wellbeing", {"date": on, "menstruation": "started"}).is_success
    after = {basis: api("GET", asked + basis).json() for basis in ("as_known", "revised")}
    kcal = {
        basis: (before[basis]["maintenance_kcal"]["mean"], after[basis]["maintenance_kcal"]["mean"]) for basis in after
    }
    assert kcal["as_known"][0][:-1] == kcal["as_known"][1][:-1]
    assert kcal["as_known"][1][-1] > kcal["as_known"][0][-1]  # the rise was water: less is to be taken off
    assert all(new > old for old, new in zip(*kcal["revised"], strict=True))
