"""The estimator keeps its promises: causal, independent of neighbours and grid, robust to slips of the finger."""

from dataclasses import fields, replace

import numpy as np
import pytest

from service.demo.world import simulate
from service.domain.estimation import Estimates, estimate, predict_mass
from service.domain.records import Athletes, DailyLog, Estimate

DAYS = 84


@pytest.fixture(scope="module")
def world():
    return simulate(24, DAYS, seed=77)


@pytest.fixture(scope="module")
def athletes(world):
    return Athletes(**{f.name: getattr(world.profile, f.name) for f in fields(Athletes)})


@pytest.fixture(scope="module")
def log(world):
    return DailyLog(**{f.name: getattr(world.log, f.name) for f in fields(DailyLog)})


@pytest.fixture(scope="module")
def causal(athletes, log):
    return estimate(athletes, log)


def columns(estimates: Estimates, days: slice = slice(None), who: slice | list[int] = slice(None)):
    """Every array of the estimates, cut to days and athletes."""
    for f in fields(estimates):
        value = getattr(estimates, f.name)
        if isinstance(value, Estimate):
            for part in fields(value):
                yield f"{f.name}.{part.name}", getattr(value, part.name)[who][:, days]
        elif isinstance(value, np.ndarray):
            yield f.name, value[who][:, days]


def assert_same(first, second):
    for (name, a), (_, b) in zip(first, second, strict=True):
        assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), name


def cut_days(log: DailyLog, end: int) -> DailyLog:
    return DailyLog(
        **{
            f.name: getattr(log, f.name)[:end] if f.name == "days" else getattr(log, f.name)[:, :end]
            for f in fields(log)
        }
    )


def pick(record, who):
    return type(record)(
        **{
            f.name: getattr(record, f.name) if f.name == "days" else getattr(record, f.name)[who]
            for f in fields(record)
        }
    )


def padded(log: DailyLog, before: int, after: int) -> DailyLog:
    """The same log on a longer grid whose additional days are empty."""
    empty = {"days": None, "food_state": 0, "phase": 0, "phase_day": 0, "menstruation_started": False}
    wide = {}
    for f in fields(log):
        value = getattr(log, f.name)
        if f.name == "days":
            wide[f.name] = np.arange(value[0] - before, value[-1] + after + 1)
            continue
        width = ((0, 0), (before, after))
        wide[f.name] = np.pad(value, width, constant_values=empty.get(f.name, np.nan))
    return DailyLog(**wide)


@pytest.mark.parametrize("end", [1, 10, 37, 60])
def test_later_entries_change_no_bit_of_earlier_values(athletes, log, causal, end):
    assert_same(columns(estimate(athletes, cut_days(log, end))), columns(causal, slice(0, end)))


@pytest.mark.parametrize("who", [[0], [5], [3, 17], list(range(7)), list(range(23, -1, -1))])
def test_neighbours_and_order_change_no_bit(athletes, log, causal, who):
    assert_same(columns(estimate(pick(athletes, who), pick(log, who))), columns(causal, who=who))


def test_chunks_change_no_bit(athletes, log, causal, monkeypatch):
    monkeypatch.setattr("service.domain.estimation.CHUNK", 5)
    assert_same(columns(estimate(athletes, log)), columns(causal))


@pytest.mark.parametrize("revised", [False, True])
def test_empty_days_around_the_log_change_no_bit(athletes, log, revised):
    plain = estimate(athletes, log, revised=revised)
    wide = estimate(athletes, padded(log, 31, 17), revised=revised)
    assert_same(columns(wide, slice(31, 31 + DAYS)), columns(plain))


def test_nothing_is_said_before_the_first_entry(athletes, log):
    late = replace(log, mass_kg=log.mass_kg.copy(), intake_kcal=log.intake_kcal.copy())
    late.mass_kg[:, :20] = np.nan
    late.intake_kcal[:, :20] = np.nan
    result = estimate(athletes, late)
    for name, value in columns(result, slice(0, 20)):
        if value.dtype.kind == "f":
            assert np.isnan(value).all(), name
    assert not np.isnan(result.maintenance_kcal.mean[:, -1]).any()


def test_revised_and_causal_agree_on_the_last_day(athletes, log, causal):
    revised = estimate(athletes, log, revised=True)
    assert_same(columns(revised, slice(-1, None)), columns(causal, slice(-1, None)))
    assert not np.array_equal(revised.maintenance_kcal.mean[:, 30], causal.maintenance_kcal.mean[:, 30])


def test_slips_of_the_finger_do_not_move_the_trend(athletes, log, causal):
    dirty = replace(log, mass_kg=log.mass_kg.copy())
    rows, days = np.arange(24), 20 + 2 * np.arange(24)
    dirty.mass_kg[rows, days] = np.where(rows % 2, dirty.mass_kg[rows, days] * 2.2046, dirty.mass_kg[rows, days] / 10)
    changed = estimate(athletes, dirty)
    typed = ~np.isnan(dirty.mass_kg[rows, days])
    assert changed.mass_outlier[rows, days][typed].all()
    moved = np.abs(changed.trend_mass_kg.mean - causal.trend_mass_kg.mean)[:, 20:]
    assert moved.max() < 0.8  # what losing one weigh-in does


def test_prediction_of_next_week(athletes, log, world, causal):
    early = estimate(athletes, cut_days(log, DAYS - 7))
    planned = np.where(np.isnan(log.target_kcal[:, -8]), 2300.0, log.target_kcal[:, -8])
    predicted = predict_mass(athletes, early, log.days[DAYS - 8], planned)
    truth = world.truth.trend_mass_kg[:, -1]
    assert ((predicted.lo <= truth) & (truth <= predicted.hi)).mean() >= 0.5
    assert (predicted.sd > early.trend_mass_kg.sd[:, -1]).all()


def test_a_log_that_does_not_fit_the_athletes_is_refused(athletes, log):
    with pytest.raises(ValueError, match="does not fit"):
        estimate(pick(athletes, [0, 1]), log)
