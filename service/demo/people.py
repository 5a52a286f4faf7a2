"""Who the simulated athletes are: bodies, habits and loggers, drawn from published spreads where there are any.

Spreads without a named source are common practice or the project's own assumptions about untidy rosters.
"""

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from service.demo import physiology
from service.demo.records import Bools, Floats, Ints

USUAL_CARBOHYDRATE_SHARE = (0.38, 0.55)


@dataclass
class People:
    """Traits of the athletes; every array has shape (athletes,). Editable, so that a scenario can set a trait."""

    # body
    male: Bools
    age_y: Floats
    height_cm: Floats
    mass_kg: Floats
    fat_kg: Floats
    resting_factor: Floats  # true resting energy over the equation's; SD 8 %
    activity_level: Floats  # true total over resting expenditure at the start
    lean_share_loss: Floats
    lean_share_gain: Floats
    carbohydrate_share: Floats  # of energy, usual
    # coach
    activity_factor: Floats  # as the coach judged it; NaN = unknown
    # eating
    adherence_sd: Floats  # day to day, as a share of the target
    weekend_excess: Floats  # share of the target eaten on top on Saturdays and Sundays
    hunger_response: Floats  # share of the deficit eaten back per unit of hunger
    abandon_rate: Floats  # chance per day of quietly giving up a cut, at a hunger of 0.2
    hides: Bools  # after giving up, logs less of what is eaten
    fast_rate: Floats  # chance per day of a declared fast
    activity_drift_sd: Floats  # of the logarithm of activity, over months
    job_change_rate: Floats  # chance per day of a jump in activity
    activity_response: Floats  # share of activity lost per unit of hunger
    # logging
    reporting_factor: Floats  # logged over eaten
    reporting_drift: Floats  # change of its logarithm over 100 days
    reporting_weekend: Floats  # further factor at weekends
    weigh_in_missing: Floats
    weigh_in_gap_days: Floats  # mean length of a gap
    food_missing: Floats  # days not logged or only partly logged
    food_gap_days: Floats
    partial_share: Floats  # of the untidy food days: partly logged, the others not at all
    marks_complete: Bools  # says "complete" on whole days
    logs_carbohydrate: Bools
    # scale
    scale_sd_kg: Floats
    scale_correlation: Floats  # of the noise from one day to the next
    clothes_rate: Floats
    new_scale_day: Ints  # day from which another scale is used; a large number = never
    new_scale_offset_kg: Floats
    weekly_rhythm: Floats  # peak to trough as a share of body mass, beyond what weekend food and salt bring about
    # cycle
    cycles: Bools
    cycle_days: Floats
    cycle_start: Floats  # day of the first menstruation
    menstrual_kg: Floats
    logs_cycle: Bools
    # measurements
    body_fat_method: Ints  # 0 tape, 1 skinfold, 2 scan; -1 = never measured
    body_fat_every_days: Ints  # 0 = only at the start

    @property
    def body_fat_pct(self) -> Floats:
        """Body fat at the start in per cent of mass."""
        return 100 * self.fat_kg / self.mass_kg

    def resting_kcal(self) -> Floats:
        """True resting energy at the start, kcal/day."""
        return self.resting_factor * physiology.resting_energy(self.male, self.age_y, self.height_cm, self.mass_kg)


def _bodies(rng: Generator, n: int) -> dict[str, Floats | Bools]:
    male = rng.random(n) < 0.5
    age = np.clip(rng.normal(31, 8, n), 18.5, 62)
    height = np.where(male, rng.normal(178.5, 6.8, n), rng.normal(165.5, 6.3, n))
    fat_free_index = np.where(male, rng.normal(20.6, 1.5, n), rng.normal(16.6, 1.2, n))
    fat_share = np.where(male, np.clip(rng.normal(19, 4.5, n), 12, 33), np.clip(rng.normal(28, 5, n), 20, 42)) / 100
    mass = fat_free_index * (height / 100) ** 2 / (1 - fat_share)
    return {"male": male, "age_y": age, "height_cm": height, "mass_kg": mass, "fat_kg": mass * fat_share}


def draw_people(rng: Generator, athletes: int, days: int) -> People:
    """Draw `athletes` people who will be watched for `days` days."""
    n = athletes
    bodies = _bodies(rng, n)
    male = bodies["male"].astype(np.bool_)
    activity_level = np.clip(rng.normal(1.65, 0.16, n), 1.35, 2.3)
    judged = np.round((activity_level + rng.normal(0, 0.13, n)) / 0.05) * 0.05
    cycles = ~male & (bodies["age_y"] < 50) & (rng.random(n) < 0.75)
    changes_scale = rng.random(n) < 0.15
    offset = rng.normal(0, 0.8, n)
    return People(
        **bodies,  # type: ignore[arg-type]
        resting_factor=np.clip(1 + 0.08 * rng.standard_normal(n), 0.78, 1.25),
        activity_level=activity_level,
        lean_share_loss=rng.uniform(0.25, 1.0, n),
        lean_share_gain=rng.uniform(0.6, 2.0, n),
        carbohydrate_share=rng.uniform(*USUAL_CARBOHYDRATE_SHARE, n),
        activity_factor=np.where(rng.random(n) < 0.15, np.nan, np.clip(judged, 1.2, 2.4)),
        adherence_sd=rng.uniform(0.12, 0.20, n),
        weekend_excess=rng.uniform(0.0, 0.08, n),
        hunger_response=np.exp(rng.normal(np.log(0.8), 0.5, n)),
        abandon_rate=np.exp(rng.normal(np.log(0.010), 0.7, n)),
        hides=rng.random(n) < 0.3,
        activity_drift_sd=np.full(n, 0.12),
        job_change_rate=np.full(n, 1 / 150),
        activity_response=rng.uniform(0.0, 1.2, n),
        fast_rate=np.where(rng.random(n) < 0.12, rng.uniform(0.02, 0.10, n), 0.0),
        reporting_factor=np.clip(rng.normal(0.88, 0.10, n), 0.55, 1.12),
        reporting_drift=np.where(rng.random(n) < 0.25, rng.normal(0, 0.07, n), 0.0),
        reporting_weekend=np.where(rng.random(n) < 0.35, rng.uniform(0.80, 1.0, n), 1.0),
        weigh_in_missing=rng.uniform(0.10, 0.50, n),
        weigh_in_gap_days=rng.uniform(1.3, 4.5, n),
        food_missing=rng.uniform(0.05, 0.50, n),
        food_gap_days=rng.uniform(1.2, 3.5, n),
        partial_share=np.full(n, 1 / 3),
        marks_complete=rng.random(n) < 0.6,
        logs_carbohydrate=rng.random(n) < 0.85,
        scale_sd_kg=rng.uniform(0.35, 0.55, n),
        scale_correlation=rng.uniform(0.15, 0.5, n),
        clothes_rate=np.where(rng.random(n) < 0.5, rng.uniform(0.0, 0.08, n), 0.0),
        new_scale_day=np.where(changes_scale, rng.integers(14, max(days, 15), n), 10**6),
        new_scale_offset_kg=np.sign(offset) * np.maximum(np.abs(offset), 0.4),
        weekly_rhythm=0.0007 * rng.uniform(0.0, 2.0, n),
        cycles=cycles,
        cycle_days=np.clip(rng.normal(28.5, 2.5, n), 23, 38),
        cycle_start=rng.uniform(0, 28, n),
        menstrual_kg=np.where(cycles, 0.45 * rng.uniform(0.3, 1.7, n), 0.0),  # doi 10.1002/ajhb.23951
        logs_cycle=rng.random(n) < 0.6,
        body_fat_method=np.where(rng.random(n) < 0.6, rng.choice([0, 1, 2], n, p=[0.5, 0.35, 0.15]), -1),
        body_fat_every_days=np.where(rng.random(n) < 0.5, rng.integers(14, 43, n), 0),
    )
