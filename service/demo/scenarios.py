"""The invented athletes of the demo practice: who they are and how their log ends, told by parameters only.

What happens to them comes out of the simulated world; nothing here writes an entry.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from service.demo.lifters import ADVANCED, INTERMEDIATE, NOVICE
from service.demo.records import BUILD, CUT, MAINTAIN

TRUE_TO_PLAN: Mapping[str, float] = {
    "hunger_response": 0.1,
    "abandon_rate": 0.0,
    "adherence_sd": 0.10,
    "fast_rate": 0.0,
    "job_change_rate": 0.0,
    "activity_drift_sd": 0.05,
}
GOOD_LOG: Mapping[str, float] = {
    "weigh_in_missing": 0.12,
    "weigh_in_gap_days": 1.3,
    "food_missing": 0.08,
    "food_gap_days": 1.2,
    "marks_complete": True,
    "logs_carbohydrate": True,
    "clothes_rate": 0.0,
}


@dataclass(frozen=True)
class Scenario:
    """One invented athlete; `day` of `planned_days` is where the last phase stands when the log ends."""

    name: str
    story: str
    male: bool
    age_y: float
    height_cm: float
    mass_kg: float
    body_fat_pct: float
    experience: int
    kind: int
    day: int
    planned_days: int
    energy_ratio: float  # intended intake over maintenance, minus one, in the last phase
    maintenance_error: float = 0.0  # the coach's, in the last phase
    goal_pct: float | None = None
    goal_days: int = 420  # from the end of the log to its date
    time_zone: str = "UTC"
    review_weekday: str = "monday"
    meals_per_day: int = 3
    joined_days_ago: int | None = None  # None: since the first day
    traits: Mapping[str, float] = field(default_factory=dict)  # of People
    lifting: Mapping[str, float] = field(default_factory=dict)  # of Lifters


SCENARIOS = (
    Scenario(
        name="Matteo",
        story="a cut planned too deep by a coach who took maintenance for lower than it is: losing too fast",
        male=True,
        age_y=34,
        height_cm=183,
        mass_kg=97,
        body_fat_pct=25,
        experience=INTERMEDIATE,
        kind=CUT,
        day=26,
        planned_days=35,
        energy_ratio=-0.42,
        maintenance_error=-0.10,
        goal_pct=16,
        goal_days=240,  # too soon
        time_zone="Europe/Rome",
        traits={**GOOD_LOG, **TRUE_TO_PLAN, "weekend_excess": 0.02, "activity_level": 2.0, "activity_response": 0.2},
        lifting={"tolerance": 0.15},
    ),
    Scenario(
        name="Oona",
        story="a cut on a target that is near her maintenance, well logged and kept: stalled",
        male=False,
        age_y=29,
        height_cm=169,
        mass_kg=71,
        body_fat_pct=29,
        experience=INTERMEDIATE,
        kind=CUT,
        day=31,
        planned_days=42,
        energy_ratio=-0.20,
        maintenance_error=0.23,
        goal_pct=22,
        time_zone="Europe/Helsinki",
        traits={**GOOD_LOG, **TRUE_TO_PLAN, "weekend_excess": 0.03, "cycles": True, "menstrual_kg": 0.5},
    ),
    Scenario(
        name="Rafael",
        story="a cut at the intended pace, strength kept: on plan",
        male=True,
        age_y=27,
        height_cm=176,
        mass_kg=82,
        body_fat_pct=20,
        experience=INTERMEDIATE,
        kind=CUT,
        day=24,
        planned_days=35,
        energy_ratio=-0.29,
        goal_pct=14,
        time_zone="America/Sao_Paulo",
        review_weekday="sunday",
        traits={**GOOD_LOG, **TRUE_TO_PLAN, "weekend_excess": 0.02},
        lifting={"tolerance": 0.25},
    ),
    Scenario(
        name="Priya",
        story="the last day of a six-week cut: time to go back to maintenance",
        male=False,
        age_y=36,
        height_cm=163,
        mass_kg=65,
        body_fat_pct=30,
        experience=INTERMEDIATE,
        kind=CUT,
        day=42,
        planned_days=42,
        energy_ratio=-0.29,
        goal_pct=23,
        time_zone="Asia/Kolkata",
        traits={**GOOD_LOG, **TRUE_TO_PLAN, "cycles": True},
        lifting={"tolerance": 0.22},
    ),
    Scenario(
        name="Dylan",
        story="hardly logs: a few weigh-ins and meals",
        male=True,
        age_y=24,
        height_cm=181,
        mass_kg=88,
        body_fat_pct=21,
        experience=NOVICE,
        kind=CUT,
        day=22,
        planned_days=35,
        energy_ratio=-0.20,
        time_zone="America/Chicago",
        traits={
            "weigh_in_missing": 0.9,
            "weigh_in_gap_days": 12,
            "food_missing": 0.97,
            "food_gap_days": 25,
            "partial_share": 0.1,
            "marks_complete": False,
        },
    ),
    Scenario(
        name="Amara",
        story="a novice in a build: every lift rises",
        male=False,
        age_y=22,
        height_cm=172,
        mass_kg=61,
        body_fat_pct=24,
        experience=NOVICE,
        kind=BUILD,
        day=37,
        planned_days=56,
        energy_ratio=0.10,
        goal_pct=21,
        time_zone="Africa/Lagos",
        traits={**GOOD_LOG, **TRUE_TO_PLAN, "cycles": True},
        lifting={"gain_pct_per_week": 1.3, "skip_rate": 0.02, "sessions_per_week": 3},
    ),
    Scenario(
        name="Henrik",
        story="three weeks at maintenance after a cut: steady",
        male=True,
        age_y=41,
        height_cm=186,
        mass_kg=91,
        body_fat_pct=20,
        experience=INTERMEDIATE,
        kind=MAINTAIN,
        day=23,
        planned_days=35,
        energy_ratio=0.0,
        goal_pct=15,
        time_zone="Europe/Oslo",
        review_weekday="friday",
        traits={**GOOD_LOG, **TRUE_TO_PLAN},
    ),
    Scenario(
        name="Yuki",
        story="an advanced lifter late in a build: strength has levelled off, fat rises",
        male=True,
        age_y=33,
        height_cm=171,
        mass_kg=80,
        body_fat_pct=19,
        experience=ADVANCED,
        kind=BUILD,
        day=55,
        planned_days=84,
        energy_ratio=0.15,
        maintenance_error=0.06,
        goal_pct=15,
        time_zone="Asia/Tokyo",
        traits={**GOOD_LOG, **TRUE_TO_PLAN, "lean_share_gain": 0.7, "body_fat_method": 1, "body_fat_every_days": 28},
        lifting={"gain_pct_per_week": 0.03, "sessions_per_week": 3},
    ),
    Scenario(
        name="Celeste",
        story="a hard cut that eats into her strength",
        male=False,
        age_y=31,
        height_cm=167,
        mass_kg=68,
        body_fat_pct=26,
        experience=ADVANCED,
        kind=CUT,
        day=33,
        planned_days=42,
        energy_ratio=-0.27,
        goal_pct=20,
        time_zone="Europe/Paris",
        traits={**GOOD_LOG, **TRUE_TO_PLAN, "cycles": True},
        lifting={"tolerance": 0.04, "loss_pct_per_week": 1.9, "skip_rate": 0.03, "sessions_per_week": 3},
    ),
    Scenario(
        name="Noor",
        story="new: joined under three weeks ago, nothing of her screening answered yet",
        male=False,
        age_y=26,
        height_cm=160,
        mass_kg=58,
        body_fat_pct=27,
        experience=NOVICE,
        kind=MAINTAIN,
        day=19,
        planned_days=28,
        energy_ratio=0.0,
        goal_pct=22,
        time_zone="Asia/Dubai",
        joined_days_ago=19,
        traits={**TRUE_TO_PLAN, "body_fat_method": 0, "body_fat_every_days": 7},
    ),
    Scenario(
        name="Bram",
        story="a cut given up quietly; the log thins out and says less than is eaten",
        male=True,
        age_y=38,
        height_cm=180,
        mass_kg=94,
        body_fat_pct=26,
        experience=INTERMEDIATE,
        kind=CUT,
        day=29,
        planned_days=42,
        energy_ratio=-0.28,
        goal_pct=18,
        time_zone="Europe/Amsterdam",
        review_weekday="wednesday",
        traits={"abandon_rate": 0.9, "hides": True, "hunger_response": 1.0, "weekend_excess": 0.15},
    ),
    Scenario(
        name="Lucía",
        story="at maintenance on a new scale; takes a glucose-lowering medicine: no deficit uncleared",
        male=False,
        age_y=45,
        height_cm=165,
        mass_kg=74,
        body_fat_pct=33,
        experience=NOVICE,
        kind=MAINTAIN,
        day=30,
        planned_days=42,
        energy_ratio=0.0,
        time_zone="America/Mexico_City",
        traits={
            **TRUE_TO_PLAN,
            "new_scale_offset_kg": 1.1,
            "weigh_in_missing": 0.2,
            "cycles": False,
            "menstrual_kg": 0,
        },
    ),
)
REFERRED = {"Lucía": {"glucose_lowering_medication": "insulin"}}
UNANSWERED = ("Noor",)
