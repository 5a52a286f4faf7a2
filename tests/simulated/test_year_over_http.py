"""Twelve weeks over HTTP beside the closed loop's coach on the same logs; on some Mondays nobody ticks, or twice."""

from collections.abc import Iterator
from datetime import date
from itertools import pairwise
from typing import Any

import pytest

from tests.simulated.coached_year import LOGGED_FIRST_DAYS
from tests.simulated.year_over_http import HttpCoach, _tick, differences, live, practice

ATHLETES, SEED, WEEKS = 3, 11, 12
MISSED, TWICE = (5, 8, 9), (7,)  # Mondays, counted from the first
MONDAYS = WEEKS - LOGGED_FIRST_DAYS // 7
NOTHING = "reviews: 0 done, 0 failed check-ins: 0 done, 0 failed lapsed: 0"
Lived = tuple[HttpCoach, dict[int, list[dict[str, Any]]]]


def on_odd_mondays(coach: HttpCoach, at: str) -> str:
    """Nobody ticks on some Mondays; on others somebody ticks twice."""
    monday = len(coach.ticks) + 1
    if monday in MISSED:
        return ""
    said = _tick(coach, at)
    assert monday not in TWICE or _tick(coach, at) == NOTHING
    return said


@pytest.fixture(scope="module")
def lived(database_engine: str) -> Iterator[Lived]:
    """The coach after the last week, and every stored review by athlete."""
    with practice(database_engine, ticked=on_odd_mondays) as coach:
        live(coach, ATHLETES, SEED, 7 * WEEKS)
        yield (
            coach,
            {
                i: coach.call("GET", f"/athletes/{athlete}/reviews", params={"limit": 1000})["items"]
                for i, athlete in enumerate(coach.ids)
            },
        )


pytestmark = pytest.mark.engines("sqlite")  # `python -m tests.simulated.year_over_http 6 11 --database postgresql`


def test_a_review_says_what_the_rules_say_of_the_simulated_log_itself(lived: Lived) -> None:
    """Import, routes, roll-ups, tick and read-back lose nothing: the estimates are those of the arrays themselves.

    The closed loop knows no training dates, so it never asks for a deload; skinfolds and tape have the service's
    standard errors here and the simulation's there.
    """
    found = differences(lived[0])
    assert found["reviews"] == ATHLETES * (MONDAYS - len(MISSED) - 1)
    assert all(other.startswith("deload, in the process") for other, _ in found["other"]), found["other"]
    assert found["same_energy"] == 1.0
    assert found["p95_gap"]["average_mass_kg"] < 0.05
    assert found["p95_gap"]["maintenance_kcal"] < 20
    assert found["p95_gap"]["tissue_rate_pct_per_week"] < 0.02


def test_every_week_has_one_review_also_those_in_which_nobody_ticked(lived: Lived) -> None:
    coach, stored = lived
    for reviews in stored.values():
        days = [date.fromisoformat(review["as_of"]) for review in reviews]
        assert all((b - a).days == 7 for a, b in pairwise(days))
        assert len({review["week"] for review in reviews}) == len(reviews) == MONDAYS
    caught_up = [said.split(" ")[2] for said in coach.ticks if said.split(" ", 1)[1]]
    assert caught_up.count(str(2 * ATHLETES)) == caught_up.count(str(3 * ATHLETES)) == 1


def test_the_athletes_followed_what_the_reviews_said(lived: Lived) -> None:
    """Every accepted change of phase or energy is in force from its day, with targets that add up."""
    coach, _ = lived
    switched = [week for week in coach.weeks if week.decision == "accepted" and week.review["recommendation"]["phase"]]
    assert len({week.athlete for week in switched}) >= ATHLETES - 1  # who is estimated at the goal stays
    for week in switched:
        recommended = week.review["recommendation"]
        athlete = coach.ids[week.athlete]
        phases = coach.call("GET", f"/athletes/{athlete}/phases")["items"]
        assert week.effect["effective_on"] > week.review["as_of"]
        (phase,) = [row for row in phases if row["starts_on"] == week.effect["effective_on"]]
        assert (phase["kind"], phase["energy_kcal"]) == (recommended["phase"]["to"], recommended["energy_kcal"]["to"])
        targets = coach.call("GET", f"/athletes/{athlete}/targets")["items"]
        (row,) = [row for row in targets if row["from_date"] == phase["starts_on"]]
        energy = 4 * row["protein_g"] + 4 * row["carbohydrate_g"] + 9 * row["fat_g"]
        assert energy == pytest.approx(row["energy_kcal"], rel=0.01)
        assert sum(meal["energy_kcal"] for meal in row["meals"]) == pytest.approx(row["energy_kcal"])


def test_calibration_counts_every_scored_prediction(lived: Lived) -> None:
    coach, stored = lived
    scored = [review["score"] for reviews in stored.values() for review in reviews if review["score"]]
    trend = [score["quantities"]["average_mass_kg"] for score in scored]
    said = coach.call("GET", "/calibration", params={"from": "2025-01-01"})["overall"]["average_mass_kg"]
    assert (said["scored"], said["inside"]) == (len(trend), sum(one["inside"] for one in trend))
    assert said["coverage"] > 0.8


@pytest.mark.long
def test_a_whole_year_over_http_is_the_year_in_the_process(database_engine: str) -> None:
    """Fifty-two weeks of two athletes: each week's energy is that of the closed loop's coach on the same logs."""
    with practice(database_engine) as coach:
        live(coach, 2, SEED, 7 * 52)
        found = differences(coach)
    assert found["reviews"] >= 2 * 45
    assert found["same_energy"] > 0.97
    assert found["p95_gap"]["average_mass_kg"] < 0.05
