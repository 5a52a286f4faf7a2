"""The shape of a verdict: findings, and what would have to be different for a finding to go away.

A finding carries the numbers it rests on, the thresholds with their sources, and the nearest values at which it would
not have been made.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from datetime import date, timedelta
from enum import StrEnum
from statistics import NormalDist
from typing import Any, Literal

from service.domain.evidence import Screening
from service.domain.policy import PRACTICE, Policy, citation
from service.domain.sentence import Sentence, say


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


STEADY_PCT = 0.05  # %/week: closer to no change is not told from it in words; common practice, no source

Relation = Literal["above", "below", "at_least", "at_most", "answered"]


@dataclass(frozen=True)
class Move:
    """One piece of the evidence moved to its threshold: where it stands so to `value`, the finding goes away.

    `answered` is the relation of screening answers, which have no threshold.
    """

    path: str
    value: float | date | Screening
    relation: Relation
    words: Sentence | None = None  # where the catalogue's own for this path would not do

    @property
    def sentence(self) -> Sentence:
        """The condition in words."""
        condition = f"once.{self.path.removesuffix('.mean')}.{self.relation}"
        if self.words is not None:
            return self.words
        if isinstance(self.value, Screening):
            return say(condition)
        if "rate_pct_per_week" in self.path and isinstance(self.value, float):
            if abs(self.value) < STEADY_PCT and self.relation in ("above", "below"):
                return say("once.steady_or_rising") if self.relation == "above" else say("once.steady_or_falling")
            return say(f"{condition}_{'loss' if self.value < 0.0 else 'gain'}", value=abs(self.value))
        return say(condition, value=self.value)

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


@dataclass(frozen=True)
class Finding:
    """One rule's verdict, as a review shows it."""

    code: str
    severity: Severity
    statement: Sentence
    evidence: Mapping[str, Any] = field(default_factory=dict)
    source: str = ""
    moves: tuple[Move, ...] = ()
    condition: Sentence | None = None  # where no number decides: what would have to happen

    @property
    def conditions(self) -> tuple[Sentence, ...]:
        """What would have to be different for this finding to go away; none when nothing simple would do."""
        return tuple(move.sentence for move in self.moves) or ((self.condition,) if self.condition else ())

    @property
    def would_change(self) -> Sentence | None:
        """That as a sentence, None when nothing simple would do."""
        return say("advice.goes_away", conditions=self.conditions) if self.conditions else None


@dataclass(frozen=True)
class Verdict:
    """What a rule's judgement says when it has something to say."""

    statement: Sentence
    evidence: Mapping[str, Any] = field(default_factory=dict)
    moves: tuple[Move, ...] = ()
    condition: Sentence | None = None
    severity: Severity | None = None  # where it is not the rule's


_SOURCES = {f.name: citation(f.metadata["source"]) for f in fields(Policy)}


def finding(
    code: str, severity: Severity, verdict: Verdict, policy: Policy, thresholds: tuple[str, ...] = (), source: str = ""
) -> Finding:
    """A verdict as a finding, with the thresholds it used and their sources."""
    values = {name: getattr(policy, name) for name in thresholds}
    numbers = {name: round(v, 4) if isinstance(v, float) else v for name, v in verdict.evidence.items()}
    cited = (citation(source), *(_SOURCES[name] for name in thresholds))
    return Finding(
        code,
        severity,
        verdict.statement,
        {**numbers, "thresholds": values} if values else numbers,
        "; ".join(dict.fromkeys(filter(None, cited))) or citation(PRACTICE),
        verdict.moves,
        verdict.condition,
    )


def soft(code: str, statement: Sentence, policy: Policy, *thresholds: str) -> Finding:
    """What a coach must acknowledge, of a change that is made by hand."""
    return finding(code, Severity.WARNING, Verdict(statement), policy, thresholds)


def mean_at(edge: float, sd: float, probability: float, side: Literal["above", "below"]) -> float:
    """The mean of a normal law with this sd that lies on one side of `edge` with exactly this probability."""
    z = NormalDist().inv_cdf(probability) if sd > 0.0 else 0.0
    return edge + z * sd if side == "above" else edge - z * sd
