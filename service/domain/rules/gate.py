"""The safety gate: who may not be put into a deficit or under more load, and which lifts are stopped or held.

The service never diagnoses. A condition on the referral list closes the gate until a licensed professional's clearance
is recorded; nothing that starts or deepens a deficit, or raises load, passes a closed gate.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from math import hypot, sqrt

import numpy as np

from service.domain.estimation.model import (
    EXPENDITURE_SD,
    EXPENDITURE_SD_NO_ACTIVITY,
    MASS_INDEX_MEAN,
    MASS_INDEX_SD,
    REPORTING_MEAN,
    REPORTING_SD,
    REPORTING_UNLOGGED_MEAN,
    REPORTING_UNLOGGED_SD,
    USUAL_AGE_Y,
    USUAL_HEIGHT_FEMALE_CM,
    USUAL_HEIGHT_MALE_CM,
    judged_activity,
)
from service.domain.evidence import BodyFatMeasurement, Evidence, Region, ScalarEstimate
from service.domain.normal import Z90
from service.domain.physiology.composition import energy_availability_kcal_per_kg
from service.domain.physiology.energy import mifflin_st_jeor
from service.domain.policy import Policy
from service.domain.rules import pain
from service.domain.rules.findings import Move, Verdict, mean_at
from service.domain.rules.pain import Limit, Place, Sore
from service.domain.rules.referral import closed_scopes, conditions, mild_symptom
from service.domain.rules.screening import screened
from service.domain.rules.targets import ENERGY_FLOOR, energy_floor_kcal, reporting_ratio
from service.domain.sentence import say
from service.domain.training.exercise import Exercise

SPINE: frozenset[Region] = frozenset({"neck", "upper_back", "low_back"})


@dataclass(frozen=True)
class Gate:
    """What may be planned: a deficit, more load, training at all; where it hurts; which codes closed it."""

    deficit_open: bool
    load_open: bool
    training_open: bool  # else nothing at all is to be lifted
    deepening_open: bool  # also closed by a fresh mild symptom
    screened: bool
    sore: tuple[Sore, ...]
    stops_over: tuple[tuple[Place, date], ...]  # what was stopped comes back lighter where it was not trained since
    closed_by: tuple[str, ...]
    on_referral_list: bool  # for a deficit, also when cleared: then still no fasting window
    window_open: bool  # an eating window may be set where one is asked for: not on the list
    kidney_closed: bool

    @property
    def closed_exercises(self) -> tuple[str, ...]:
        """The lifts that are stopped by name; `limits` has those that load a sore region too."""
        return self._lifts("stop")

    @property
    def held_exercises(self) -> tuple[str, ...]:
        """The lifts whose load is held by name, not stopped."""
        return tuple(name for name in self._lifts("hold") if name not in self.closed_exercises)

    @property
    def sore_regions(self) -> tuple[Region, ...]:
        """The regions that hurt or are injured: what loads them is stopped or held."""
        return tuple(sorted({sore.place.region for sore in self.sore if sore.place.region is not None}))

    def _lifts(self, limit: Limit) -> tuple[str, ...]:
        names = {sore.place.exercise for sore in self.sore if sore.limit == limit and sore.place.exercise is not None}
        return tuple(sorted(names))

    def limits(self, catalogue: Mapping[str, Exercise]) -> dict[str, Limit]:
        """Every exercise that is stopped or held, by slug: all that names an exercise asks here.

        Itself, by what hurts in it; by a sore region that it loads. Where a lift was stopped and nobody said where it
        hurts, the loads of those of the same movement that load one of its regions are held.
        """
        limits: dict[str, Limit] = {}
        unplaced = [catalogue[name] for name in self.unplaced if name in catalogue]
        for exercise in catalogue.values():
            touching = {sore.limit for sore in self.sore if sore.touches(exercise)}
            if touching:
                limits[exercise.slug] = "stop" if "stop" in touching else "hold"
            elif any(akin(exercise, stopped) for stopped in unplaced):
                limits[exercise.slug] = "hold"
        return limits

    def to_avoid(self, exercise: Exercise, catalogue: Mapping[str, Exercise]) -> set[str]:
        """What must not be offered instead of an exercise, by slug: all that is stopped or held.

        Where it hurts itself and nobody said where, nothing either of its movement that loads a region in common, that
        loads all its regions, or a part of the spine that it loads.
        """
        avoid = {*self.limits(catalogue)}
        own = [sore for sore in self.sore if sore.place.exercise == exercise.slug]
        if any(not sore.placed for sore in own):
            loaded = set(exercise.regions)
            avoid |= {
                other.slug
                for other in catalogue.values()
                if akin(exercise, other) or loaded <= set(other.regions) or loaded & SPINE & set(other.regions)
            }
        return avoid

    @property
    def unplaced(self) -> tuple[str, ...]:
        """The lifts that were stopped without a word about where it hurts."""
        sore = (s for s in self.sore if s.limit == "stop" and not s.placed and s.place.exercise is not None)
        return tuple(sorted({str(s.place.exercise) for s in sore}))

    def stopped_until(self, exercise: Exercise) -> date | None:
        """Of an exercise that was stopped and is no more: the last day of it; None where it never was."""
        days = [on for (name, region), on in self.stops_over if name == exercise.slug or _in(exercise, region)]
        return max(days, default=None)


def akin(one: Exercise, other: Exercise) -> bool:
    """Whether two exercises are of one movement and load a region in common."""
    return one.pattern == other.pattern and bool(set(one.regions) & set(other.regions))


def _in(exercise: Exercise, region: Region | None) -> bool:
    return region is not None and pain.loads(exercise, region)


def gate(evidence: Evidence, policy: Policy) -> Gate:
    """What may be planned for this athlete on this date."""
    listed = conditions(evidence, policy)
    closed = [(c, closed_scopes(evidence, policy, c)) for c in listed]
    sore = pain.sore_places(evidence, policy)
    mild = mild_symptom(evidence, policy) is not None
    on_list = any("deficit" in c.scopes for c in listed)
    codes = [c.code for c, scopes in closed if scopes]
    return Gate(
        deficit_open=not any("deficit" in scopes for _, scopes in closed),
        load_open=not (mild or any("load" in scopes for _, scopes in closed)),
        training_open=not any(c.rest and "load" in scopes for c, scopes in closed),
        deepening_open=not mild,
        screened=screened(evidence),
        sore=sore,
        stops_over=pain.stops_over(evidence, policy),
        closed_by=(*codes, *(("safety.pain",) if any(s.code == "safety.pain" for s in sore) else ())),
        on_referral_list=on_list,
        window_open=not on_list,
        kidney_closed="safety.kidney_disease" in codes,
    )


def stricter(first: Gate, second: Gate) -> Gate:
    """What both gates let through: the same athlete on two days."""
    return Gate(
        deficit_open=first.deficit_open and second.deficit_open,
        load_open=first.load_open and second.load_open,
        training_open=first.training_open and second.training_open,
        deepening_open=first.deepening_open and second.deepening_open,
        screened=first.screened and second.screened,
        sore=tuple(dict.fromkeys((*second.sore, *first.sore))),
        stops_over=tuple(dict.fromkeys((*second.stops_over, *first.stops_over))),
        closed_by=tuple(dict.fromkeys((*first.closed_by, *second.closed_by))),
        on_referral_list=first.on_referral_list or second.on_referral_list,
        window_open=first.window_open and second.window_open,
        kidney_closed=first.kidney_closed or second.kidney_closed,
    )


BODY_FAT_FLOOR = (
    "body_fat_floor_male_pct",
    "body_fat_floor_female_pct",
    "body_fat_floor_probability",
    "body_fat_floor_readings",
    "goal_measurement_max_age_days",
)


def body_fat_floor_pct(evidence: Evidence, policy: Policy) -> float:
    """Body fat below which no deficit is planned; the higher one when the sex is unknown."""
    return policy.body_fat_floor_male_pct if evidence.athlete.male is True else policy.body_fat_floor_female_pct


def maintenance_by_profile_kcal(evidence: Evidence, policy: Policy) -> float:
    """Logged-scale maintenance of somebody by profile alone, kcal/d, never below the energy floor.

    Equation: resting energy (Mifflin and others 1990, 10.1093/ajcn/51.2.241) × activity × `reporting_by_profile`, as in
    the prior of the estimation; at the average mass, else at the mean body mass index of that prior. What
    is unknown is taken as there (178 or 165 cm, 30 years), an unknown sex as male: the higher need.
    """
    who = evidence.athlete
    male, height_cm = who.male is not False, _height_by_profile_cm(evidence)
    usual_kg = MASS_INDEX_MEAN * (height_cm / 100.0) ** 2
    mass_kg = evidence.average_mass_kg.mean if evidence.average_mass_kg else usual_kg
    resting = float(mifflin_st_jeor(mass_kg, height_cm, USUAL_AGE_Y if who.age_y is None else who.age_y, male))
    return max(_logged_activity(evidence) * resting, energy_floor_kcal(evidence, policy))


def maintenance_by_profile(evidence: Evidence, policy: Policy) -> ScalarEstimate:
    """`maintenance_by_profile_kcal` with its spread, as in the prior of the estimation.

    Equation: var = maintenance² × (σ_expenditure² + σ_reporting²) + (10 kcal/d per kg × activity × reporting)² × var of
    the mass, that of the usual body mass index where it is unknown.
    """
    mean, logs_food = maintenance_by_profile_kcal(evidence, policy), evidence.log.days_since_food is not None
    of_expenditure = EXPENDITURE_SD_NO_ACTIVITY if evidence.athlete.activity_factor is None else EXPENDITURE_SD
    of_reporting = REPORTING_SD if logs_food else REPORTING_UNLOGGED_SD
    usual_sd_kg = MASS_INDEX_SD * (_height_by_profile_cm(evidence) / 100.0) ** 2
    mass_sd_kg = evidence.average_mass_kg.sd if evidence.average_mass_kg else usual_sd_kg
    sd = hypot(mean * of_expenditure, mean * of_reporting, 10.0 * _logged_activity(evidence) * mass_sd_kg)
    return ScalarEstimate(mean, sd, mean - Z90 * sd, mean + Z90 * sd)


def _height_by_profile_cm(evidence: Evidence) -> float:
    who = evidence.athlete
    return who.height_cm or (USUAL_HEIGHT_FEMALE_CM if who.male is False else USUAL_HEIGHT_MALE_CM)


def _logged_activity(evidence: Evidence) -> float:
    """Logged over resting energy."""
    factor = evidence.athlete.activity_factor
    return reporting_by_profile(evidence) * float(judged_activity(np.array(np.nan if factor is None else factor)))


def reporting_by_profile(evidence: Evidence) -> float:
    """Logged over eaten as it is presumed: the usual share of who has logged food, 1 of who has not."""
    return REPORTING_UNLOGGED_MEAN if evidence.log.days_since_food is None else REPORTING_MEAN


def energy_availability(evidence: Evidence, policy: Policy, intake_kcal: float) -> ScalarEstimate | None:
    """Energy that an intake on the logging scale leaves for the body, kcal per kg of fat-free mass; None when unknown.

    On the true scale: logs miss a part of what is eaten. Without the cost of training where that is not known. Its
    spread is that of what is not logged, of training and of body fat, as if they were independent.
    """
    lean, mass, body_fat = evidence.fat_free_mass_kg, evidence.average_mass_kg, evidence.body_fat_pct
    if lean is None or lean <= 0.0 or mass is None or body_fat is None:
        return None
    eaten, trained = intake_kcal / reporting_ratio(evidence, policy), evidence.exercise_kcal
    mean = float(energy_availability_kcal_per_kg(eaten, trained.mean if trained else 0.0, lean))
    of_lean = mean * mass.mean * body_fat.sd / 100.0
    sd = hypot(eaten * _reporting_sd(evidence), trained.sd if trained else 0.0, of_lean) / lean
    return ScalarEstimate(mean, sd, mean - Z90 * sd, mean + Z90 * sd)


def _reporting_sd(evidence: Evidence) -> float:
    """Standard deviation of logged over true energy, as a share: what the requirement is less sure of than the log."""
    logged, true = evidence.maintenance_kcal, evidence.energy_requirement_kcal
    if logged is None or true is None or logged.mean <= 0.0 or true.mean <= 0.0:
        return 0.0
    return sqrt(max(0.0, (true.sd / true.mean) ** 2 - (logged.sd / logged.mean) ** 2))


IN_DEFICIT = ("no_deficit_pct", *ENERGY_FLOOR)  # the floor where maintenance is not known


def in_deficit(evidence: Evidence, policy: Policy, energy_kcal: float | None = None) -> bool:
    """Whether an energy target (the one in force by default) is a deficit that counts, or the phase is a cut.

    Held against the estimate of maintenance, before the first weigh-in against the maintenance of the profile.
    """
    energy = evidence.energy_kcal if energy_kcal is None else energy_kcal
    if energy_kcal is None and evidence.kind == "cut":
        return True
    if energy is None:
        return False
    estimate = evidence.maintenance_kcal
    maintenance = maintenance_by_profile_kcal(evidence, policy) if estimate is None else estimate.mean
    return energy < maintenance * (1.0 - policy.no_deficit_pct / 100.0)


def too_lean(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether body fat is probably enough below the floor: by the estimate, or because the latest readings all are."""
    fat, least = evidence.body_fat_pct, body_fat_floor_pct(evidence, policy)
    readings = _readings_below(evidence, policy, least)
    chance = 0.0 if fat is None else fat.probability_below(least)
    if chance < policy.body_fat_floor_probability and not readings:
        return None
    numbers = {"body_fat_pct": None if fat is None else fat.mean, "floor_pct": least, "probability": chance}
    if readings:
        read = tuple(say("goal.measured", body_fat_pct=r.body_fat_pct, on=r.on) for r in readings)
        statement = say("floor.body_fat_read", readings=read, floor_pct=least)
        return Verdict(statement, numbers, condition=say("once.body_fat_is_read_above_floor", floor_pct=least))
    assert fat is not None
    statement = say("floor.body_fat", body_fat_pct=fat.mean, probability=chance, floor_pct=least)
    limit = mean_at(least, fat.sd, policy.body_fat_floor_probability, "below")
    return Verdict(statement, numbers, (Move("body_fat_pct.mean", limit, "above"),))


def _readings_below(evidence: Evidence, policy: Policy, least_pct: float) -> tuple[BodyFatMeasurement, ...]:
    """The latest readings, when there are enough of them, all below the floor and none too old; else none."""
    known = sorted(evidence.log.body_fat_measurements, key=lambda m: (m.on, m.body_fat_pct))
    latest = tuple(known[-policy.body_fat_floor_readings :])
    below = all(
        m.body_fat_pct < least_pct and (evidence.as_of - m.on).days <= policy.goal_measurement_max_age_days
        for m in latest
    )
    return latest if below and len(latest) == policy.body_fat_floor_readings else ()


def too_light(evidence: Evidence, policy: Policy) -> Verdict | None:
    """Whether the body mass index is below its floor."""
    bmi, height = evidence.body_mass_index, evidence.athlete.height_cm
    if bmi is None or height is None or bmi >= policy.bmi_floor:
        return None
    statement = say("floor.bmi", bmi=bmi, floor=policy.bmi_floor)
    least_kg = policy.bmi_floor * (height / 100.0) ** 2
    return Verdict(
        statement, {"bmi": bmi, "least_mass_kg": least_kg}, (Move("average_mass_kg.mean", least_kg, "at_least"),)
    )
