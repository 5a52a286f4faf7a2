"""Simulated athletes who log every day, as asked, or less: what sparse logging costs in knowing maintenance energy.

A trial lets the service's own rule (`logging_need`) ask for a number of complete days each week, drops the other days
from the log, and estimates again. Truth is the simulated maintenance on the logging scale.
"""

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np

from service.demo.people import draw_people
from service.demo.records import World
from service.demo.world import FIRST_DAY, Simulation, simulate
from service.domain.estimation.estimate import estimate
from service.domain.evidence import Evidence, Log, PastPhase, PhaseNow, ScalarEstimate
from service.domain.nutrition.logging_need import day_spread_kcal, logging_need
from service.domain.policy import DEFAULT
from service.domain.records import Athletes, Bools, DailyLog, Floats, FoodState, Ints

KINDS = {1: "build", 2: "cut", 3: "maintain"}
LOOK_BACK = 28


@dataclass(frozen=True)
class Trial:
    """What a way of logging gave; arrays (athletes, days) but for `asked`, (athletes, weeks)."""

    half_width_kcal: Floats
    error_kcal: Floats
    logged: Bools
    asked: Ints

    def after(self, day: int) -> "Score":
        """How it went from a day on."""
        error, half = self.error_kcal[:, day:], self.half_width_kcal[:, day:]
        return Score(
            float(np.sqrt(np.mean(error**2))),
            float(np.mean(half)),
            float(np.mean(np.abs(error) <= half)),
            float(7.0 * self.logged[:, day:].mean()),
        )


@dataclass(frozen=True)
class Score:
    """Root mean square error and mean 90 % half width (kcal), share of truths inside it, logged days a week."""

    rmse_kcal: float
    half_width_kcal: float
    coverage: float
    days_per_week: float


def world_of(regular: bool, athletes: int, days: int, seed: int, steady: bool = False) -> World:
    """Athletes who log every day; regular ones eat alike on all days (5 % of the target apart), others 12 to 20 %.

    `steady`: nobody coaches, all eat at maintenance, and no phase switches; else the built-in coach's plan.
    """
    people = draw_people(np.random.default_rng(seed), athletes, days)
    if regular:
        people.adherence_sd = np.full(athletes, 0.05)
        people.weekend_excess = np.full(athletes, 0.02)
    if steady:
        simulation = Simulation(people, days + 3, seed)
        simulation.advance(days + 3)
        world = simulation.world(days)
    else:
        world = simulate(athletes, days, seed, people=people)
    eaten = world.truth.intake_kcal * world.truth.reporting_factor
    state = np.where(eaten <= 0.0, int(FoodState.FAST), int(FoodState.COMPLETE))
    return replace(world, log=replace(world.log, intake_kcal=eaten, food_state=state))


def masked(world: World, logged: Bools) -> DailyLog:
    """The log without the food of the days that were not logged."""
    kept = {
        "intake_kcal": np.where(logged, world.log.intake_kcal, np.nan),
        "carbohydrate_g": np.where(logged, world.log.carbohydrate_g, np.nan),
        "food_state": np.where(logged, world.log.food_state, int(FoodState.NOT_LOGGED)),
    }
    return DailyLog(**{**vars(world.log), **kept})


def run(world: World, days_per_week: int | None, seed: int = 0, full_weeks: int = 0) -> Trial:
    """Log so many random days a week after some full weeks; None: as many as the rule asks for, week by week."""
    athletes, days = world.log.mass_kg.shape
    who = Athletes(**vars(world.profile))
    rng = np.random.default_rng(seed)
    logged = np.zeros((athletes, days), dtype=np.bool_)
    asked = np.zeros((athletes, days // 7), dtype=np.int64)
    for week in range(days // 7):
        start = 7 * week
        if days_per_week is None:
            asked[:, week] = _asked(world, who, logged, start)
        else:
            asked[:, week] = 7 if week < full_weeks else days_per_week
        order = rng.permuted(np.tile(np.arange(7), (athletes, 1)), axis=1)
        logged[:, start : start + 7] = order < asked[:, week, None]
    found = estimate(who, masked(world, logged)).maintenance_kcal
    error = found.mean - world.truth.maintenance_logged_kcal
    return Trial((found.hi - found.lo) / 2.0, error, logged, asked)


def _asked(world: World, who: Athletes, logged: Bools, start: int) -> Ints:
    """What the rule asks each athlete for, knowing the log up to a day."""
    athletes = logged.shape[0]
    if start == 0:
        return np.full(athletes, 7)
    whole = masked(world, logged)
    log = DailyLog(**{name: value[..., :start] for name, value in vars(whole).items()})
    found = estimate(who, log)
    return np.array([_need(log, found, index, start) for index in range(athletes)])


def _need(log: DailyLog, found: object, index: int, start: int) -> int:
    def last(name: str) -> ScalarEstimate:
        band = getattr(found, name)
        return ScalarEstimate(*(float(getattr(band, part)[index, -1]) for part in ("mean", "sd", "lo", "hi")))

    day = int(log.phase_day[index, -1])
    kind = KINDS.get(int(log.phase[index, -1]), "maintain")
    switched = day < start and day > 0
    without = float(getattr(found, "p_not_in_deficit")[index, -1])  # noqa: B009
    on = FIRST_DAY + timedelta(days=start - 1)
    evidence = Evidence(
        on,
        phase=PhaseNow(kind, day, on - timedelta(days=day - 1)) if day else None,  # type: ignore[arg-type]
        past_phases=(PastPhase("maintain", date.min, date.min),) if switched else (),
        maintenance_kcal=last("maintenance_kcal"),
        tissue_rate_pct_per_week=last("tissue_rate_pct_per_week"),
        probability_not_in_deficit=without if np.isfinite(without) else None,
        log=Log(weigh_ins_7_d=int(np.isfinite(log.mass_kg[index, -7:]).sum())),
    )
    lately = min(LOOK_BACK, day or LOOK_BACK)
    spread = day_spread_kcal(log.intake_kcal[index, -lately:], log.food_state[index, -lately:])
    return logging_need(evidence, DEFAULT, spread).complete_days_per_week


def first_sparse_week(trial: Trial) -> Floats:
    """Weeks of full logging before the rule first asks for fewer days; NaN where it never does."""
    sparse = trial.asked < 7
    return np.where(sparse.any(axis=1), sparse.argmax(axis=1).astype(np.float64), np.nan)
