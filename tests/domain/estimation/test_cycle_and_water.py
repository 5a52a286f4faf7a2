"""Cycle water and other water: what a logged start tells of the weeks before it, and a rise within a few days."""

from dataclasses import replace

import numpy as np
import pytest

from service.domain.estimation.estimate import estimate
from service.domain.estimation.model import CYCLE_COS, CYCLE_SIN
from service.domain.estimation.water_shift import water_shift
from service.domain.records import CycleKind, DailyLog
from tests.domain.estimation.test_estimation import assert_same, columns, cut_days
from tests.domain.estimation.test_food_known import eating, person, weighed

DAYS, START = 56, 24
WOMAN = {"male": False, "height_cm": 168.0, "activity_factor": 1.6}


def _swinging(kg: float, days: int = DAYS) -> DailyLog:
    """A woman who keeps her mass on 1900 kcal; water swings by some kilograms, highest when menstruation starts."""
    water_kg = 0.5 * kg * np.cos(2.0 * np.pi * (np.arange(days) - START) / 28.0)
    return eating(weighed(65.0 + water_kg), slice(None), 1900.0)


def _started(log: DailyLog, *days: int) -> DailyLog:
    starts = log.menstruation_started.copy()
    starts[:, list(days)] = True
    return replace(log, menstruation_started=starts)


def _woman(kind: CycleKind = CycleKind.NATURAL):
    return person(**WOMAN, cycle=int(kind))


def test_a_start_tells_what_it_would_have_told_before():
    """The same whether the day of the cycle is told first or last: as if it had been known all the time."""
    log = _swinging(0.8)
    told_late = estimate(_woman(), _started(log, START))
    turned = replace(log, days=log.days - (log.days[0].astype(int) + START) % 28)  # the calendar's cycle is hers
    guessed = estimate(_woman(), turned)
    for name, tolerance in (("average_mass_kg", 0.03), ("maintenance_kcal", 12.0)):
        late, never = (getattr(found, name).mean[0] for found in (told_late, guessed))
        assert np.abs(late[START:] - never[START:]).max() < tolerance * 3
    before = estimate(_woman(), log)
    assert_same(columns(before, slice(0, START)), columns(told_late, slice(0, START)))  # causal
    assert told_late.state.moments.mean[CYCLE_COS, 0] == pytest.approx(0.4, abs=0.15)
    assert abs(told_late.state.moments.mean[CYCLE_SIN, 0]) < 0.15


def test_a_start_moves_tissue_back_to_where_it_was():
    """Three weeks of rising water look like tissue; when menstruation starts it is seen that they were not."""
    log = _started(_swinging(0.5), START)
    found = estimate(_woman(), log)
    rate, sd = found.tissue_rate_pct_per_week.mean[0], found.tissue_rate_pct_per_week.sd[0]
    untold = estimate(_woman(), _swinging(0.5)).tissue_rate_pct_per_week.mean[0]
    assert abs(rate[START]) < abs(untold[START]) and sd[START] < sd[START - 1]


def test_hindsight_reads_the_weeks_before_anew():
    log = _started(_swinging(0.5), START)
    causal, revised = estimate(_woman(), log), estimate(_woman(), log, revised=True)
    assert_same(columns(revised, slice(-1, None)), columns(causal, slice(-1, None)))
    kcal = [found.maintenance_kcal for found in (revised, causal)]
    assert np.abs(kcal[0].mean[0, 7:START] - 1900.0).max() < np.abs(kcal[1].mean[0, 7:START] - 1900.0).max()
    assert (kcal[0].sd <= kcal[1].sd + 1e-9).all()
    early = estimate(_woman(), cut_days(log, START + 1), revised=True)
    before = estimate(_woman(), cut_days(log, START), revised=True)
    wrong = [np.abs(found.tissue_rate_pct_per_week.mean[0, 10:START]).max() for found in (early, before)]
    assert wrong[0] < wrong[1]


@pytest.mark.parametrize(
    ("changed", "swings"),
    [
        ({"cycle": CycleKind.UNKNOWN}, True),
        ({"cycle": CycleKind.NATURAL}, True),
        ({"cycle": CycleKind.NONE}, False),
        ({"cycle": CycleKind.UNKNOWN, "birth_year": 1970.0}, False),
        ({"cycle": CycleKind.NATURAL, "birth_year": 1970.0}, True),
        ({"cycle": CycleKind.UNKNOWN, "male": True}, False),
    ],
)
def test_who_swings(changed, swings):
    who = person(**(WOMAN | changed))
    state = estimate(who, _swinging(0.0, 1)).state
    assert (state.moments.cov[CYCLE_COS, CYCLE_COS, 0] > 0.0) is np.bool_(swings)


def test_bleeding_on_hormonal_contraception_is_no_cycle():
    log = _swinging(0.5)
    assert_same(
        columns(estimate(_woman(CycleKind.NONE), _started(log, START))), columns(estimate(_woman(CycleKind.NONE), log))
    )


def test_a_kilogram_within_five_days_is_water():
    """Creatine in a build, the log complete: of 1.2 kg that stay, tissue takes less than a sixth in ten days."""
    mass_kg = np.full(80, 80.0) + np.clip((np.arange(80) - 55) / 4.0, 0.0, 1.0) * 1.2
    steady = eating(weighed(mass_kg), slice(None), 2700.0)
    found = estimate(person(), steady)
    rate = found.tissue_rate_pct_per_week.mean[0]
    assert (rate[56:66] / 700.0 * 81.0).sum() < 0.2
    assert np.abs(found.average_mass_kg.mean[0, 66] - 81.2) < 0.3


def test_a_rise_within_days_is_found_and_dated():
    day = np.arange(60)
    stays = 80.0 + np.clip((day - 49) / 4.0, 0.0, 1.0) * 1.3
    kg, since = water_shift(stays, 0.0)
    assert kg == pytest.approx(1.1, abs=0.2) and 8 <= since <= 10
    assert water_shift(stays - 0.05 * day, -0.05)[0] == pytest.approx(kg)  # what tissue does is no water
    gone = np.where(day > 55, 80.0, stays)
    assert (water_shift(gone, 0.0) or (0.0, 0))[0] < 0.7
    assert water_shift(80.0 + 0.04 * day, 0.04) is None or water_shift(80.0 + 0.04 * day, 0.04)[0] < 1e-6
    assert water_shift(np.full(60, np.nan), 0.0) is None
    noise = np.random.default_rng(5).normal(0.0, 0.4, (200, 60))
    assert np.quantile([(water_shift(80.0 + row, 0.0) or (0.0, 0))[0] for row in noise], 0.99) < 1.2
