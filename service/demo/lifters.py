"""Simulated lifters for the athletes of a world: true strength by lift and day, and the sets they write down.

Strength rises in a surplus, is kept or slowly lost in steep cuts, fades without training and returns quickly to an old
level. Directions after Murphy & Koehler 2022, doi 10.1111/sms.14075 (a deficit stops lean gain, strength mostly kept)
and Garthe 2011, IJSNEM 21:97; sizes are common practice, no source. Repetitions to failure follow a personal hyperbola
reps = 1 + k·(1RM/load − 1), whose mean k = 27 gives 5 at 87 % and 10 at 75 %, as the %1RM table of the NSCA has it
(from memory). Every random number belongs to a day, so that a longer world only adds days.
"""

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator, SeedSequence

from service.demo.records import Bools, Floats, Ints, World

LIFTS = (
    "back-squat", "romanian-deadlift", "bench-press", "overhead-press", "barbell-row", "pull-up", "split-squat",
    "triceps-pushdown",
)  # fmt: skip
PULL_UP = LIFTS.index("pull-up")
NOVICE, INTERMEDIATE, ADVANCED = 0, 1, 2
EXPERIENCE_NAMES = ("novice", "intermediate", "advanced")

# one-repetition maximum over fat-free mass (pull-up: over body mass), men, by experience; common practice, no source
_LEVEL = np.array(
    [
        [1.40, 1.45, 1.05, 0.75, 0.90, 0.95, 0.35, 0.50],
        [1.90, 2.00, 1.45, 0.95, 1.20, 1.20, 0.46, 0.65],
        [2.40, 2.45, 1.80, 1.15, 1.45, 1.42, 0.56, 0.80],
    ]
)
_WOMEN = np.array([0.92, 0.92, 0.74, 0.76, 0.82, 0.84, 0.88, 0.78])
_LEAST_KG = np.array([20.0, 20.0, 20.0, 20.0, 20.0, -np.inf, 2.5, 2.5])  # an empty bar; pull-ups take assistance
_GAIN_PCT_PER_WEEK = np.array([1.0, 0.45, 0.18])
_LAST_GAIN_PCT = np.array([30.0, 18.0, 9.0])  # what is still to be won, about
_STEP_KG = 2.5
WORK_SETS, WARM_UP_SETS = 4, 2
_ROTATION = np.array([[0, 2, 4, 7], [1, 3, 5, 6]])  # lifts of one session after another


@dataclass
class Lifters:
    """Traits of the lifters; arrays of shape (athletes,) or (athletes, lifts). Editable for scenarios."""

    experience: Ints  # NOVICE, INTERMEDIATE, ADVANCED
    start_kg: Floats  # (athletes, lifts) one-repetition maximum on the first day; pull-up: system mass
    gain_pct_per_week: Floats  # with enough food and effort
    tolerance: Floats  # deficit (share of maintenance) that costs no strength
    loss_pct_per_week: Floats  # (athletes, lifts) per 0.1 of deficit beyond the tolerance
    sessions_per_week: Ints
    skip_rate: Floats  # share of planned sessions missed
    curve: Floats  # (athletes, lifts) k of the repetition hyperbola
    reps_aim: Floats  # (athletes, lifts) repetitions of the first work set
    rir_bias: Floats  # logged minus true
    rir_missing: Floats
    warm_ups: Bools  # logs warm-up sets
    marks_warm_ups: Bools


@dataclass(frozen=True)
class Training:
    """What was lifted and what could have been: truth by day, and the logged sets as columns of equal length."""

    lifts: tuple[str, ...]
    one_rep_max_kg: Floats  # truth, (athletes, days, lifts); pull-up: system mass (body + added − assistance)
    athlete: Ints
    day: Ints
    lift: Ints
    load_kg: Floats  # as loaded; pull-up: added (positive) or assistance (negative)
    reps: Ints
    rir: Floats  # NaN = not said
    warm_up: Bools  # truth
    marked_warm_up: Bools  # said so


def draw_lifters(rng: Generator, world: World, experience: Ints | None = None) -> Lifters:
    """Draw lifting traits for the athletes of a world, with their experience given or drawn."""
    n, lifts = len(world.profile.male), len(LIFTS)
    if experience is None:
        experience = rng.choice(3, n, p=[0.3, 0.5, 0.2])
    body = world.truth.tissue_mass_kg[:, :1]
    fat_free = body - world.truth.fat_mass_kg[:, :1]
    base = np.repeat(fat_free, lifts, axis=1)
    base[:, PULL_UP] = body[:, 0] * (fat_free / body)[:, 0] / 0.82
    sex = np.where(world.profile.male[:, None], 1.0, _WOMEN)
    spread = np.exp(0.09 * rng.standard_normal((n, 1)) + 0.07 * rng.standard_normal((n, lifts)))
    return Lifters(
        experience=experience,
        start_kg=base * _LEVEL[experience] * sex * spread,
        gain_pct_per_week=_GAIN_PCT_PER_WEEK[experience] * np.exp(0.35 * rng.standard_normal(n)),
        tolerance=rng.uniform(0.03, 0.20, n),
        loss_pct_per_week=np.exp(rng.normal(np.log(1.0), 0.5, (n, 1)) + 0.4 * rng.standard_normal((n, lifts))),
        sessions_per_week=rng.choice([2, 3], n),
        skip_rate=rng.uniform(0.0, 0.2, n),
        curve=27 * np.exp(0.12 * rng.standard_normal((n, 1)) + 0.08 * rng.standard_normal((n, lifts))),
        reps_aim=rng.integers(5, 11, (n, lifts)).astype(np.float64),
        rir_bias=np.round(rng.normal(0.3, 0.5, n), 2),
        rir_missing=np.where(rng.random(n) < 0.2, 0.8, rng.uniform(0.0, 0.4, n)),
        warm_ups=rng.random(n) < 0.4,
        marks_warm_ups=rng.random(n) < 0.5,
    )


def _planned(rng: Generator, lifters: Lifters, world: World) -> tuple[Bools, Bools]:
    """Sessions held (days, athletes), and lifts done in them (days, athletes, lifts)."""
    weekday = (world.log.days.astype(np.int64) + 3) % 7
    week_days = {2: (0, 3), 3: (0, 2, 4), 4: (0, 1, 3, 4)}
    planned = np.zeros((len(weekday), len(lifters.experience)), dtype=np.bool_)
    for count, chosen in week_days.items():
        planned |= np.isin(weekday, chosen)[:, None] & (lifters.sessions_per_week == count)[None, :]
    held = planned & (rng.random(planned.shape) >= lifters.skip_rate)
    number = np.cumsum(planned, axis=0) % len(_ROTATION)
    done = (_ROTATION[number][..., None] == np.arange(len(LIFTS))).any(axis=2)
    return held, done & held[..., None]


def _strength(rng: Generator, lifters: Lifters, world: World, held: Bools) -> Floats:
    """True one-repetition maximum, shape (days, athletes, lifts)."""
    days, n = held.shape
    level = np.zeros((n, len(LIFTS)))  # logarithm over the start
    best = level.copy()
    idle = np.zeros(n)
    shocks = 0.0014 * rng.standard_normal((days, n, len(LIFTS)))
    out = np.empty((days, n, len(LIFTS)))
    ceiling = _LAST_GAIN_PCT[lifters.experience] / 100
    for day in range(days):
        out[day] = lifters.start_kg * np.exp(level)
        idle = np.where(held[day], 0, idle + 1)
        surplus = -world.truth.hunger[:, day]
        fed = np.clip(0.55 + 5 * surplus, 0.0, 1.0)
        room = np.clip(1 - level / ceiling[:, None], 0.05, 1.0)
        regained = np.where(level < best - 0.01, 2.5, 1.0)
        gain = (lifters.gain_pct_per_week * fed * (idle < 8))[:, None] * room * regained
        starved = np.maximum(-surplus - lifters.tolerance, 0) * 10
        lost = lifters.loss_pct_per_week * starved[:, None] + 0.7 * (idle > 14)[:, None]
        level = level + (gain - lost) / 700 + shocks[day]
        best = np.maximum(best, level)
    return out


def _round_to(value: Floats, step: float) -> Floats:
    rounded: Floats = np.round(value / step) * step
    return rounded


def train(world: World, seed: int, lifters: Lifters | None = None) -> Training:
    """Let the athletes of a world train, and write down their sets.

    Day form varies by ±2.5 % from session to session; the lifter loads by last week's strength in steps of 2.5 kg,
    stops 0–3 repetitions short of failure, and misjudges that by about ±1 or does not say. Returns truth and sets.
    """
    child = [np.random.default_rng(s) for s in SeedSequence(seed).spawn(9)]
    if lifters is None:
        lifters = draw_lifters(child[0], world)
    held, done = _planned(child[1], lifters, world)
    strength = _strength(child[2], lifters, world, held)
    days, n, lifts = strength.shape
    body = world.truth.noise_free_mass_kg.T
    form = 0.015 * child[3].standard_normal((days, n, 1)) + 0.02 * child[8].standard_normal((days, n, lifts))
    today = strength * np.exp(form)
    believed = strength[np.maximum(np.arange(days) - 7, 0)] * np.exp(0.02 * child[4].standard_normal((days, n, lifts)))
    on_body = np.zeros_like(strength)
    on_body[..., PULL_UP] = body
    share = 1 / (1 + (lifters.reps_aim + 1.5 - 1) / lifters.curve)
    load = _round_to(believed * share - on_body, _STEP_KG)
    load = np.maximum(load, _LEAST_KG)
    failure = 1 + lifters.curve * (today / (load + on_body) - 1)
    tired = 1 - 0.07 * np.arange(WORK_SETS)
    reserve = np.round(np.clip(1.5 + 0.9 * child[5].standard_normal((days, n, lifts, WORK_SETS)), 0, 4))
    most = np.floor(failure[..., None] * tired)
    reps = np.maximum(most - reserve, 1)
    misjudged = lifters.rir_bias[:, None, None] + 0.9 * child[6].standard_normal(reps.shape)
    rir = np.clip(np.round(np.maximum(most - reps, 0) + misjudged), 0, 6)
    rir = np.where(child[7].random(reps.shape) < lifters.rir_missing[:, None, None], np.nan, rir)
    work = done[..., None] & (most >= 1) & (np.arange(WORK_SETS) < 3 + (lifters.reps_aim < 8)[..., None])
    warm = done[..., None] & lifters.warm_ups[:, None, None] & np.ones(WARM_UP_SETS, dtype=np.bool_)
    warm_share = np.array([0.5, 0.75])
    warm_load = _round_to((load + on_body)[..., None] * warm_share - on_body[..., None], _STEP_KG)
    warm_load = np.maximum(warm_load, _LEAST_KG[:, None])
    warm_reps = np.broadcast_to(np.array([8.0, 4.0]), warm.shape)
    return _columns(
        strength,
        np.concatenate([warm, work], axis=3),
        np.concatenate([warm_load, np.repeat(load[..., None], WORK_SETS, axis=3)], axis=3),
        np.concatenate([warm_reps, reps], axis=3),
        np.concatenate([np.full(warm.shape, np.nan), rir], axis=3),
        lifters.marks_warm_ups,
    )


def _columns(strength: Floats, done: Bools, load: Floats, reps: Floats, rir: Floats, marks: Bools) -> Training:
    """The sets that were done as columns, ordered by day, athlete, lift and set."""
    day, athlete, lift, number = np.nonzero(done)
    warm_up = number < WARM_UP_SETS
    return Training(
        lifts=LIFTS,
        one_rep_max_kg=np.ascontiguousarray(strength.transpose(1, 0, 2)),
        athlete=athlete,
        day=day,
        lift=lift,
        load_kg=load[done],
        reps=reps[done].astype(np.int64),
        rir=rir[done],
        warm_up=warm_up,
        marked_warm_up=warm_up & marks[athlete],
    )
