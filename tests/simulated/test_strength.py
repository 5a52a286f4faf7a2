"""Strength told from noisy sets, judged on lifters whose truth is known (python -m tests.simulated.strength_report)."""

import numpy as np
import pytest

from tests.simulated.strength_lifters import Lifters, lifters_of_world, simulate_lifters
from tests.simulated.strength_report import Score, rows


@pytest.fixture(scope="module", params=["lifters", "lifters of the world"])
def tables(request: pytest.FixtureRequest) -> list[dict[str, Score]]:
    make = simulate_lifters if request.param == "lifters" else lifters_of_world
    groups: list[Lifters] = [make(seed) for seed in (5, 6)]
    return [rows(group) for group in groups]


def mean(tables: list[dict[str, Score]], row: str, column: str) -> float:
    return float(np.mean([getattr(table[row], column) for table in tables]))


def test_the_maximum_is_known_better_than_by_plain_means(tables: list[dict[str, Score]]) -> None:
    error = mean(tables, "as known, at the rate", "one_rep_max_rmse_pct")
    assert error <= 3.85
    assert error < mean(tables, "moving average", "one_rep_max_rmse_pct")
    assert error < mean(tables, "best set x Epley", "one_rep_max_rmse_pct")


def test_the_change_over_six_weeks_is_known_better(tables: list[dict[str, Score]]) -> None:
    error = mean(tables, "as known, at the rate", "six_week_rmse_pct")
    assert error <= 2.2
    assert error < 0.85 * mean(tables, "moving average", "six_week_rmse_pct")
    assert mean(tables, "revised, at the rate", "six_week_rmse_pct") <= 1.5


def test_ninety_per_cent_intervals_hold_about_ninety_per_cent(tables: list[dict[str, Score]]) -> None:
    assert 0.86 <= mean(tables, "as known, P > 0.5", "coverage") <= 0.94


def test_true_losses_in_a_cut_are_found_at_few_false_alarms(tables: list[dict[str, Score]]) -> None:
    found = mean(tables, "as known, at the rate", "found")
    assert found >= 0.6
    assert found > 1.5 * mean(tables, "moving average", "found")
    assert mean(tables, "as known, P > 0.5", "false_alarms") <= 0.015
