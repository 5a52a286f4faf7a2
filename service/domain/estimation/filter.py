"""The causal filter of `estimation`: one athlete-day after the other, batched, with a state that can be saved."""

from dataclasses import fields, replace
from typing import Any

import numpy as np

from service.domain import kalman
from service.domain.estimation import hypothesis, model
from service.domain.estimation import intake as estimation_intake
from service.domain.estimation import measurement_update as estimation_morning
from service.domain.estimation import model as m
from service.domain.estimation import scale_change as estimation_scale
from service.domain.estimation.model import EXCESS, MAINTENANCE, RESPONSE, TRANSFER
from service.domain.estimation.state import (
    FORTNIGHT,
    INTAKE,
    INTAKE_VARIANCE,
    KINDS,
    UNLOGGED,
    WEEK,
    Branch,
    Day,
    Drift,
    FilterState,
    Recent,
    Seen,
    Step,
    blank,
    mean_of_week,
    put,
)
from service.domain.records import Athletes, Bools, Floats, Ints, PhaseKind

SURPLUS_KCAL = 150.0  # how sharply partition turns from loss to gain
FOLLOW = 1.0 - float(np.exp(-1.0 / m.WATER_DAYS))


class Filter:
    """The filter at work on a batch of athletes: for every day `take_in`, then `sleep`; between them `seen` or `step`.

    The state given changes in place. `traced` keeps the updates of a day for the smoother.
    """

    # Of the day that was taken in:
    _day: Day
    _morning: estimation_morning.Morning
    _size: int  # the number of leading states in use
    _updates: tuple[kalman.Update, ...]  # target and weigh-in, if traced
    _other_updates: tuple[kalman.Update, ...]  # the same of the branches with a new scale
    _measured: tuple[Ints, kalman.Update] | None  # body fat
    _week: Floats  # (2, athletes), mean intake and mean unlogged part of the last seven days, kcal
    _water_after: tuple[Floats, Floats]  # the water's driver next morning and its variance
    _adapted: Floats  # relative intake by which the adaptation moves overnight
    _drift: Drift
    _change_kg: Floats  # of tissue overnight

    def __init__(self, state: FilterState, athletes: Athletes, *, traced: bool = False) -> None:
        self._state, self._athletes, self._traced = state, athletes, traced
        self._others = estimation_scale.Others(state)
        self._recent = Recent(state.recent)
        self.count = state.started.shape[0]

    def state(self) -> FilterState:
        """What is remembered, in one piece; good until the filter goes on."""
        self._state.recent = self._recent.window
        self._others.store(self._state)
        return self._state

    def take_in(self, day: Day) -> None:
        """Take in one day: weigh-in, measurement, target, then food; `day` describes the athletes of the batch."""
        state = self._state
        self._day = day = _told_before(state, day)
        self._begin(day)
        self._morning, self._size = estimation_morning.observe(state, self._others, day, traced=self._traced)
        self._settle()
        self._measured = estimation_morning.measure_fat(state, day)
        self._eat(day)

    def _begin(self, day: Day) -> None:
        """Set up the athletes whose first weigh-in is today."""
        who = np.flatnonzero(~self._state.started & ~np.isnan(day.mass_kg))
        if who.size:
            fresh = _first_state(self._athletes, day, who)
            put(self._state, who, fresh)
            self._recent.window[..., who] = fresh.recent

    def _settle(self) -> None:
        """Where a new scale is adopted, the branches change places."""
        morning, count = self._morning, self.count
        updates: tuple[kalman.Update, ...] = ()
        if self._traced:
            told = kalman.spread_out(morning.told.update, morning.told.rows, count)
            updates = (told, morning.weighed or kalman.no_update(self._size, count))
        self._updates, self._other_updates = updates, updates[:0]
        if morning.suspicion is not None:
            self._updates, self._other_updates = estimation_scale.settle(
                self._state, self._others, morning.suspicion, updates
            )

    def _eat(self, day: Day) -> None:
        """The day's intake, what it teaches about the athlete's logging, and the change of the night to come."""
        state = self._state
        plan = np.maximum(np.where(np.isnan(day.target_kcal), state.mean[MAINTENANCE], day.target_kcal), 500.0)
        habit = estimation_intake.learn_habit(state.complete_days, state.silent_days)
        eaten = estimation_intake.of_day(
            day.intake_kcal, day.food_state, plan, state.share, state.share_variance, habit
        )
        fast = day.food_state == estimation_intake.FAST
        state.share, state.share_variance = estimation_intake.learn_share(
            state.share, state.share_variance, eaten, day.intake_kcal, plan, fast
        )
        carbohydrate, state.carbohydrate_share = estimation_intake.carbohydrate(
            day.carbohydrate_g, day.intake_kcal, (eaten.complete > 0.5) & ~fast, state.carbohydrate_share
        )
        state.complete_days += day.food_state == estimation_intake.COMPLETE
        state.silent_days += ~np.isnan(day.intake_kcal) & (day.food_state == estimation_intake.UNKNOWN)
        state.whole_days += eaten.complete * state.started
        self._recent.append(eaten.mean, eaten.unlogged, eaten.variance, state.water, state.water_variance)
        self._week = mean_of_week(self._recent.window[WEEK:, : UNLOGGED + 1])
        relative = (eaten.mean + eaten.unlogged * state.mean[EXCESS]) / state.reference_kcal - 1.0
        self._water_after = self._water(eaten, relative, carbohydrate)
        self._adapted = (relative - state.adaptation) / m.ADAPTATION_DAYS
        self._drift, self._change_kg = self._plan(state.mean, slice(None))

    def _water(self, eaten: estimation_intake.Intake, relative: Floats, carbohydrate: Floats) -> tuple[Floats, Floats]:
        """The water's driver next morning: relative intake, half by energy (salt, gut), half by carbohydrate."""
        state = self._state
        half = 0.5 + 0.5 * carbohydrate
        water = state.water + FOLLOW * ((relative + 1.0) * half - 1.0 - state.water)
        follows = FOLLOW**2 * eaten.variance / state.reference_kcal**2
        return water, (1.0 - FOLLOW) ** 2 * state.water_variance + follows

    def _plan(self, mean: Floats, rows: slice | Ints) -> tuple[Drift, Floats]:
        """Linearised change of the coming night and the tissue change itself, kg, for some athletes.

        Partition goes by the week's mean balance.
        """
        state, today = self._state, self._recent.window[-1]
        excess, maintenance = mean[EXCESS], mean[MAINTENANCE]
        week = self._week[INTAKE, rows] + self._week[UNLOGGED, rows] * excess - maintenance
        surplus = 0.5 * (1.0 + week / np.sqrt(week * week + SURPLUS_KCAL**2))
        base = state.transfer_kg_per_kcal[rows] * (1.0 + (state.gain_ratio[rows] - 1.0) * surplus)
        unlogged = today[UNLOGGED, rows]
        balance = today[INTAKE, rows] + unlogged * excess - maintenance
        transfer = base * mean[TRANSFER]
        adapted_kcal = state.reference_kcal[rows] * self._adapted[rows]
        return Drift(base, transfer, base * balance, transfer * unlogged, adapted_kcal), transfer * balance

    def seen(self, *, keep: bool = False) -> Seen:
        """What the outputs need of the day that was taken in; to `keep`, or else good until the filter goes on."""
        state = self._state
        adopted = np.zeros_like(state.started)
        if self._morning.suspicion is not None:
            adopted[self._others.rows] = self._morning.suspicion.won
        new_scale = adopted.copy()
        new_scale[self._morning.rescaled] = True
        seen = Seen(
            mean=state.mean,
            cov=state.cov,
            base=self._drift.base,
            recent=self._recent.window,
            week=self._week,
            cycle_day=estimation_morning.cycle_day(state, self._day),
            cut=self._day.phase == PhaseKind.CUT,
            outlier=self._morning.outlier,
            scale_adopted=adopted,
            new_scale=new_scale,
            **{name: getattr(state, name) for name in _SEEN_OF_STATE},
        )
        return Seen(**{f.name: np.copy(getattr(seen, f.name)) for f in fields(Seen)}) if keep else seen

    def sleep(self) -> None:
        """Move on to the next morning."""
        state, others, size = self._state, self._others, self._size
        spread = hypothesis.Spread(
            self._recent.window[-1, INTAKE_VARIANCE],
            state.reference_kcal,
            estimation_morning.noise_scale(state),
            estimation_morning.unrest(state, self._day.phase == PhaseKind.CUT),
        )
        state.structure_kcal += m.MASS_KCAL_PER_KG * self._change_kg
        state.structure_kcal += self._drift.adapted * state.mean[RESPONSE]
        hypothesis.sleep(state.mean[:size], state.cov[:size, :size], self._drift, self._change_kg, spread)
        if others.rows.size:
            drift, change_kg = self._plan(others.mean, others.rows)
            hypothesis.sleep(others.mean[:size], others.cov[:size, :size], drift, change_kg, spread.of(others.rows))
        state.adaptation += self._adapted
        state.water, state.water_variance = self._water_after
        state.fat_mean[0] += m.fat_change_kg(self._change_kg, state.fat_mean[0])
        state.fat_cov[0, 0] += m.FAT_DAILY_SD_KG**2
        state.cycle_day += 1.0

    def step(self) -> Step:
        """What the smoother needs of the day that was taken in, to keep; only if `traced`."""
        morning, others, count = self._morning, self._others, self.count
        seen = self.seen(keep=True)
        seen = replace(seen, cov=kalman.mirrored(seen.cov), fat_cov=kalman.mirrored(seen.fat_cov))
        begun, scale = np.zeros(count, np.bool_), None
        if morning.suspicion is not None:
            begun[others.rows] = morning.suspicion.begun
            drift, _ = self._plan(others.mean, others.rows)
            scale = Branch(others.mean.copy(), kalman.mirrored(others.cov), self._other_updates, drift)
        fat_update = kalman.no_update(2, count)
        if self._measured is not None:
            fat_update = kalman.spread_out(self._measured[1], self._measured[0], count)
        return Step(
            seen=seen,
            main=Branch(seen.mean, seen.cov, self._updates, self._drift),
            scale=scale,
            scale_rows=others.rows,
            scale_begun=begun,
            fat_update=fat_update,
            fat_ratio=np.ones(count) if morning.fat_ratio is None else morning.fat_ratio,
        )


_SEEN_OF_STATE = (
    "cycle_days", "fat_mean", "fat_cov", "log_maintenance", "maintenance_prior_sd", "expenditure_sd", "structure_kcal",
    "started", "days", "weighed_days", "whole_days",
)  # fmt: skip


def _told_before(state: FilterState, day: Day) -> Day:
    """Keep a body-fat measurement until the first weigh-in, and hand it to the day of that."""
    if state.started.all():
        return day
    waiting = ~state.started & ~np.isnan(day.body_fat_pct) & ~np.isnan(day.body_fat_se_pct)
    np.copyto(state.told_fat_pct, day.body_fat_pct, where=waiting)
    np.copyto(state.told_fat_se_pct, day.body_fat_se_pct, where=waiting)
    begins = ~state.started & ~np.isnan(day.mass_kg)
    return replace(
        day,
        body_fat_pct=np.where(begins, state.told_fat_pct, day.body_fat_pct),
        body_fat_se_pct=np.where(begins, state.told_fat_se_pct, day.body_fat_se_pct),
    )


def _first_state(athletes: Athletes, day: Day, who: Ints) -> FilterState:
    """Where the athletes `who` start, whose first weigh-in is on this day."""
    year = 1970.0 + float(day.date.astype(np.int64)) / 365.2425
    prior = model.prior(
        model.Start(
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
    recent = np.zeros((FORTNIGHT, len(KINDS), who.shape[0]))
    recent[:, INTAKE] = prior.reference_kcal
    recent[:, INTAKE_VARIANCE] = (0.15 * prior.reference_kcal) ** 2
    return replace(
        blank(who.shape[0]),
        started=np.ones(who.shape[0], dtype=np.bool_),
        mean=prior.mean,
        cov=prior.cov,
        reference_kcal=prior.reference_kcal,
        transfer_kg_per_kcal=prior.transfer_kg_per_kcal,
        gain_ratio=prior.gain_ratio,
        log_maintenance=prior.log_maintenance,
        maintenance_prior_sd=np.sqrt(prior.cov[MAINTENANCE, MAINTENANCE]),
        expenditure_sd=prior.expenditure_sd,
        carbohydrate_share=unknown,
        share_variance=np.full(who.shape[0], estimation_intake.SHARE_START_SD**2),
        last_target=unknown,
        recent=recent,
        fat_mean=prior.fat_mean,
        fat_cov=prior.fat_cov,
        cycle_day=unknown,
        cycle_days=np.full(who.shape[0], estimation_morning.CYCLE_DAYS),
        rejected_kg=unknown,
    )


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
