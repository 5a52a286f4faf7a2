"""How much logging is needed: by the interval, the phase, the spread of the days; the risk against drawn weeks."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from service.domain.evidence import Evidence, Log, PastPhase, PhaseNow, ScalarEstimate
from service.domain.nutrition.logging_need import day_spread_kcal, logging_need, sparse_risk_kcal, stalled
from service.domain.policy import DEFAULT
from service.domain.records import FoodState as S

D = date(2026, 3, 1)


def known(half: float, kind: str = "cut", day: int = 25, **more: object) -> Evidence:
    maintenance = ScalarEstimate(2500.0, half / 1.645, 2500.0 - half, 2500.0 + half)
    phase = PhaseNow(kind, day, D)  # type: ignore[arg-type]
    base = Evidence(D, maintenance_kcal=maintenance, phase=phase, log=Log(weigh_ins_7_d=6))
    return replace(base, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize("days", [1, 2, 3, 4, 5, 7])
def test_the_risk_is_that_of_drawn_weeks(days: int) -> None:
    """Two weeks of seven normal days with some of each left out: the 90 % error of the mean, 40 000 times."""
    rng = np.random.default_rng(5)
    fortnights = rng.normal(0.0, 300.0, (40_000, 2, 7))
    error = fortnights[..., :days].mean(axis=(1, 2)) - fortnights.mean(axis=(1, 2))
    assert sparse_risk_kcal(days, 300.0) == pytest.approx(1.6449 * error.std(), rel=0.02, abs=1e-9)


@pytest.mark.parametrize(
    ("evidence", "why"),
    [
        (replace(known(100.0), maintenance_kcal=None), "maintenance.unknown"),
        (known(251.0), "maintenance.wide"),
        (known(100.0, day=14, past_phases=(PastPhase("build", D, D),)), "phase.switched"),
        (known(100.0, probability_not_in_deficit=0.8), "rate.stalled"),
        (known(100.0, tissue_rate_pct_per_week=ScalarEstimate(-0.2, 0.1, -0.36, -0.04)), "rate.stalled"),
        (known(100.0, log=Log(weigh_ins_7_d=2)), "weigh_ins.few"),
    ],
)
def test_every_day_is_asked_for(evidence: Evidence, why: str) -> None:
    need = logging_need(evidence, DEFAULT, 200.0)
    assert need.complete_days_per_week == 7 and need.because == (why,) and need.risk_kcal == 0.0 and need.statement


@pytest.mark.parametrize(
    ("evidence", "spread", "days"),
    [
        (known(100.0), 150.0, 3), (known(100.0, "build"), 150.0, 2), (known(100.0, "maintain"), 150.0, 1),
        (known(249.0), 150.0, 7), (known(100.0, "maintain"), 400.0, 3), (known(100.0), 900.0, 7),
        (known(250.0), 0.0, 3),
        (known(100.0, day=15, past_phases=(PastPhase("build", D, D),)), 150.0, 3),
        (known(100.0, probability_not_in_deficit=0.79), 150.0, 3),
    ],
)  # fmt: skip
def test_then_as_few_as_the_days_allow(evidence: Evidence, spread: float, days: int) -> None:
    need = logging_need(evidence, DEFAULT, spread)
    assert need.complete_days_per_week == days
    assert need.because == (("days.irregular",) if days == 7 else ("maintenance.known",))
    assert need.risk_kcal == pytest.approx(sparse_risk_kcal(days, spread))
    half = need.half_width_kcal
    assert half is not None and (days == 7 or half**2 + need.risk_kcal**2 <= 250.0**2 + 1e-6)


def test_an_irregular_eater_logs_more_days_than_a_regular_one() -> None:
    days = [logging_need(known(120.0), DEFAULT, spread).complete_days_per_week for spread in (50, 200, 400, 600, 1200)]
    assert days == sorted(days) and days[0] < days[-1]


def test_only_a_cut_stalls_and_not_in_its_first_days() -> None:
    slow = ScalarEstimate(-0.1, 0.1, -0.26, 0.06)
    assert stalled(known(100.0, tissue_rate_pct_per_week=slow, day=8), DEFAULT)
    assert not stalled(known(100.0, tissue_rate_pct_per_week=slow, day=7), DEFAULT)
    assert not stalled(known(100.0, "maintain", tissue_rate_pct_per_week=slow), DEFAULT)


def test_the_spread_is_of_whole_days() -> None:
    intake = np.array([2000.0, 2200, 1800, 2100, 1900, 2000, 2050, 600, 900, np.nan, 0.0])
    state = np.array([S.COMPLETE] * 6 + [S.UNKNOWN, S.UNKNOWN, S.PARTIAL, S.NOT_LOGGED, S.FAST])
    assert day_spread_kcal(intake, state) == pytest.approx(np.std(intake[:7], ddof=1))
    assert day_spread_kcal(intake[:6], state[:6]) is None
