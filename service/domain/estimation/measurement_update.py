"""A morning of the filter of `estimation`: a new phase, the cycle, a target, the weigh-in, a measured body fat."""

from dataclasses import dataclass

import numpy as np

from service.domain import kalman
from service.domain.estimation import hypothesis
from service.domain.estimation import intake as estimation_intake
from service.domain.estimation import model as m
from service.domain.estimation import scale_change as estimation_scale
from service.domain.estimation.model import (
    CYCLE_COS,
    CYCLE_SIN,
    FLUID,
    GUT,
    SCALE,
    STATES,
    TISSUE,
    WATER,
    WEEK_COS,
    WEEK_SIN,
)
from service.domain.estimation.state import WEEK, Day, FilterState
from service.domain.records import Bools, Floats, Ints

GROSS_KG, GROSS_SD = 3.5, 6.0  # beyond both a weigh-in is a slip of the finger and left out
SLIPS = (2.2046226, 0.45359237, 10.0, 0.1)  # never believed, however often they come
NOISE_PRIOR_DAYS = 20.0
SURPRISE_KEPT, SURPRISE_FADES = 0.9, 0.98  # of the sum: per weigh-in, per day without one
SURPRISE_LEAST_VARIANCE = 4.5  # a few weigh-ins prove nothing
UNREST, UNREST_MOST, UNREST_IN_CUT = 4.0, 20.0, 4.0
FIRST_WEIGHINGS = 5.0  # before these the mass itself is only supposed
LOST_SIGHT_KG = 1.0  # a tissue mass known no better is found anew by a weigh-in
SUPPOSED = 0.04  # a mass that one weigh-in moves by this share was only supposed
FAR_SD = 3.0  # a weigh-in further off than this is shown as an outlier
CYCLE_DAYS = 28.0
CYCLE_USUAL_DAYS = (20.0, 45.0)


@dataclass(frozen=True)
class Morning:
    """What a morning brought: to the main branch, and to those with a suspected new scale."""

    told: hypothesis.Told
    weighed: kalman.Update | None
    suspicion: estimation_scale.Suspicion | None
    outlier: Bools
    rescaled: Ints  # whose weigh-ins, left out at first, agree that another scale is in use
    fat_ratio: Floats | None  # by which the weigh-in rescaled fat mass; None: nobody's


def states_in_use(state: FilterState) -> int:
    """The number of leading states in use: a batch in which nobody has a cycle needs no rhythm of it, if that is last.

    The states left out are exactly zero, so leaving them out changes no bit of the others.
    """
    size = STATES
    while size - 1 in (CYCLE_COS, CYCLE_SIN) and not state.cov[size - 1, size - 1].any():
        size -= 1
    return size


def cycle_day(state: FilterState, day: Day) -> Floats:
    """The day of the menstrual cycle; by the calendar until a start was logged; array (athletes,)."""
    calendar = float(day.date.astype(np.int64) % int(CYCLE_DAYS))
    return np.where(np.isnan(state.cycle_day), calendar, state.cycle_day)


def rhythm(cycle_day: Floats, cycle_days: Floats) -> Floats:
    """Cosine and sine at a day of the menstrual cycle, (2, athletes)."""
    half = np.tan(cycle_day * (np.pi / cycle_days))  # one tangent of half the angle costs less than cosine and sine
    square = half * half
    return np.stack([1.0 - square, 2.0 * half]) / (1.0 + square)


def observe(state: FilterState, others: estimation_scale.Others, day: Day, *, traced: bool) -> tuple[Morning, int]:
    """Phase switch, cycle, target and weigh-in, in place; returns also how many states are in use.

    `traced` keeps the updates for the smoother, of all states.
    """
    state.days += state.started
    switch = state.started & (day.phase_day == 1) & (state.days > 1.0)
    _follow_cycle(state, day)
    size = STATES if traced else states_in_use(state)
    mean, cov = state.mean[:size], state.cov[:size, :size]
    hypothesis.switch_phase(cov, np.flatnonzero(switch), state.reference_kcal)
    told = hypothesis.hear_target(mean, cov, *_target_says(state, day))
    noise = noise_scale(state)
    used = state.started & ~np.isnan(day.mass_kg)
    sight, trusted, rescaled = None, np.zeros(0, np.int64), np.zeros(0, np.int64)
    z2, gross = np.zeros(used.shape), np.zeros_like(used)
    begun = np.zeros_like(used)
    if used.any():
        mass_kg = np.where(used, day.mass_kg, np.nan)
        sight = hypothesis.see(mean, cov, _weighing_row(state, day, size), mass_kg, noise, state.water_variance)
        gross, trusted = _judge(state, sight)
        if trusted.size:  # kilograms overnight are no tissue where the mass was known
            grown = state.weighed_days[trusted] >= estimation_scale.KNOWN_WEIGHINGS
            rescaled = trusted[grown]
            sight.widen(cov, SCALE, rescaled)
            sight.widen(cov, TISSUE, trusted[~grown])
        used &= ~gross
        miss_kg = np.where(used, np.abs(sight.innovation), 0.0)
        z2 = miss_kg * miss_kg / sight.variance
        begun = estimation_scale.begins(state, z2, miss_kg)
    suspicion = None
    if others.rows.size or begun.any():
        news = estimation_scale.News(switch, told, sight, used, noise, day.phase_day)
        suspicion = estimation_scale.follow(state, others, begun, news, size, traced=traced)
    weighed = fat_ratio = None
    if sight is not None:
        before_kg, lost_sight = mean[TISSUE].copy(), cov[TISSUE, TISSUE] > LOST_SIGHT_KG**2
        weighed = hypothesis.weigh(mean, cov, sight, used, trusted, traced=traced)
        fat_ratio = _correct_fat(state, before_kg, lost_sight, used)
        _count_weighings(state, used, z2)
    _be_surprised(state, sight, used)
    _begin_phase(state, switch, day)
    return Morning(told, weighed, suspicion, gross | (z2 > FAR_SD**2), rescaled, fat_ratio), size


def _count_weighings(state: FilterState, used: Bools, z2: Floats) -> None:
    """What the weigh-ins taken in say about the athlete's scatter; they also end a row of rejected ones; in place."""
    state.noise_scale_sum += np.minimum(z2, 6.0)
    state.noise_scale_days += used
    state.weighed_days += used
    np.copyto(state.rejected_kg, np.nan, where=used)
    np.copyto(state.rejected_days, 0.0, where=used)


def _be_surprised(state: FilterState, sight: hypothesis.Sight | None, used: Bools) -> None:
    """Keep the fading sum of how far weigh-ins fell from what was expected, with their sign; in place."""
    kept = np.where(used, SURPRISE_KEPT, SURPRISE_FADES)
    state.surprise *= kept
    state.surprise_variance *= kept * kept
    if sight is not None:
        state.surprise += np.clip(np.where(used, sight.innovation / np.sqrt(sight.variance), 0.0), -2.0, 2.0)
        state.surprise_variance += used


def unrest(state: FilterState, cut: Bools) -> Floats:
    """How much more than usual maintenance may move tonight, as a factor on the variance of its walk, (athletes,).

    Weigh-ins that keep falling on one side of what the log makes expected mean a new job, or eating that is no longer
    written down; the latter most of all in a cut whose scale stays up.
    """
    square = state.surprise**2 / np.maximum(state.surprise_variance, SURPRISE_LEAST_VARIANCE)
    extra = np.clip(UNREST * (square - 1.0), 0.0, UNREST_MOST)
    return 1.0 + extra * np.where(cut & (state.surprise > 0.0), UNREST_IN_CUT, 1.0)


def _begin_phase(state: FilterState, switch: Bools, day: Day) -> None:
    """A new phase may change how the target is followed; and the target in force is known."""
    rows = np.flatnonzero(switch)
    state.share[rows] = 1.0 + 0.5 * (state.share[rows] - 1.0)
    state.share_variance[rows] += estimation_intake.SHARE_SWITCH_SD**2
    np.copyto(state.last_target, day.target_kcal, where=~np.isnan(day.target_kcal))


def _correct_fat(state: FilterState, before_kg: Floats, lost_sight: Bools, used: Bools) -> Floats | None:
    """What a weigh-in corrects of a mass that was only supposed it corrects of fat too; in place.

    After months without a weigh-in (`lost_sight`) by partition, in the first days by keeping the share; returns by how
    much fat was rescaled there, if anybody's was.
    """
    moved_kg = state.mean[TISSUE] - before_kg
    known = used & (state.weighed_days >= FIRST_WEIGHINGS) & lost_sight
    state.fat_mean[0] += np.where(known, m.fat_change_kg(moved_kg, state.fat_mean[0]), 0.0)
    ratio = state.mean[TISSUE] / np.maximum(before_kg, 20.0)
    supposed = (np.abs(ratio - 1.0) > SUPPOSED) & used & (state.weighed_days < FIRST_WEIGHINGS)
    if not supposed.any():
        return None
    ratio = np.where(supposed, ratio, 1.0)
    state.fat_mean[0] *= ratio
    state.fat_cov[0] *= ratio
    state.fat_cov[0, 0] *= ratio
    return ratio


def expected_mass_kg(state: FilterState) -> Floats:
    """What the scale would show next morning, rhythms apart; array (athletes,)."""
    mean = state.mean
    return np.asarray(mean[TISSUE] + state.water * mean[WATER] + mean[FLUID] + mean[GUT] + mean[SCALE])


def noise_scale(state: FilterState) -> Floats:
    """The athlete's own variance of weighing against the usual one; arrays (athletes,)."""
    return (NOISE_PRIOR_DAYS + state.noise_scale_sum) / (NOISE_PRIOR_DAYS + state.noise_scale_days)


def _target_says(state: FilterState, day: Day) -> tuple[Floats, Floats]:
    """Maintenance that a new phase's target implies, kcal (NaN: nothing new), and its relative spread."""
    first = np.isnan(state.last_target)
    new = state.started & ~np.isnan(day.target_kcal) & (first | (day.phase_day == 1))
    implied, spread = np.full(new.shape, np.nan), np.ones(new.shape)
    rows = np.flatnonzero(new)
    if rows.size:
        phase = day.phase[rows]
        implied[rows] = day.target_kcal[rows] / (1.0 + m.phase_value(m.PHASE_SHARE, phase))
        spread[rows] = m.phase_value(m.TARGET_SD, phase) * np.where(first[rows], 1.0, m.LATER_TARGET_WIDENING)
    return implied, spread


def _weighing_row(state: FilterState, day: Day, size: int) -> kalman.Row:
    """What a weigh-in shows of the states in use."""
    weekday = 2.0 * np.pi * (float((day.date.astype(np.int64) + 3) % WEEK) - 6.5) / WEEK
    row: dict[int, Floats | float] = {TISSUE: 1.0, WATER: state.water, FLUID: 1.0, GUT: 1.0, SCALE: 1.0}
    row |= {WEEK_COS: float(np.cos(weekday)), WEEK_SIN: float(np.sin(weekday))}
    if size > min(CYCLE_COS, CYCLE_SIN):
        row[CYCLE_COS], row[CYCLE_SIN] = rhythm(cycle_day(state, day), state.cycle_days)
    return {at: coefficient for at, coefficient in row.items() if at < size}


def _judge(state: FilterState, sight: hypothesis.Sight) -> tuple[Bools, Ints]:
    """Which weigh-ins are left out, and which stand because rejected ones agreed with each other; in place."""
    far = np.abs(sight.innovation)
    gross: Bools = (far > GROSS_KG) & (far * far > GROSS_SD**2 * sight.variance)  # False where NaN
    rows = np.flatnonzero(gross)
    if not rows.size:
        return gross, rows
    mass_kg = sight.mass_kg[rows]
    expected = np.maximum(mass_kg - sight.innovation[rows], 20.0)
    slip = np.zeros(rows.shape, dtype=np.bool_)
    for factor in SLIPS:
        slip |= np.abs(mass_kg / factor - expected) < 0.04 * expected
    near = np.abs(mass_kg - state.rejected_kg[rows]) < GROSS_KG
    in_a_row = np.where(near, state.rejected_days[rows] + 1.0, 1.0)
    young = state.weighed_days[rows] < FIRST_WEIGHINGS
    again = near & (young | ~slip) & (in_a_row >= np.where(young, 2.0, 3.0))
    state.rejected_kg[rows], state.rejected_days[rows] = mass_kg, in_a_row
    gross[rows[again]] = False
    return gross, rows[again]


def _follow_cycle(state: FilterState, day: Day) -> None:
    """Take in a logged start of menstruation; the first one replaces the free rhythm by the known one; in place."""
    begins = state.started & day.menstruation_started
    if not begins.any():
        return
    first = np.flatnonzero(begins & np.isnan(state.cycle_day))
    state.scale_active[first] = False
    for row, value in ((CYCLE_COS, m.CYCLE_MEAN_KG), (CYCLE_SIN, 0.0)):
        state.mean[row, first] = value
        state.cov[row, :, first] = 0.0
        state.cov[:, row, first] = 0.0
        state.cov[row, row, first] = m.CYCLE_SD_KG**2
    low, high = CYCLE_USUAL_DAYS
    known = begins & (state.cycle_day >= low) & (state.cycle_day <= high)
    length = np.where(known, state.cycle_day, state.cycle_days)
    state.cycle_days += 0.4 * (length - state.cycle_days)
    state.cycle_day[begins] = 0.0


def measure_fat(state: FilterState, day: Day) -> tuple[Ints, kalman.Update] | None:
    """Take in the day's measurements of body fat, in place; returns whose and the update, of those only."""
    rows = np.flatnonzero(state.started & ~np.isnan(day.body_fat_pct) & ~np.isnan(day.body_fat_se_pct))
    if not rows.size:
        return None
    se_pct = day.body_fat_se_pct[rows]
    mean, cov = np.take(state.fat_mean, rows, axis=1), np.take(state.fat_cov, rows, axis=2)
    cov[1, 1] = np.where(cov[1, 1] == 0.0, (m.FAT_BIAS_SHARE * se_pct) ** 2, cov[1, 1])
    row = {0: 100.0 / np.maximum(state.mean[TISSUE, rows], 20.0), 1: 1.0}
    noise = (1.0 - m.FAT_BIAS_SHARE**2) * se_pct**2
    done = kalman.update(mean, cov, row, day.body_fat_pct[rows], noise)
    state.fat_mean[:, rows], state.fat_cov[:, :, rows] = mean, cov
    return rows, done
