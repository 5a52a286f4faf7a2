"""The simulated world: athletes who eat, train and log untidily, and follow a plan or not, with the truth known.

`simulate` runs a whole roster under the plan of an imperfect coach. `Simulation` is the same world step by step: set
next week's targets from outside, advance some days, look. Numbers are drawn before the first day, so that the way a
simulation is advanced changes nothing. numpy only; no code is shared with the estimator.
"""

from dataclasses import dataclass, fields
from datetime import date

import numpy as np

from service.demo import logbook, physiology
from service.demo.events import draw_events
from service.demo.people import People, draw_people
from service.demo.plans import Plan, draw_plan
from service.demo.records import CUT, NO_PHASE, Bools, Floats, Ints, Log, Profile, Truth, World

BURN_IN_DAYS = 14  # days lived at maintenance before the log begins
HUNGER_DAYS = 21.0
GUT_KG_PER_KCAL = 0.0004
GUT_DAYS = 1.5
FIRST_DAY = date(2025, 1, 6)


@dataclass(frozen=True)
class _History:
    """What happened, by day since the burn-in began; every array has shape (athletes, days)."""

    tissue_kg: Floats
    mass_kg: Floats
    fat_kg: Floats
    lean_kg: Floats
    eaten_kcal: Floats
    carbohydrate_kcal: Floats
    spent_kcal: Floats
    maintenance_kcal: Floats
    reporting: Floats  # of the week
    reported_kcal: Floats
    target_kcal: Floats
    phase: Ints
    phase_day: Ints
    phase_days: Ints
    abandoned: Bools
    fasted: Bools
    hunger: Floats


def _new_history(athletes: int, days: int) -> _History:
    shape = (athletes, days)
    kinds = {
        "phase": np.int64,
        "phase_day": np.int64,
        "phase_days": np.int64,
        "abandoned": np.bool_,
        "fasted": np.bool_,
    }
    return _History(**{f.name: np.zeros(shape, dtype=kinds.get(f.name, np.float64)) for f in fields(_History)})


class Simulation:
    """Athletes living day by day.

    With a `plan` the built-in coach sets phases and targets; without, the athletes eat at maintenance until
    `set_targets` is called. `days` is the most that can be simulated.
    """

    def __init__(
        self,
        people: People,
        days: int,
        seed: int,
        plan: Plan | None = None,
        harder: bool = False,
        first_day: date = FIRST_DAY,
    ) -> None:
        self.people = people
        self.plan = plan
        self.first_day = first_day
        self._total = BURN_IN_DAYS + days
        self._now = 0
        self._athletes = len(people.male)
        calendar = np.datetime64(first_day, "D") + np.arange(-BURN_IN_DAYS, days)
        self._calendar = calendar
        self._weekday = (calendar.astype(np.int64) + 3) % 7
        event_seed, log_seed = np.random.SeedSequence(seed).spawn(2)
        self._events = draw_events(np.random.default_rng(event_seed), people, self._weekday, harder)
        self._noise = logbook.draw_log_noise(
            np.random.default_rng(log_seed), people, self._total, self._events.travelling, harder
        )
        self._constitution, self._body = physiology.start(
            people.male,
            people.age_y,
            people.height_cm,
            people.mass_kg,
            people.fat_kg,
            people.resting_kcal(),
            people.activity_level,
            people.carbohydrate_share,
            people.lean_share_loss,
            people.lean_share_gain,
        )
        self._still_kg = self._constitution.fluid_start_l + 3.7 * physiology.GLYCOGEN_START_KG
        self._gut_kg = GUT_KG_PER_KCAL * self._constitution.intake_start_kcal
        self._hunger = np.zeros(self._athletes)
        self._fasted = np.zeros(self._athletes, dtype=np.bool_)
        self._abandoned = np.zeros(self._athletes, dtype=np.bool_)
        self._target = np.full(self._athletes, np.nan)
        self._phase = np.full(self._athletes, NO_PHASE)
        self._phase_day = np.zeros(self._athletes, dtype=np.int64)
        self._phase_days = np.zeros(self._athletes, dtype=np.int64)
        self._history = _new_history(self._athletes, self._total)
        self._advance_to(BURN_IN_DAYS)

    @property
    def day(self) -> int:
        """How many days of the log have been lived."""
        return self._now - BURN_IN_DAYS

    def set_targets(
        self, energy_kcal: Floats, phase: Ints, which: Bools | None = None, phase_days: Ints | int = 35
    ) -> None:
        """Give targets (kcal/day on the athlete's logging scale) and phase from the next day on.

        Arrays of shape (athletes,); `which` restricts to some athletes, `phase_days` is the planned
        length of a phase that begins. A changed phase starts at its day 1, and an
        athlete who had given up tries again; the same phase goes on.
        """
        if self.plan is not None:
            raise ValueError("this simulation follows its own plan")
        chosen = np.ones(self._athletes, dtype=np.bool_) if which is None else which
        switched = chosen & (phase != self._phase)
        self._target = np.where(chosen, energy_kcal, self._target)
        self._phase = np.where(chosen, phase, self._phase)
        self._phase_day = np.where(switched, 0, self._phase_day)
        self._phase_days = np.where(switched, phase_days, self._phase_days)
        self._abandoned &= ~switched

    def advance(self, days: int) -> None:
        """Live `days` more days; raises ValueError beyond the days the simulation was made for."""
        if self._now + days > self._total:
            raise ValueError(f"only {self._total - self._now} days are left")
        self._advance_to(self._now + days)

    def _advance_to(self, end: int) -> None:
        while self._now < end:
            self._live(self._now)
            self._now += 1

    def _reporting(self, day: int) -> tuple[Floats, Floats]:
        """Logged over eaten: on this day, and as the mean over a week."""
        p = self.people
        base = p.reporting_factor * np.exp(p.reporting_drift * (day - BURN_IN_DAYS) / 100)
        base = base * np.where(self._abandoned & p.hides, 0.88, 1.0)
        week = base * (5 + 2 * p.reporting_weekend) / 7
        return base * (p.reporting_weekend if self._weekday[day] >= 5 else 1.0), week

    def _follow_plan(self, day: int, maintenance_logged: Floats) -> None:
        """The built-in coach: phase and target of the day."""
        plan, at = self.plan, day - BURN_IN_DAYS
        if plan is None:
            self._phase_day = np.where(self._phase != NO_PHASE, self._phase_day + 1, 0)
            return
        if at < 0:
            return
        begins = plan.phase_day[:, at] == 1
        estimate = maintenance_logged * (1 + plan.maintenance_error[:, at])
        planned = np.round(estimate * (1 + plan.energy_ratio[:, at]) / 10) * 10
        self._target = np.where(begins, planned, self._target + plan.step_kcal[:, at])
        self._phase, self._phase_day = plan.phase[:, at].copy(), plan.phase_day[:, at].copy()
        self._phase_days = plan.phase_days[:, at].copy()
        self._target = np.where(self._phase == NO_PHASE, np.nan, self._target)
        self._abandoned &= ~begins

    def _eat(self, day: int, maintenance_kcal: Floats, reporting_week: Floats) -> Floats:
        """Energy eaten on the day, true scale."""
        p, e = self.people, self._events
        level = maintenance_kcal * reporting_week
        target = np.where(np.isnan(self._target), level, self._target)
        gap = level - target
        eaten_back = np.clip(p.hunger_response * np.maximum(self._hunger - 0.05, 0), 0.0, 0.85)
        wanted = target + np.where(gap > 0, eaten_back, 0.15) * gap
        wanted = np.where(self._abandoned, level * 1.02, wanted)
        excess = p.weekend_excess if self._weekday[day] >= 5 else -0.25 * p.weekend_excess
        spread = p.adherence_sd
        mood = np.exp(spread * e.adherence[:, day] - spread**2 / 2)
        logged = wanted * (1 + excess) * mood * e.appetite[:, day] * np.where(self._fasted, 1.25, 1.0)
        return np.where(e.fast[:, day], 0.0, np.maximum(logged, 400.0) / reporting_week)

    def _give_up(self, day: int) -> None:
        hazard = self.people.abandon_rate * (np.maximum(self._hunger, 0) / 0.2) ** 2
        self._abandoned |= (self._phase == CUT) & (self._events.abandon[:, day] < hazard)

    def _live(self, day: int) -> None:
        p, e, c, h = self.people, self._events, self._constitution, self._history
        slowed = np.clip(1 - p.activity_response * np.maximum(self._hunger, 0), 0.3, 1.0)
        activity = c.activity_start_kcal_per_kg * e.activity[:, day] * slowed
        maintenance = physiology.maintenance(c, self._body, activity)
        self._follow_plan(day, maintenance * self._reporting(day)[1])
        self._give_up(day)
        reporting, reporting_week = self._reporting(day)
        eaten = self._eat(day, maintenance, reporting_week)
        carbohydrate = eaten * e.carbohydrate_share[:, day]
        h.tissue_kg[:, day] = self._body.fat_kg + self._body.lean_kg + self._still_kg
        gut = self._gut_kg - GUT_KG_PER_KCAL * c.intake_start_kcal
        h.mass_kg[:, day] = self._body.mass_kg + gut + e.gut_kg[:, day] + e.rhythm_kg[:, day] + e.water_kg[:, day]
        h.fat_kg[:, day], h.lean_kg[:, day] = self._body.fat_kg, self._body.lean_kg
        sodium = np.maximum(4 * (eaten / c.intake_start_kcal - 1), -2.5) + e.sodium_g[:, day]
        self._body, spent = physiology.step(
            c, self._body, eaten, carbohydrate, sodium, activity * e.activity_noise[:, day]
        )
        self._gut_kg = self._gut_kg + (GUT_KG_PER_KCAL * eaten - self._gut_kg) / GUT_DAYS
        self._hunger = self._hunger + (1 - eaten / maintenance - self._hunger) / HUNGER_DAYS
        self._fasted = e.fast[:, day]
        h.eaten_kcal[:, day], h.carbohydrate_kcal[:, day], h.spent_kcal[:, day] = eaten, carbohydrate, spent
        h.maintenance_kcal[:, day], h.reporting[:, day] = maintenance, reporting_week
        h.reported_kcal[:, day], h.target_kcal[:, day] = eaten * reporting, self._target
        h.phase[:, day], h.phase_day[:, day] = self._phase, self._phase_day
        h.phase_days[:, day] = self._phase_days
        h.abandoned[:, day], h.fasted[:, day], h.hunger[:, day] = self._abandoned, self._fasted, self._hunger

    def world(self, days: int | None = None) -> World:
        """The roster as it stands: the first `days` days (default: all days lived)."""
        end = self._now if days is None else min(BURN_IN_DAYS + days, self._now)
        lived = slice(BURN_IN_DAYS, end)
        return World(self._profile(), self._log(lived), self._truth(lived), self._history.phase_days[:, lived].copy())

    def _profile(self) -> Profile:
        p = self.people
        year = self.first_day.year + (self.first_day.timetuple().tm_yday - 1) / 365.25
        asked_nothing = np.zeros(p.male.shape, dtype=np.int64)
        return Profile(p.male, np.round(year - p.age_y, 2), np.round(p.height_cm, 1), p.activity_factor, asked_nothing)

    def _log(self, days: slice) -> Log:
        h, p, noise = self._history, self.people, self._noise
        carbohydrate_g = h.carbohydrate_kcal / 4 * h.reported_kcal / np.maximum(h.eaten_kcal, 1)
        energy, carbohydrate, state = logbook.food(
            noise, days, p, h.reported_kcal[:, days], carbohydrate_g[:, days], h.fasted[:, days], h.abandoned[:, days]
        )
        fat_pct = 100 * h.fat_kg / np.maximum(h.tissue_kg, 1)
        measured, se = logbook.body_fat(noise, BURN_IN_DAYS, days, p, fat_pct[:, days])
        return Log(
            days=self._calendar[days],
            mass_kg=logbook.weigh_ins(noise, days, h.mass_kg[:, days], h.abandoned[:, days]),
            intake_kcal=energy,
            carbohydrate_g=carbohydrate,
            food_state=state,
            target_kcal=h.target_kcal[:, days].copy(),
            phase=h.phase[:, days].copy(),
            phase_day=h.phase_day[:, days].copy(),
            menstruation_started=self._events.menstruation[:, days] & p.logs_cycle[:, None],
            body_fat_pct=measured,
            body_fat_se_pct=se,
        )

    def _truth(self, days: slice) -> Truth:
        h = self._history
        trend = centred_week_mean(h.mass_kg[:, : self._now])
        return Truth(
            tissue_mass_kg=h.tissue_kg[:, days].copy(),
            noise_free_mass_kg=h.mass_kg[:, days].copy(),
            centred_mass_kg=trend[:, days],
            intake_kcal=h.eaten_kcal[:, days].copy(),
            expenditure_kcal=h.spent_kcal[:, days].copy(),
            maintenance_kcal=h.maintenance_kcal[:, days].copy(),
            maintenance_logged_kcal=(h.maintenance_kcal * h.reporting)[:, days],
            reporting_factor=h.reporting[:, days].copy(),
            fat_mass_kg=h.fat_kg[:, days].copy(),
            body_fat_pct=100 * h.fat_kg[:, days] / h.tissue_kg[:, days],
            lean_tissue_kg=h.lean_kg[:, days].copy(),
            tissue_rate_pct_per_week=_week_change_pct(h.tissue_kg[:, : self._now], h.tissue_kg)[:, days],
            scale_rate_pct_per_week=_week_change_pct(trend, h.tissue_kg)[:, days],
            abandoned=h.abandoned[:, days].copy(),
            hunger=h.hunger[:, days].copy(),
        )


def centred_week_mean(values: Floats) -> Floats:
    """Mean over the day and three days on either side (fewer at the ends); shape (athletes, days)."""
    sums = np.concatenate([np.zeros((len(values), 1)), np.cumsum(values, axis=1)], axis=1)
    day = np.arange(values.shape[1])
    low, high = np.maximum(day - 3, 0), np.minimum(day + 4, values.shape[1])
    mean: Floats = (sums[:, high] - sums[:, low]) / (high - low)
    return mean


def _week_change_pct(values: Floats, mass_kg: Floats) -> Floats:
    """Change over the last 7 days in % of body mass; NaN on the first 7 days."""
    out = np.full(values.shape, np.nan)
    out[:, 7:] = 100 * (values[:, 7:] - values[:, :-7]) / mass_kg[:, 7 : values.shape[1]]
    return out


def simulate(
    athletes: int, days: int, seed: int, harder: bool = False, first_day: date = FIRST_DAY, people: People | None = None
) -> World:
    """Simulate a roster under an imperfect coach.

    Returns log and truth of shape (athletes, days); the same seed gives the same world. `harder` adds creatine
    loading, illness, travel and heavy-tailed scale noise. `people` replaces the drawn athletes.
    """
    person_seed, plan_seed, life_seed = np.random.SeedSequence(seed).spawn(3)
    if people is None:
        people = draw_people(np.random.default_rng(person_seed), athletes, days)
    plan = draw_plan(np.random.default_rng(plan_seed), athletes, days + 3)
    life = int(life_seed.generate_state(1)[0])
    simulation = Simulation(people, days + 3, life, plan, harder, first_day)
    simulation.advance(days + 3)  # three days more, so that the last centred means are whole
    return simulation.world(days)
