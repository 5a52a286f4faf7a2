"""The causal filter of `estimation`: one athlete-day after the other, batched, with a state that can be saved."""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from . import energy, estimation_intake, estimation_model, estimation_scale, kalman
from . import estimation_branch as branch
from . import estimation_model as m
from .estimation_model import (
    CYCLE_COS,
    CYCLE_SIN,
    EXCESS,
    FLUID,
    GUT,
    MAINTENANCE,
    RESPONSE,
    SCALE,
    STATES,
    TISSUE,
    TRANSFER,
    WATER,
    WEEK_COS,
    WEEK_SIN,
)
from .estimation_state import FORTNIGHT, WEEK, Branch, Day, Drift, FilterState, Step, blank, changed, put
from .records import Athletes, Bools, Floats, FoodState, Ints, PhaseKind

GROSS_KG, GROSS_SD = 3.5, 6.0  # beyond both a weigh-in is a slip of the finger and left out
SLIPS = (2.2046226, 0.45359237, 10.0, 0.1)  # never believed, however often they come
NOISE_PRIOR_DAYS = 20.0
SURPRISE_KEPT, SURPRISE_FADES = 0.9, 0.98  # of the sum: per weigh-in, per day without one
SURPRISE_LEAST_VARIANCE = 4.5  # a few weigh-ins prove nothing
UNREST, UNREST_MOST, UNREST_IN_CUT = 4.0, 20.0, 4.0
SUPPOSED = 0.04  # a mass that one weigh-in moves by this share was only supposed
CYCLE_DAYS = 28.0
CYCLE_USUAL_DAYS = (20.0, 45.0)


def advance(state: FilterState, athletes: Athletes, day: Day) -> tuple[FilterState, Step]:
    """Take in one day: weigh-in, measurement, target, then food, and move on to the next morning.

    `athletes` and `day` describe the same athletes as `state`, which must not be used again: its moments change in
    place. Returns the state for the next day and the day's step.
    """
    state, day = _told_before(state, day)
    state = _begin(state, athletes, day)
    state, morning = _observe(state, day)
    fat_mean, fat_cov, fat_update = _measure_fat(state, day)
    intake, state = _eat(state, day)
    structure = state.structure_kcal
    cut = day.phase == PhaseKind.CUT
    state, main, alternative = _night(state, intake, morning, fat_mean, fat_cov, cut)
    step = Step(
        main=main,
        scale=alternative,
        scale_rows=morning.scale_rows,
        scale_begun=morning.scale_begun,
        scale_adopted=morning.scale_adopted,
        new_scale=morning.new_scale,
        intake_days=state.intake_days,
        intake_variance_days=state.intake_variance_days,
        unlogged_days=state.unlogged_days,
        intake_week=state.intake_week,
        unlogged_week=state.unlogged_week,
        water_now=weighted(state.water_days[WEEK:], WHOLE_WEEK),
        water_before=weighted(state.water_days[:WEEK], WHOLE_WEEK),
        cycle_now=_cycle_at(state, day, -3.0),
        cycle_before=_cycle_at(state, day, -3.0 - WEEK),
        fat_mean=fat_mean,
        fat_cov=fat_cov,
        fat_update=fat_update,
        fat_ratio=morning.fat_ratio,
        structure_kcal=structure,
        cut=cut,
        outlier=morning.outlier,
        started=state.started,
        days=state.days,
        weighed_days=state.weighed_days,
        whole_days=state.whole_days,
    )
    return changed(state, cycle_day=state.cycle_day + 1.0), step


def _told_before(state: FilterState, day: Day) -> tuple[FilterState, Day]:
    """Keep a body-fat measurement until the first weigh-in, and hand it to the day of that."""
    if state.started.all():
        return state, day
    waiting = ~state.started & ~np.isnan(day.body_fat_pct) & ~np.isnan(day.body_fat_se_pct)
    told_pct = np.where(waiting, day.body_fat_pct, state.told_fat_pct)
    told_se_pct = np.where(waiting, day.body_fat_se_pct, state.told_fat_se_pct)
    begins = ~state.started & ~np.isnan(day.mass_kg)
    day = replace(
        day,
        body_fat_pct=np.where(begins, told_pct, day.body_fat_pct),
        body_fat_se_pct=np.where(begins, told_se_pct, day.body_fat_se_pct),
    )
    return changed(state, told_fat_pct=told_pct, told_fat_se_pct=told_se_pct), day


def _begin(state: FilterState, athletes: Athletes, day: Day) -> FilterState:
    """Set up the athletes whose first weigh-in is today."""
    who = np.flatnonzero(~state.started & ~np.isnan(day.mass_kg))
    if not who.size:
        return state
    year = 1970.0 + float(day.date.astype(np.int64)) / 365.2425
    prior = estimation_model.prior(
        estimation_model.Start(
            male=athletes.male[who],
            age_y=year - athletes.birth_year[who],
            height_cm=athletes.height_cm[who],
            activity_factor=athletes.activity_factor[who],
            mass_kg=day.mass_kg[who],
            body_fat_pct=day.body_fat_pct[who],
            body_fat_se_pct=day.body_fat_se_pct[who],
            target_kcal=day.target_kcal[who],
            phase=day.phase[who],
        )
    )
    unknown = np.full(who.shape[0], np.nan)
    reference = prior.reference_kcal
    fresh = changed(
        blank(who.shape[0]),
        started=np.ones(who.shape[0], dtype=np.bool_),
        mean=prior.mean,
        cov=prior.cov,
        reference_kcal=reference,
        transfer_kg_per_kcal=prior.transfer_kg_per_kcal,
        gain_ratio=prior.gain_ratio,
        log_maintenance=prior.log_maintenance,
        maintenance_prior_sd=np.sqrt(prior.cov[MAINTENANCE, MAINTENANCE]),
        expenditure_sd=prior.expenditure_sd,
        carbohydrate_share=unknown,
        share_variance=np.full(who.shape[0], estimation_intake.SHARE_START_SD**2),
        last_target=unknown,
        intake_days=np.repeat(reference[None], FORTNIGHT, axis=0),
        intake_variance_days=np.repeat((0.15 * reference[None]) ** 2, FORTNIGHT, axis=0),
        fat_mean=prior.fat_mean,
        fat_cov=prior.fat_cov,
        cycle_day=unknown,
        cycle_days=np.full(who.shape[0], CYCLE_DAYS),
        rejected_kg=unknown,
    )
    return put(state, who, fresh)


def weighted(values: Floats, weights: Floats) -> Floats:
    """Weighted sum over the first axis."""
    return kalman.fold(values * weights[:, None])


WHOLE_WEEK = np.full(WEEK, 1.0 / WEEK)


def _cycle_at(state: FilterState, day: Day, offset_days: float) -> Floats:
    """Cosine and sine of the menstrual cycle, (2, athletes); by the calendar until a start was logged."""
    calendar = float(day.date.astype(np.int64) % int(CYCLE_DAYS))
    at = np.where(np.isnan(state.cycle_day), calendar, state.cycle_day)
    angle = (at + offset_days) * (2.0 * np.pi / state.cycle_days)
    return np.stack([np.cos(angle), np.sin(angle)])


@dataclass(frozen=True)
class _Morning:
    """What a morning brought: to the main branch, and to those with a suspected new scale."""

    updates: tuple[kalman.Update, ...]
    scale_rows: Ints  # suspected today, those decided today included
    scale_updates: tuple[kalman.Update, ...]
    scale_begun: Bools
    scale_adopted: Bools
    new_scale: Bools
    outlier: Bools
    fat_ratio: Floats


def _observe(state: FilterState, day: Day) -> tuple[FilterState, _Morning]:
    """Phase switch, cycle, target and weigh-in."""
    state = changed(state, days=state.days + state.started)
    switch = state.started & (day.phase_day == 1) & (state.days > 1.0)
    state = _follow_cycle(state, day)
    implied, spread = _target_says(state, day)
    branch.switch_phase(state.mean, state.cov, switch, state.reference_kcal)
    told = branch.hear_target(state.mean, state.cov, implied, spread)
    h = _weighing_vector(state, day)
    noise = noise_scale(state)
    mass = np.where(state.started, day.mass_kg, np.nan)
    sight = branch.see(state.mean, state.cov, h, mass, noise, state.water_variance)
    state, gross, again = _judge(state, mass, sight)
    grown = again & (state.weighed_days >= estimation_scale.KNOWN_WEIGHINGS)
    if again.any():  # kilograms overnight are no tissue where the mass was known: another scale
        doubt = np.where(again, sight.innovation**2, 0.0)
        state.cov[TISSUE, TISSUE] += np.where(grown, 0.0, doubt)
        state.cov[SCALE, SCALE] += np.where(grown, doubt, 0.0)
        sight = branch.see(state.mean, state.cov, h, mass, noise, state.water_variance)
    mass = np.where(gross, np.nan, mass)
    used = ~np.isnan(mass)
    z2 = np.where(used, sight.innovation**2 / sight.variance, 0.0)

    suspicion = estimation_scale.follow(
        state,
        switch,
        (implied, spread, told),
        h,
        mass,
        noise,
        np.where(used, sight.log_density, 0.0),
        z2,
        np.where(used, np.abs(sight.innovation), 0.0),
        day.phase_day,
    )
    before_kg = state.mean[TISSUE].copy()
    weighed = branch.weigh(state.mean, state.cov, h, mass, sight, again)
    state, fat_ratio = _rescale_fat(state, before_kg)
    state, updates, scale_updates = suspicion.settle(state, (told, weighed))
    state = changed(
        state,
        share=np.where(switch, 1.0 + 0.5 * (state.share - 1.0), state.share),
        share_variance=state.share_variance + switch * estimation_intake.SHARE_SWITCH_SD**2,
        last_target=np.where(np.isnan(day.target_kcal), state.last_target, day.target_kcal),
        noise_scale_sum=state.noise_scale_sum + np.minimum(z2, 6.0),
        noise_scale_days=state.noise_scale_days + used,
        weighed_days=state.weighed_days + used,
        surprise=np.where(used, SURPRISE_KEPT * state.surprise, SURPRISE_FADES * state.surprise) + _sign(sight, used),
        surprise_variance=np.where(
            used, SURPRISE_KEPT**2 * state.surprise_variance + 1.0, SURPRISE_FADES**2 * state.surprise_variance
        ),
    )
    return state, _Morning(
        updates=updates,
        scale_rows=suspicion.rows,
        scale_updates=scale_updates,
        scale_begun=suspicion.begun,
        scale_adopted=suspicion.adopted,
        new_scale=suspicion.adopted | grown,
        outlier=gross | (z2 > 9.0),
        fat_ratio=fat_ratio,
    )


def _rescale_fat(state: FilterState, before_kg: Floats) -> tuple[FilterState, Floats]:
    """Keep the fat share where a weigh-in corrects what was only supposed of the mass: a first one, or after a slip."""
    ratio = state.mean[TISSUE] / np.maximum(before_kg, 20.0)
    ratio = np.where((np.abs(ratio - 1.0) > SUPPOSED) & state.started, ratio, 1.0)
    fat_mean, fat_cov = state.fat_mean.copy(), state.fat_cov.copy()
    fat_mean[0] *= ratio
    fat_cov[0] *= ratio
    fat_cov[:, 0] *= ratio
    return changed(state, fat_mean=fat_mean, fat_cov=fat_cov), ratio


def expected_mass_kg(state: FilterState) -> Floats:
    """What the scale would show next morning, rhythms apart; array (athletes,)."""
    mean = state.mean
    return np.asarray(mean[TISSUE] + state.water * mean[WATER] + mean[FLUID] + mean[GUT] + mean[SCALE])


def noise_scale(state: FilterState) -> Floats:
    """The athlete's own variance of weighing against the usual one; arrays (athletes,)."""
    return (NOISE_PRIOR_DAYS + state.noise_scale_sum) / (NOISE_PRIOR_DAYS + state.noise_scale_days)


def _sign(sight: branch.Sight, used: Bools) -> Floats:
    """How surprising a weigh-in is, in standard deviations with its sign, at most two; 0 without one."""
    return np.clip(np.where(used, sight.innovation / np.sqrt(sight.variance), 0.0), -2.0, 2.0)


def _unrest(state: FilterState, cut: Bools) -> Floats:
    """How much more than usual maintenance may move tonight, as a factor on the variance of its walk.

    Weigh-ins that keep falling on one side of what the log makes expected mean a new job, or eating that is no longer
    written down; the latter most of all in a cut whose scale stays up.
    """
    square = state.surprise**2 / np.maximum(state.surprise_variance, SURPRISE_LEAST_VARIANCE)
    extra = np.clip(UNREST * (square - 1.0), 0.0, UNREST_MOST)
    return 1.0 + extra * np.where(cut & (state.surprise > 0.0), UNREST_IN_CUT, 1.0)


def _target_says(state: FilterState, day: Day) -> tuple[Floats, Floats]:
    """Maintenance that a new phase's target implies, kcal (NaN: nothing new), and its relative spread."""
    new = state.started & ~np.isnan(day.target_kcal) & (np.isnan(state.last_target) | (day.phase_day == 1))
    implied = np.where(new, day.target_kcal, np.nan) / (1.0 + m.phase_value(m.PHASE_SHARE, day.phase))
    later = np.where(np.isnan(state.last_target), 1.0, m.LATER_TARGET_WIDENING)
    return implied, m.phase_value(m.TARGET_SD, day.phase) * later


def _weighing_vector(state: FilterState, day: Day) -> Floats:
    h = np.zeros((STATES, state.started.shape[0]))
    weekday = 2.0 * np.pi * (float((day.date.astype(np.int64) + 3) % WEEK) - 6.5) / WEEK
    h[TISSUE], h[WATER], h[FLUID], h[GUT], h[SCALE] = 1.0, state.water, 1.0, 1.0, 1.0
    h[WEEK_COS], h[WEEK_SIN] = np.cos(weekday), np.sin(weekday)
    h[CYCLE_COS], h[CYCLE_SIN] = _cycle_at(state, day, 0.0)
    return h


def _judge(state: FilterState, mass: Floats, sight: branch.Sight) -> tuple[FilterState, Bools, Bools]:
    """Which weigh-ins are left out, and which stand because rejected ones agreed with each other."""
    far = np.where(np.isnan(mass), 0.0, np.abs(sight.innovation))
    gross = (far > GROSS_KG) & (far * far > GROSS_SD**2 * sight.variance)
    expected = np.maximum(mass - sight.innovation, 20.0)
    slip = np.zeros_like(gross)
    for factor in SLIPS:
        slip |= np.abs(mass / factor - expected) < 0.04 * expected
    near = gross & (np.abs(mass - state.rejected_kg) < GROSS_KG)
    in_a_row = np.where(gross, np.where(near, state.rejected_days + 1.0, 1.0), 0.0)
    young = state.weighed_days < 5.0
    again = near & (young | ~slip) & (in_a_row >= np.where(young, 2.0, 3.0))
    gross &= ~again
    used = ~np.isnan(mass) & ~gross
    state = changed(
        state,
        rejected_kg=np.where(gross, mass, np.where(used, np.nan, state.rejected_kg)),
        rejected_days=np.where(used, 0.0, np.where(gross, in_a_row, state.rejected_days)),
    )
    return state, gross, again


def _follow_cycle(state: FilterState, day: Day) -> FilterState:
    """Take in a logged start of menstruation; the first one replaces the free rhythm by the known one."""
    begins = state.started & day.menstruation_started
    if not begins.any():
        return state
    first = np.flatnonzero(begins & np.isnan(state.cycle_day))
    state = changed(state, scale_active=state.scale_active & ~(begins & np.isnan(state.cycle_day)))
    for row, value in ((CYCLE_COS, m.CYCLE_MEAN_KG), (CYCLE_SIN, 0.0)):
        state.mean[row, first] = value
        state.cov[row, :, first] = 0.0
        state.cov[:, row, first] = 0.0
        state.cov[row, row, first] = m.CYCLE_SD_KG**2
    low, high = CYCLE_USUAL_DAYS
    known = begins & (state.cycle_day >= low) & (state.cycle_day <= high)
    length = np.where(known, state.cycle_day, state.cycle_days)
    return changed(
        state,
        cycle_day=np.where(begins, 0.0, state.cycle_day),
        cycle_days=state.cycle_days + 0.4 * (length - state.cycle_days),
    )


def _measure_fat(state: FilterState, day: Day) -> tuple[Floats, Floats, kalman.Update]:
    """Fat mass and measurement bias after the day's measurement."""
    fat_mean, fat_cov = state.fat_mean.copy(), state.fat_cov.copy()
    seen = state.started & ~np.isnan(day.body_fat_pct) & ~np.isnan(day.body_fat_se_pct)
    if not seen.any():
        return fat_mean, fat_cov, kalman.no_update(2, seen.shape[0])
    se = np.where(seen, day.body_fat_se_pct, 1.0)
    fat_cov[1, 1] = np.where(seen & (fat_cov[1, 1] == 0.0), (m.FAT_BIAS_SHARE * se) ** 2, fat_cov[1, 1])
    h = np.stack([100.0 / np.maximum(state.mean[TISSUE], 20.0), np.ones_like(se)])
    noise = (1.0 - m.FAT_BIAS_SHARE**2) * se**2
    done = kalman.update(fat_mean, fat_cov, h, np.where(seen, day.body_fat_pct, np.nan), noise)
    return fat_mean, fat_cov, done


def _eat(state: FilterState, day: Day) -> tuple[estimation_intake.Intake, FilterState]:
    """The day's intake, and what it teaches about the athlete's logging."""
    plan = np.maximum(np.where(np.isnan(day.target_kcal), state.mean[MAINTENANCE], day.target_kcal), 500.0)
    habit = estimation_intake.learn_habit(state.complete_days, state.silent_days)
    intake = estimation_intake.of_day(day.intake_kcal, day.food_state, plan, state.share, state.share_variance, habit)
    fast = day.food_state == FoodState.FAST
    share, share_variance = estimation_intake.learn_share(
        state.share, state.share_variance, intake, day.intake_kcal, plan, fast
    )
    relative, usual = estimation_intake.carbohydrate(
        day.carbohydrate_g, day.intake_kcal, (intake.complete > 0.5) & ~fast, state.carbohydrate_share
    )
    silent = ~np.isnan(day.intake_kcal) & (day.food_state == FoodState.UNKNOWN)
    intake_days = np.concatenate([state.intake_days[1:], intake.mean[None]])
    unlogged_days = np.concatenate([state.unlogged_days[1:], intake.unlogged[None]])
    return intake, changed(
        state,
        share=share,
        share_variance=share_variance,
        complete_days=state.complete_days + (day.food_state == FoodState.COMPLETE),
        silent_days=state.silent_days + silent,
        carbohydrate_share=usual,
        whole_days=state.whole_days + np.where(state.started, intake.complete, 0.0),
        intake_days=intake_days,
        intake_week=weighted(intake_days[WEEK:], WHOLE_WEEK),
        intake_variance_days=np.concatenate([state.intake_variance_days[1:], intake.variance[None]]),
        unlogged_days=unlogged_days,
        unlogged_week=weighted(unlogged_days[WEEK:], WHOLE_WEEK),
        water_days=np.concatenate([state.water_days[1:], state.water[None]]),
        water=_water_after(state, intake, relative),
        water_variance=(1.0 - FOLLOW) ** 2 * state.water_variance
        + FOLLOW**2 * intake.variance / state.reference_kcal**2,
    )


FOLLOW = 1.0 - float(np.exp(-1.0 / m.WATER_DAYS))


def _water_after(state: FilterState, intake: estimation_intake.Intake, carbohydrate: Floats) -> Floats:
    """The water's driver next morning: relative intake, half by energy (salt, gut), half by carbohydrate."""
    eaten = (intake.mean + intake.unlogged * state.mean[EXCESS]) / state.reference_kcal
    after: Floats = state.water + FOLLOW * (eaten * (0.5 + 0.5 * carbohydrate) - 1.0 - state.water)
    return after


def _drift(
    state: FilterState, mean: Floats, intake: estimation_intake.Intake, adapted_kcal: Floats, rows: slice | Ints
) -> tuple[Drift, Floats]:
    """Linearised change of the coming night and the tissue change itself, kg; partition by the week's mean balance."""
    excess, maintenance = mean[EXCESS], mean[MAINTENANCE]
    week = state.intake_week[rows] + state.unlogged_week[rows] * excess
    week -= maintenance
    surplus = 0.5 * (1.0 + week / np.sqrt(week * week + SURPLUS_KCAL**2))
    base = state.transfer_kg_per_kcal[rows] * (1.0 + (state.gain_ratio[rows] - 1.0) * surplus)
    balance = intake.mean[rows] + intake.unlogged[rows] * excess - maintenance
    transfer = base * mean[TRANSFER]
    return Drift(base, transfer, base * balance, intake.unlogged[rows], adapted_kcal[rows]), transfer * balance


SURPLUS_KCAL = 150.0  # how sharply partition turns from loss to gain


def _night(
    state: FilterState,
    intake: estimation_intake.Intake,
    morning: _Morning,
    fat_mean: Floats,
    fat_cov: Floats,
    cut: Bools,
) -> tuple[FilterState, Branch, Branch | None]:
    """Move both branches on to the next morning; returns the state and the branches as they were in the morning."""
    eaten = (intake.mean + intake.unlogged * state.mean[EXCESS]) / state.reference_kcal - 1.0
    adapted = (eaten - state.adaptation) / m.ADAPTATION_DAYS
    adapted_kcal = state.reference_kcal * adapted
    drift, change = _drift(state, state.mean, intake, adapted_kcal, slice(None))
    main = Branch(state.mean, state.cov, morning.updates, drift)
    spread = branch.Spread(intake.variance, state.reference_kcal, noise_scale(state), _unrest(state, cut))
    mean, cov = state.mean.copy(), state.cov.copy()
    structure = state.structure_kcal + m.MASS_KCAL_PER_KG * change + adapted_kcal * mean[RESPONSE]
    branch.sleep(mean, cov, drift, change, spread)
    alternative = None
    if morning.scale_rows.size:
        alternative = _scale_night(state, intake, morning, adapted_kcal, spread)
    lean = np.where(change < 0.0, m.LEAN_LOSS, m.LEAN_GAIN) * energy.lean_share_of_mass_change(
        np.maximum(fat_mean[0], 1.0)
    )
    fat_cov = fat_cov.copy()
    fat_cov[0, 0] += m.FAT_DAILY_SD_KG**2
    state = changed(
        state,
        mean=mean,
        cov=cov,
        structure_kcal=structure,
        adaptation=state.adaptation + adapted,
        fat_mean=np.stack([fat_mean[0] + change * (1.0 - np.minimum(lean, m.LEAN_MOST)), fat_mean[1]]),
        fat_cov=fat_cov,
    )
    return state, main, alternative


def _scale_night(
    state: FilterState,
    intake: estimation_intake.Intake,
    morning: _Morning,
    adapted_kcal: Floats,
    spread: branch.Spread,
) -> Branch:
    """The night of those with a suspected new scale; their moments change in place, those of the morning return."""
    rows = morning.scale_rows
    mean = np.ascontiguousarray(state.scale_mean[:, rows])
    cov = np.ascontiguousarray(state.scale_cov[:, :, rows])
    drift, change = _drift(state, mean, intake, adapted_kcal, rows)
    before = Branch(mean.copy(), cov.copy(), morning.scale_updates, drift)
    some = branch.Spread(**{f.name: getattr(spread, f.name)[rows] for f in fields(branch.Spread)})
    branch.sleep(mean, cov, drift, change, some)
    state.scale_mean[:, rows] = mean
    state.scale_cov[:, :, rows] = cov
    return before


def chosen_branch(step: Step, won: Bools) -> Branch:
    """The main branch of a day, with the one of the new scale where it `won` (athletes,) in the end."""
    if step.scale is None or not won[step.scale_rows].any():
        return step.main
    here = won[step.scale_rows]
    rows = step.scale_rows[here]

    def mixed(main: Floats, other: Floats) -> Floats:
        values = main.copy()
        values[..., rows] = other[..., here]
        return values

    def mixed_all(main: Any, other: Any) -> Any:
        return type(main)(**{f.name: mixed(getattr(main, f.name), getattr(other, f.name)) for f in fields(main)})

    updates = tuple(mixed_all(a, b) for a, b in zip(step.main.updates, step.scale.updates, strict=True))
    return Branch(
        mixed(step.main.mean, step.scale.mean),
        mixed(step.main.cov, step.scale.cov),
        updates,
        mixed_all(step.main.drift, step.scale.drift),
    )
