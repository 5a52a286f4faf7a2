"""A simulated roster through a year, and three ways to coach it: activity equation, spreadsheet, the service's policy.

The policy's coach makes its evidence from rows as the store has them, and estimates from a state that goes on.
"""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field, fields
from datetime import date, timedelta
from types import SimpleNamespace
from typing import Any

import numpy as np

from service.application.evidence.athlete_evidence import evidence_of
from service.application.evidence.estimates import RosterEstimates
from service.application.evidence.notes import NoteRows, notes_on
from service.application.evidence.roster import Roster
from service.demo.lifters import EXPERIENCE_NAMES, LIFTS, draw_lifters, train
from service.demo.people import draw_people
from service.demo.world import FIRST_DAY, Simulation
from service.domain.estimation import estimate
from service.domain.estimation.results import Estimates
from service.domain.estimation.state import FilterState
from service.domain.physiology import energy
from service.domain.policy import DEFAULT, Policy
from service.domain.records import Athletes, DailyLog, PhaseKind
from service.domain.rules.arbiter import decide
from service.domain.rules.targets import phase_energy
from service.domain.strength.estimate import estimate_strength
from service.domain.strength.sessions import LiftSessions

WEEK = 7
DAYS = 52 * WEEK
LOGGED_FIRST_DAYS = 14  # food and weight are logged before the first phase (common practice)
MEASURED_EVERY_DAYS = 28  # tape or calliper, so that goals can be seen to be reached
PLANNED_DAYS = {"build": 42, "cut": 35, "maintain": 28}  # the policy's own usual lengths
KINDS = {"build": PhaseKind.BUILD, "cut": PhaseKind.CUT, "maintain": PhaseKind.MAINTAIN}
NEXT = {"build": "cut", "cut": "maintain", "maintain": "build"}
SESSION_LOG_SD = 0.045  # what a session's sets say of the maximum: day form and repetitions, methods.md section 8
CLEARED = {
    "pregnant_or_breastfeeding": False,
    "eating_disorder_history": False,
    "kidney_disease": False,
    "heart_or_metabolic_disease": False,
    "glucose_lowering_medication": "none",
}


def _world(athletes: int, seed: int) -> tuple[Simulation, Any]:
    """People and their luck; the same for the same seed, however they are coached."""
    draw, life = np.random.SeedSequence(seed).spawn(2)
    rng = np.random.default_rng(draw)
    people = draw_people(rng, athletes, DAYS)
    people.body_fat_method = np.where(people.body_fat_method < 0, rng.integers(0, 2, athletes), people.body_fat_method)
    people.body_fat_every_days = np.full(athletes, MEASURED_EVERY_DAYS)
    simulation = Simulation(people, DAYS + 3, int(life.generate_state(1)[0]))
    lifters = draw_lifters(rng, SimpleNamespace(profile=people, truth=_first_body(people)))
    return simulation, lifters


def _first_body(people: Any) -> Any:
    return SimpleNamespace(tissue_mass_kg=people.mass_kg[:, None], fat_mass_kg=people.fat_kg[:, None])


@dataclass
class Plan:
    """What is planned for one athlete: phases and targets as the store's rows have them."""

    phases: list[Any] = field(default_factory=list)
    targets: list[Any] = field(default_factory=list)

    def start(self, kind: str, on: date, end: date, energy_kcal: float) -> None:
        self.phases.append(SimpleNamespace(kind=kind, starts_on=on, planned_end_on=end, energy_kcal=energy_kcal))
        self.eat(on, energy_kcal)

    def eat(self, on: date, energy_kcal: float) -> None:
        row = SimpleNamespace(from_date=on, energy_kcal=energy_kcal, meals=None, eating_window=None)
        row.protein_g = row.fat_g = row.carbohydrate_g = row.fibre_g = None
        self.targets.append(row)


@dataclass
class Year:
    """One coach's year with a roster."""

    simulation: Simulation
    lifters: Any
    training_seed: int
    plans: list[Plan]
    goal_pct: Any  # body fat, (athletes,)
    believed_kcal: Any = None  # (athletes, days) maintenance on the logged scale that the plan rests on
    first: list[str] = field(default_factory=list)
    changes: list[list[tuple[date, float]]] = field(default_factory=list)  # of energy within phases
    asked: int = 0  # weeks in which data were asked for
    weeks: int = 0

    @property
    def today(self) -> date:
        """The last day lived."""
        return FIRST_DAY + timedelta(days=self.simulation.day - 1)

    def live_a_week(self) -> None:
        """Advance day by day, so that a planned switch happens on its date."""
        for _ in range(WEEK):
            tomorrow = self.today + timedelta(days=1)
            count = len(self.plans)
            kcal, kind = np.full(count, np.nan), np.zeros(count, dtype=np.int64)
            for i, plan in enumerate(self.plans):
                if plan.phases:
                    kcal[i] = next(x.energy_kcal for x in reversed(plan.targets) if x.from_date <= tomorrow)
                    kind[i] = KINDS[next(x.kind for x in reversed(plan.phases) if x.starts_on <= tomorrow)]
            self.simulation.set_targets(kcal, kind)
            self.simulation.advance(1)

    def change(self, i: int, kcal: float) -> None:
        """A new target within the phase."""
        plan, tomorrow = self.plans[i], self.today + timedelta(days=1)
        before = plan.targets[-1].energy_kcal
        if kcal != before:
            self.changes[i].append((tomorrow, kcal - before))
            plan.eat(tomorrow, kcal)

    def switch(self, i: int, kind: str, on: date, end: date, kcal: float) -> None:
        """A new phase, now or within the week."""
        self.plans[i].start(kind, on, end, kcal)


def equation_kcal(year: Year, mass_kg: Any) -> Any:
    """Maintenance from the resting equation and the judged activity factor, kcal/day (athletes,)."""
    p = year.simulation.people
    factor = np.where(np.isnan(p.activity_factor), 1.65, p.activity_factor)
    return energy.mifflin_st_jeor(mass_kg, p.height_cm, p.age_y, p.male) * factor


AIM_PCT = {"cut": -0.7, "maintain": 0.0, "build": 0.375}  # the policy's aims, %/week


def _by_rule_of_thumb(maintenance_kcal: float, mass_kg: float, kind: str) -> float:
    """Energy for a phase at 7700 kcal per kg of body mass."""
    return float(10 * round((maintenance_kcal + AIM_PCT[kind] / 100 * mass_kg * 7700 / 7) / 10))


def begin(athletes: int, seed: int) -> Year:
    """A roster on its first morning: phases begin at different places, energy comes from the activity equation."""
    simulation, lifters = _world(athletes, seed)
    rng = np.random.default_rng(np.random.SeedSequence([seed, 1]))
    p = simulation.people
    floor = np.where(p.male, 11.0, 19.0)
    goal = np.maximum(p.body_fat_pct - rng.uniform(2.0, 6.0, athletes), floor)
    year = Year(simulation, lifters, seed + 1, [Plan() for _ in range(athletes)], goal)
    year.changes = [[] for _ in range(athletes)]
    year.believed_kcal = np.full((athletes, DAYS + 3), np.nan)
    year.first = [str(kind) for kind in rng.choice(["build", "cut", "maintain"], athletes, p=[0.35, 0.4, 0.25])]
    simulation.advance(LOGGED_FIRST_DAYS)
    return year


Coach = Callable[[Year], None]


def _plausible(values: Any, share: float) -> Any:
    """Without what lies far from the median of the last three weeks: typos, and half-logged days."""
    with np.errstate(invalid="ignore"):
        usual = np.array([np.median(x[np.isfinite(x)]) if np.isfinite(x).any() else np.nan for x in values[:, -21:]])
        return np.where(np.abs(values / usual[:, None] - 1) < share, values, np.nan)


def _week_mean(values: Any, weeks_ago: int) -> Any:
    end = values.shape[1] - WEEK * weeks_ago
    seen = values[:, max(end - WEEK, 0) : end]
    count = np.isfinite(seen).sum(axis=1)
    return np.where(count > 0, np.nansum(seen, axis=1) / np.maximum(count, 1), np.nan)


def static(year: Year) -> None:
    """The activity equation's plan: each phase's energy is set once, from the week's mean weight."""
    log = year.simulation.world().log
    mass = _week_mean(_plausible(log.mass_kg, 0.06), 0)
    kcal = equation_kcal(year, np.where(np.isnan(mass), year.simulation.people.mass_kg, mass))
    for i, plan in enumerate(year.plans):
        _calendar(year, i, plan, kcal[i], mass[i])


def _calendar(year: Year, i: int, plan: Plan, maintenance_kcal: float, mass_kg: float) -> bool:
    """Begin, or move on to the next phase when the planned end comes before the next review."""
    now = plan.phases[-1] if plan.phases else None
    if now is not None and (now.planned_end_on - year.today).days > WEEK - 1:
        return False
    kind = NEXT[now.kind] if now else year.first[i]
    on = max(now.planned_end_on if now else year.today, year.today) + timedelta(days=1)
    mass = mass_kg if np.isfinite(mass_kg) else year.simulation.people.mass_kg[i]
    kcal = _by_rule_of_thumb(maintenance_kcal, mass, kind)
    year.switch(i, kind, on, on + timedelta(days=PLANNED_DAYS[kind] - 1), kcal)
    year.believed_kcal[i, (on - FIRST_DAY).days :] = maintenance_kcal
    return True


class Spreadsheet:
    """The usual spreadsheet: 7-day means, ±100 to 250 kcal after two weeks on one side of the band."""

    def __init__(self) -> None:
        self.outside: Any = None

    def __call__(self, year: Year) -> None:
        log = year.simulation.world().log
        masses = _plausible(log.mass_kg, 0.06)
        mass, before = _week_mean(masses, 0), _week_mean(masses, 1)
        rate = 100 * (mass - before) / before
        slow = 50 * (mass - _week_mean(masses, 2)) / before
        slow = np.where(np.isnan(slow), rate, slow)
        eaten = _plausible(log.intake_kcal, 0.4)[:, -2 * WEEK :]
        count = np.isfinite(eaten).sum(axis=1)
        eaten = np.where(count > 3, np.nansum(eaten, axis=1) / np.maximum(count, 1), np.nan)
        p = year.simulation.people
        if self.outside is None:
            self.outside = np.zeros(len(year.plans))
        for i, plan in enumerate(year.plans):
            now = plan.phases[-1] if plan.phases else None
            target = plan.targets[-1].energy_kcal if plan.targets else np.nan
            held = eaten[i] if np.isfinite(eaten[i]) else target if now else equation_kcal(year, p.mass_kg)[i]
            needs = held - np.nan_to_num(slow[i]) / 100 * p.mass_kg[i] * 7700 / 7
            if _calendar(year, i, plan, needs, mass[i]):
                self.outside[i] = 0
                continue
            assert now is not None
            low, high = {"cut": (-1.0, -0.5), "build": (0.25, 0.5), "maintain": (-0.25, 0.25)}[now.kind]
            side = 0 if not np.isfinite(rate[i]) else int(rate[i] > high) - int(rate[i] < low)
            self.outside[i] = side if side * self.outside[i] <= 0 else self.outside[i] + side
            if abs(self.outside[i]) >= 2:
                off = abs(rate[i] - AIM_PCT[now.kind]) / 100 * mass[i] * 7700 / 7
                step = 50 * round(float(np.clip(off, 100, 250)) / 50)
                year.change(i, target - side * step)
                year.believed_kcal[i, year.simulation.day :] -= (
                    side * step
                )  # it was wrong, the deficit meant is the same
                self.outside[i] = 0


class Follower:
    """The estimator of the service, one week after the other: a state that goes on instead of a year read again."""

    def __init__(self, who: Athletes) -> None:
        self.who = who
        self.state: FilterState | None = None
        self.days = 0

    def follow(self, log: DailyLog) -> Estimates:
        """Take in the days that are new; their estimates."""
        new = {f.name: getattr(log, f.name)[..., self.days :] for f in fields(DailyLog)}
        part, self.days = DailyLog(**new), log.days.shape[0]
        known = self.state is not None
        found = estimate.resume(self.state, self.who, part) if known else estimate.estimate(self.who, part)
        self.state = found.state
        return found


class PolicyCoach:
    """The weekly review of the service: estimate, evidence, arbiter; every recommendation is accepted."""

    def __init__(self, policy: Policy = DEFAULT, strength: bool = True) -> None:
        self.policy = policy
        self.strength = strength
        self.follower: Follower | None = None
        self.reviews: dict[int, list[Any]] = {}

    def __call__(self, year: Year) -> None:
        world = year.simulation.world()
        who = Athletes(**{f.name: getattr(world.profile, f.name) for f in fields(Athletes)})
        log = DailyLog(**{f.name: getattr(world.log, f.name) for f in fields(DailyLog)})
        if self.follower is None:
            self.follower = Follower(who)
        new = np.arange(self.follower.days, log.days.shape[0])
        found = RosterEstimates(self.follower.follow(log), *self._strength(year, world), report=new)
        roster = roster_of(year, who, log)
        cleared = {i: [SimpleNamespace(answers=CLEARED)] for i in range(len(year.plans))}
        note_rows = NoteRows(cleared, reviews=self.reviews)
        for i in range(len(year.plans)):
            evidence = evidence_of(roster, found, notes_on(note_rows, i, roster.to), i, roster.to)
            decision = decide(evidence, self.policy)
            if not year.plans[i].phases:
                self._begin(i, year, evidence)
                continue
            self._keep(i, year, evidence, decision)
            self._accept(i, year, evidence, decision.recommendation)

    def _begin(self, i: int, year: Year, evidence: Any) -> None:
        """The coach chooses the first phase; its energy is the one the service would set at a switch."""
        kind, on = year.first[i], year.today + timedelta(days=1)
        first = phase_energy(evidence, self.policy, kind)
        if first is not None:
            year.switch(i, kind, on, on + timedelta(days=PLANNED_DAYS[kind] - 1), first.energy_kcal)
            year.believed_kcal[i, (on - FIRST_DAY).days :] = evidence.maintenance_kcal.mean

    def _strength(self, year: Year, world: Any) -> tuple[Any, Sequence[Sequence[str]], Any]:
        count, days = world.log.phase.shape
        shape = (count, len(LIFTS), days)
        maximum, sd, exposure = np.full(shape, np.nan), np.full(shape, np.nan), np.full(shape, np.nan)
        if self.strength:
            done = train(world, year.training_seed, year.lifters)
            seen = (done.athlete, done.lift, done.day)
            noise = np.random.default_rng(year.training_seed).standard_normal((days, count, len(LIFTS)))
            maximum[seen] = (done.one_rep_max_kg * np.exp(SESSION_LOG_SD * noise.transpose(1, 0, 2)))[
                done.athlete, done.day, done.lift
            ]
            sd[seen], exposure[seen] = SESSION_LOG_SD, 0.2
        sessions = LiftSessions(maximum, sd, exposure, world.log.phase, world.log.phase_day)
        strength = estimate_strength(sessions, last=1)
        return strength, [LIFTS] * count, np.ones(shape, dtype=np.bool_)

    def _keep(self, i: int, year: Year, evidence: Any, decision: Any) -> None:
        body = {
            "findings": [{"code": found.code, "severity": found.severity.value} for found in decision.findings],
            "recommendation": {"action": decision.recommendation.action.value},
            "estimates": {"maintenance_kcal": evidence.maintenance_kcal and asdict(evidence.maintenance_kcal)},
        }
        self.reviews.setdefault(i, []).insert(
            0, SimpleNamespace(as_of=evidence.as_of, document=body, state="accepted", athlete_id=i)
        )
        del self.reviews[i][8:]
        year.weeks += 1
        year.asked += decision.recommendation.action.value == "collect_data"

    def _accept(self, i: int, year: Year, evidence: Any, recommended: Any) -> None:
        kcal, to = recommended.energy_to_kcal, recommended.phase
        believed = evidence.maintenance_kcal.mean if evidence.maintenance_kcal else np.nan
        if to is not None and kcal is not None:
            year.switch(i, to.to, to.on, to.planned_end_on, kcal)
            year.believed_kcal[i, (to.on - FIRST_DAY).days :] = believed
        elif kcal is not None:
            year.change(i, kcal)
            year.believed_kcal[i, year.simulation.day :] = believed


def roster_of(year: Year, who: Athletes, log: DailyLog) -> Roster:
    p = year.simulation.people
    athletes = [
        SimpleNamespace(
            id=i,
            sex="male" if p.male[i] else "female",
            birth_date=FIRST_DAY - timedelta(days=int(p.age_y[i] * 365.25)),
            height_cm=float(p.height_cm[i]),
            activity_factor=None if np.isnan(p.activity_factor[i]) else float(p.activity_factor[i]),
            experience=EXPERIENCE_NAMES[year.lifters.experience[i]],
            main_lifts=None,
            goal={"body_fat_pct": float(year.goal_pct[i])},
            meals_per_day=2,
            eating_window=None,
            carbohydrate_share=None,
            food_pattern="omnivore",
            inputs_revision=0,
        )
        for i in range(len(year.plans))
    ]
    to = year.today
    phases = {i: [x for x in plan.phases if x.starts_on <= to] for i, plan in enumerate(year.plans)}
    targets = {i: [x for x in plan.targets if x.from_date <= to] for i, plan in enumerate(year.plans)}
    sessions = np.zeros(log.mass_kg.shape)
    return Roster(
        athletes, FIRST_DAY, to, who, log, np.full_like(log.mass_kg, np.nan), sessions, phases, targets, {}, {}
    )  # fmt: skip


def run(coach: Coach, athletes: int, seed: int) -> Year:
    """Coach a roster week by week for a year."""
    year = begin(athletes, seed)
    while year.simulation.day < DAYS:
        coach(year)
        year.live_a_week()
    return year
