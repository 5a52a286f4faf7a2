"""The shape of a verdict: findings, and what would have to be different for a finding to go away.

A finding carries the numbers it rests on, the thresholds with their sources, and the nearest values at which it would
not have been made.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import date, timedelta
from enum import StrEnum
from math import ceil, floor
from statistics import NormalDist
from typing import Any, Literal

from service.domain.evidence import Screening
from service.domain.policy import Policy
from service.domain.wording import number

CAUTION = (
    "This is a caution, not a diagnosis: the service does not diagnose, and a licensed professional (physician,"
    " dietitian, physiotherapist) decides."
)


class Severity(StrEnum):
    """How much a finding matters, rising."""

    INFO = "info"
    ADVICE = "advice"
    WARNING = "warning"
    STOP = "stop"

    @property
    def rank(self) -> int:
        """0 for info up to 3 for stop."""
        return list(Severity).index(self)


class Action(StrEnum):
    """What a review may recommend."""

    HOLD = "hold"
    CHANGE_ENERGY = "change_energy"
    SWITCH_PHASE = "switch_phase"
    DELOAD = "deload"
    COLLECT_DATA = "collect_data"
    STOP_DEFICIT = "stop_deficit"
    REFER = "refer"


class Stage(StrEnum):
    """The order in which findings are heard."""

    SAFETY = "safety"
    DATA = "data"
    PHASE = "phase"
    ENERGY = "energy"
    TRAINING = "training"


PHASE_WORDS = {"build": "build", "cut": "cut", "maintain": "maintenance"}

Relation = Literal["above", "below", "at_least", "at_most", "answered"]


@dataclass(frozen=True)
class Move:
    """One piece of the evidence moved to its threshold: where it stands so to `value`, the finding goes away.

    `answered` is the relation of screening answers, which have no threshold.
    """

    path: str
    value: float | date | Screening
    relation: Relation

    @property
    def text(self) -> str:
        """The condition in words, its number rounded to the side on which it holds."""
        label, unit, digits = _LABELS[self.path]
        if isinstance(self.value, Screening):
            return f"{label} were {self.relation}"
        if isinstance(self.value, date):
            return f"{label} were {_DATE_WORDS[self.relation]} {self.value}"
        rounded = ceil if self.relation in ("above", "at_least") else floor
        near = rounded(round(self.value * 10.0**digits, 6)) / 10.0**digits
        return f"{label} were {self.relation.replace('_', ' ')} {number(near, digits)}{unit}"

    @property
    def past(self) -> float | date | Screening:
        """The nearest value without the finding: a hair, a count of one or a day past a strict limit."""
        if isinstance(self.value, Screening):
            return self.value
        up = self.relation in ("above", "at_least")
        strict = self.relation in ("above", "below")
        if isinstance(self.value, date):
            return self.value + timedelta(days=(1 if up else -1) * strict)
        if isinstance(self.value, int):
            return self.value + (1 if up else -1) * strict
        hair = 1e-6 if strict else 1e-9
        return self.value + (hair if up else -hair) * max(1.0, abs(self.value))


_DATE_WORDS = {"above": "after", "below": "before", "at_least": "on or after", "at_most": "on or before"}
_LABELS = {  # path: words, unit, decimals
    "tissue_rate_pct_per_week.mean": ("the rate of change of tissue", " %/week", 2),
    "rate_pct_per_week.mean": ("the rate of change on the scale", " %/week", 2),
    "maintenance_kcal.mean": ("logged-scale maintenance", " kcal", 0),
    "body_fat_pct.mean": ("body fat", " %", 1),
    "average_mass_kg.mean": ("average mass", " kg", 1),
    "probability_not_in_deficit": ("the probability of having no real deficit", "", 2),
    "probability_strength_lost": ("the probability of lost strength over the main lifts", "", 2),
    "screening": ("the screening", "", 0),
    "athlete.age_y": ("the athlete's age", " years", 0),
    "wellbeing.months_without_menstruation": ("the months without menstruation", "", 0),
    "history.last_energy_change_on": ("the last change of energy", "", 0),
    "phase.planned_end_on": ("the planned end of the phase", "", 0),
    "phase.day": ("the day of the phase", "", 0),
    "log.weigh_ins_14_d": ("the weigh-ins of the last 14 days", "", 0),
    "log.days_since_weigh_in": ("the days since the last weigh-in", "", 0),
    "log.complete_food_days_14_d": ("the complete food days of the last 14", "", 0),
    "log.logged_intake_kcal": ("mean logged intake", " kcal", 0),
    "targets.energy_kcal": ("the energy target", " kcal", 0),
    "exercise_kcal": ("the energy of training", " kcal/d", 0),
}


@dataclass(frozen=True)
class Finding:
    """One rule's verdict, as a review shows it."""

    code: str
    severity: Severity
    statement: str
    evidence: Mapping[str, Any] = field(default_factory=dict)
    source: str = ""
    moves: tuple[Move, ...] = ()
    condition: str | None = None  # where no number decides: what would have to happen

    @property
    def would_change(self) -> str | None:
        """What would have to be different for this finding to go away; None when nothing simple would do."""
        return " and ".join(move.text for move in self.moves) or self.condition

    def body(self) -> dict[str, Any]:
        """The finding as a plain record."""
        return {
            "code": self.code,
            "severity": self.severity.value,
            "statement": self.statement,
            "evidence": dict(self.evidence),
            "source": self.source,
            "would_change": self.would_change,
        }


@dataclass(frozen=True)
class Verdict:
    """What a rule's judgement says when it has something to say."""

    statement: str
    evidence: Mapping[str, Any] = field(default_factory=dict)
    moves: tuple[Move, ...] = ()
    condition: str | None = None
    severity: Severity | None = None  # where it is not the rule's


_SOURCES: dict[str, str] = {f.name: f.metadata["source"] for f in fields(Policy)}


def finding(
    code: str, severity: Severity, verdict: Verdict, policy: Policy, thresholds: tuple[str, ...] = (), source: str = ""
) -> Finding:
    """A verdict as a finding, with the thresholds it used, their sources, and the caution when it stops something."""
    values = {name: getattr(policy, name) for name in thresholds}
    numbers = {name: round(v, 4) if isinstance(v, float) else v for name, v in verdict.evidence.items()}
    return Finding(
        code,
        severity,
        verdict.statement if severity is not Severity.STOP else f"{verdict.statement} {CAUTION}",
        {**numbers, "thresholds": values} if values else numbers,
        "; ".join(dict.fromkeys(s for s in (source, *(_SOURCES[name] for name in thresholds)) if s)),
        verdict.moves,
        verdict.condition,
    )


def soft(code: str, words: str, policy: Policy, *thresholds: str) -> Finding:
    """What a coach must acknowledge, of a change that is made by hand."""
    return finding(code, Severity.WARNING, Verdict(words), policy, thresholds)


def mean_at(edge: float, sd: float, probability: float, side: Literal["above", "below"]) -> float:
    """The mean of a normal law with this sd that lies on one side of `edge` with exactly this probability."""
    z = NormalDist().inv_cdf(probability) if sd > 0.0 else 0.0
    return edge + z * sd if side == "above" else edge - z * sd
