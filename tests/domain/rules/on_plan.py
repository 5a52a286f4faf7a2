"""An invented athlete on plan in the third week of a cut, from whom the decision tests depart."""

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from service.catalogue.sentences import render
from service.domain.evidence import (
    Athlete,
    BodyFatMeasurement,
    Evidence,
    Lift,
    Log,
    PhaseNow,
    ScalarEstimate,
    Screening,
    Targets,
)
from service.domain.sentence import Sentence

TODAY = date(2026, 3, 1)
CLEAR = Screening(False, False, False, False, "none", (), True, False, "moderate", "natural")


def said(*sentences: Sentence) -> str:
    """Sentences of today's findings as a coach reads them."""
    return render(*sentences, on=TODAY)


def ago(days: int) -> date:
    return TODAY - timedelta(days=days)


def q(mean: float, sd: float) -> ScalarEstimate:
    return ScalarEstimate(mean, sd, mean - 1.645 * sd, mean + 1.645 * sd)


def phase(kind: Any, day: int, planned_days: int | None = None) -> PhaseNow:
    starts_on = ago(day - 1)
    return PhaseNow(kind, day, starts_on, starts_on + timedelta(days=planned_days - 1) if planned_days else None)


ON_PLAN = Evidence(
    as_of=TODAY,
    athlete=Athlete(male=True, age_y=28.0, height_cm=178.0, experience="intermediate", goal_body_fat_pct=12.0),
    screening=CLEAR,
    phase=phase("cut", 20, 40),
    targets=Targets(2300.0),
    average_mass_kg=q(80.0, 0.3),
    rate_pct_per_week=q(-0.75, 0.4),
    tissue_rate_pct_per_week=q(-0.72, 0.15),
    maintenance_kcal=q(2850.0, 90.0),
    energy_requirement_kcal=q(3000.0, 150.0),
    body_fat_pct=q(18.0, 2.0),
    probability_not_in_deficit=0.01,
    log=Log(
        weigh_ins_7_d=6,
        weigh_ins_14_d=12,
        weigh_ins_28_d=24,
        days_since_weigh_in=0,
        complete_food_days_7_d=6,
        complete_food_days_14_d=12,
        days_since_food=0,
        logged_intake_kcal=2310.0,
        days_since_measurement=5,
        body_fat_measurements=(BodyFatMeasurement(ago(19), 18.5, 3.5), BodyFatMeasurement(ago(5), 18.0, 3.5)),
    ),
    lifts=(
        Lift("romanian-deadlift", q(140.0, 4.0), probability_lost=0.05, probability_rising=0.3),
        Lift("pull-up", q(100.0, 3.0), probability_lost=0.10, probability_rising=0.4),
    ),
)


def but(**changes: Any) -> Evidence:
    """The athlete on plan, but for these fields of the evidence; `a__b` reaches into a part."""
    evidence = ON_PLAN
    for name, value in changes.items():
        part, _, inner = name.partition("__")
        evidence = replace(evidence, **{part: replace(getattr(evidence, part), **{inner: value}) if inner else value})
    return evidence
