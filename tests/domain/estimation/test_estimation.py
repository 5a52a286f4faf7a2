"""The estimator keeps its promises: causal, independent of neighbours and grid, robust to slips of the finger."""

import tracemalloc
from dataclasses import fields, replace

import numpy as np
import pytest

from service.demo.world import simulate
from service.domain.estimation.estimate import estimate, predict_mass, resume
from service.domain.estimation.outlook import outlook
from service.domain.estimation.results import Estimates
from service.domain.records import Athletes, DailyLog, Estimate, arrays

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
    revised = estimate(athletes, log, revised=True)
    monkeypatch.setattr("service.domain.estimation.estimate.CHUNK", 5)
    monkeypatch.setattr("service.domain.estimation.estimate.REVISED_CHUNK", 5)
    monkeypatch.setattr("service.domain.estimation.estimate.BLOCK", 70)
    assert_same(columns(estimate(athletes, log)), columns(causal))
    assert_same(columns(estimate(athletes, log, revised=True)), columns(revised))


@pytest.mark.parametrize("revised", [False, True])
def test_empty_days_around_the_log_change_no_bit(athletes, log, revised):
    plain = estimate(athletes, log, revised=revised)
    wide = estimate(athletes, padded(log, 31, 17), revised=revised)
    assert_same(columns(wide, slice(31, 31 + DAYS)), columns(plain))


@pytest.mark.parametrize("revised", [False, True])
def test_results_of_some_days_are_those_of_all(athletes, log, revised, monkeypatch):
    """Whatever days are asked for, and however many are worked out together."""
    whole = estimate(athletes, log, revised=revised)
    for block in (1, 24 * 3):
        monkeypatch.setattr("service.domain.estimation.estimate.BLOCK", block)
        for report in ([DAYS - 1], [0, 40, 41, 42, 43, 60, 83], list(range(0, DAYS, 7))):
            some = estimate(athletes, log, revised=revised, report=np.array(report))
            assert np.array_equal(some.average_mass_by_day_kg, whole.average_mass_kg.mean, equal_nan=True)
            found = {name: value for name, value in columns(some) if name != "average_mass_by_day_kg"}
            asked = {name: value[:, report] for name, value in columns(whole) if name != "average_mass_by_day_kg"}
            assert_same(found.items(), asked.items())
            assert np.array_equal(some.state.moments.mean, whole.state.moments.mean)


@pytest.mark.parametrize("report", [[3, 2], [5, 5], [-1], [DAYS]])
def test_days_to_report_that_are_not_in_the_log_are_refused(athletes, log, report):
    with pytest.raises(ValueError, match="must ascend"):
        estimate(athletes, log, report=np.array(report))


def test_nobody_and_no_day_are_fine(athletes, log):
    assert estimate(pick(athletes, []), pick(log, [])).average_mass_kg.mean.shape == (0, DAYS)
    assert estimate(athletes, log, report=np.zeros(0, np.int64)).average_mass_kg.mean.shape == (24, 0)


def test_working_memory_does_not_grow_with_the_athletes(athletes, log, monkeypatch):
    """Beyond results and inputs, five times the athletes take hardly more memory: they are filtered in chunks."""
    monkeypatch.setattr("service.domain.estimation.estimate.CHUNK", 24)

    def working(times):
        who, days = pick(athletes, list(range(24)) * times), pick(log, list(range(24)) * times)
        tracemalloc.start()
        found = estimate(who, days, report=np.array([DAYS - 1]))
        left, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        return peak - left, found

    assert working(5)[0] < 1.3 * working(1)[0]


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
    assert changed.suspect_weigh_in[rows, days][typed].all()
    moved = np.abs(changed.average_mass_kg.mean - causal.average_mass_kg.mean)[:, 20:]
    assert moved.max() < 0.8  # what losing one weigh-in does


def test_prediction_of_next_week(athletes, log, world, causal):
    early = estimate(athletes, cut_days(log, DAYS - 7))
    planned = np.where(np.isnan(log.target_kcal[:, -8]), 2300.0, log.target_kcal[:, -8])
    predicted = predict_mass(athletes, early, log.days[DAYS - 8], np.repeat(planned[:, None], 7, axis=1))
    truth = world.truth.centred_mass_kg[:, -1]
    assert ((predicted.lo <= truth) & (truth <= predicted.hi)).mean() >= 0.5
    assert (predicted.sd > early.average_mass_kg.sd[:, -1]).all()


def test_a_log_that_does_not_fit_the_athletes_is_refused(athletes, log):
    with pytest.raises(ValueError, match="does not fit"):
        estimate(pick(athletes, [0, 1]), log)


@pytest.mark.parametrize("end", [1, 30, 83])
def test_a_saved_state_continues_to_the_same_bits(athletes, log, causal, end):
    saved = estimate(athletes, cut_days(log, end)).state
    rest = DailyLog(
        **{
            f.name: getattr(log, f.name)[end:] if f.name == "days" else getattr(log, f.name)[:, end:]
            for f in fields(log)
        }
    )
    kept = [value.copy() for value in arrays(saved)]
    assert_same(columns(resume(saved, athletes, rest)), columns(causal, slice(end, None)))
    for before, value in zip(kept, arrays(saved), strict=True):
        assert np.array_equal(before, value, equal_nan=value.dtype.kind == "f")


def test_a_new_scale_is_noticed_and_kept_out_of_the_trend(athletes, log, causal):
    """4 kg from one day to the next and for good: within four weeks most are noticed; the trend stays."""
    moved = replace(log, mass_kg=log.mass_kg.copy())
    moved.mass_kg[:, 50:] += 4.0
    result = estimate(athletes, moved)
    noticed = result.new_scale[:, 50:78].any(axis=1)
    assert noticed.mean() >= 0.6
    assert causal.new_scale.sum() <= 2
    shift = (result.average_mass_kg.mean - causal.average_mass_kg.mean)[noticed, -1]
    assert np.median(np.abs(shift)) < 1.5


def test_one_tape_reading_cannot_end_a_programme(athletes, log):
    """A reading 8 points too low, standard error 5: body fat moves by less than half of it."""
    plain = replace(
        log, body_fat_pct=np.full_like(log.mass_kg, np.nan), body_fat_se_pct=np.full_like(log.mass_kg, np.nan)
    )
    before = estimate(athletes, plain).body_fat_pct.mean[:, 40]
    read = replace(plain, body_fat_pct=plain.body_fat_pct.copy(), body_fat_se_pct=plain.body_fat_se_pct.copy())
    read.body_fat_pct[:, 40], read.body_fat_se_pct[:, 40] = np.maximum(before - 8.0, 3.0), 5.0
    after = estimate(athletes, read).body_fat_pct
    assert (np.abs(after.mean[:, 40] - before) < 0.6 * 8.0).all()
    assert (after.hi - after.lo)[:, 40].min() > 5.0


def test_a_late_measurement_reaches_back_when_revised(athletes, log):
    plain = replace(
        log, body_fat_pct=np.full_like(log.mass_kg, np.nan), body_fat_se_pct=np.full_like(log.mass_kg, np.nan)
    )
    late = replace(plain, body_fat_pct=plain.body_fat_pct.copy(), body_fat_se_pct=plain.body_fat_se_pct.copy())
    late.body_fat_pct[:, 60], late.body_fat_se_pct[:, 60] = 10.0, 2.5
    causal, revised = estimate(athletes, late).fat_mass_kg, estimate(athletes, late, revised=True).fat_mass_kg
    low_kg = 0.1 * estimate(athletes, late, revised=True).average_mass_kg.mean[:, 30]
    assert (np.abs(revised.mean[:, 30] - low_kg) < np.abs(causal.mean[:, 30] - low_kg)).mean() > 0.9
    assert (revised.sd[:, 30] < causal.sd[:, 30]).all()
    assert np.array_equal(revised.mean[:, 60:], causal.mean[:, 60:])


def test_a_switch_of_phase_moves_water_not_tissue(athletes, log):
    """Steady eaters cut by 25 % overnight: in four days the scale falls by 0.5–2 kg, tissue by a quarter of it."""
    days = np.arange(np.datetime64("2026-01-05"), np.datetime64("2026-03-02"))
    shape = (1, len(days))
    late = np.arange(len(days)) >= 42
    target = np.where(late, 1950.0, 2600.0)[None]
    mass = np.where(late, 80.0 - 1.2 * (1 - np.exp(-(np.arange(len(days)) - 42) / 1.5)), 80.0)[None]
    steady = DailyLog(
        days=days,
        mass_kg=mass,
        intake_kcal=target,
        carbohydrate_g=target * 0.45 / 4,
        food_state=np.full(shape, 3),
        target_kcal=target,
        phase=np.where(late, 2, 3)[None],
        phase_day=np.where(late, np.arange(len(days)) - 41, np.arange(len(days)) + 1)[None],
        menstruation_started=np.zeros(shape, dtype=bool),
        body_fat_pct=np.full(shape, np.nan),
        body_fat_se_pct=np.full(shape, np.nan),
    )
    result = estimate(pick(athletes, [int(np.flatnonzero(athletes.male)[0])]), steady)
    assert abs(result.maintenance_kcal.mean[0, 41] - 2600.0) < 120.0
    assert abs(result.maintenance_kcal.mean[0, 47] - result.maintenance_kcal.mean[0, 41]) < 100.0
    assert -1.3 < result.tissue_rate_pct_per_week.mean[0, 48] < -0.5
    assert result.rate_pct_per_week.mean[0, 48] < result.tissue_rate_pct_per_week.mean[0, 48] - 0.3


def test_what_would_narrow_maintenance(athletes, log, causal):
    """More data of either kind never widens; who logs hardly any food is helped by food, and the reverse."""
    found = outlook(athletes, causal.state, log.days[-1])
    assert (found.weighing_daily <= found.as_so_far + 1e-6).all()
    assert (found.logging_daily <= found.as_so_far * 1.01).all()
    assert (found.both_daily <= np.minimum(found.weighing_daily, found.logging_daily) * 1.01).all()
    unlogged = replace(log, intake_kcal=log.intake_kcal.copy(), food_state=log.food_state.copy())
    unlogged.intake_kcal[:, ::2] = np.nan
    unlogged.food_state[:, ::2] = 0
    few_meals = outlook(athletes, estimate(athletes, unlogged).state, log.days[-1])
    assert (few_meals.logging_daily < few_meals.weighing_daily).mean() > 0.8
    unweighed = replace(log, mass_kg=log.mass_kg.copy())
    unweighed.mass_kg[:, np.arange(DAYS) % 10 != 0] = np.nan
    few_weighings = outlook(athletes, estimate(athletes, unweighed).state, log.days[-1])
    gain = lambda o, kind: (o.as_so_far - getattr(o, kind)).mean()  # noqa: E731
    assert gain(few_weighings, "weighing_daily") > 2 * gain(few_meals, "weighing_daily")


@pytest.mark.parametrize("revised", [False, True])
def test_what_counts_as_no_deficit_may_differ_by_athlete(athletes, log, revised):
    """Each athlete's margin gives the probabilities that this margin gives for all; nothing else moves."""
    margins = np.where(np.arange(24) % 2 == 0, 5.0, 10.0)
    own = estimate(athletes, log, no_deficit_pct=margins, revised=revised)
    for rows, margin in ((slice(0, None, 2), 5.0), (slice(1, None, 2), 10.0)):
        everybody = estimate(athletes, log, no_deficit_pct=margin, revised=revised)
        assert_same(columns(own, who=rows), columns(everybody, who=rows))
    default = estimate(athletes, log, revised=revised)
    cut = np.isfinite(default.p_not_in_deficit)
    assert (own.p_not_in_deficit[cut] >= default.p_not_in_deficit[cut]).all()
    assert (own.p_not_in_deficit[1::2][cut[1::2]] > default.p_not_in_deficit[1::2][cut[1::2]]).mean() > 0.5
