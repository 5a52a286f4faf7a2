"""A decision rule: how it judges, what its finding argues for, and what the arbiter must know of it."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.energy_step import Step
from service.domain.rules.findings import Action, Finding, Severity, Stage, Verdict, finding

Judge = Callable[[Evidence, Policy], Verdict | None]
EnergyStep = Callable[[Evidence, Policy], Step | None]


@dataclass(frozen=True)
class Rule:
    """A named decision rule; `action` is what its finding argues for, None when it only informs.

    What it asks stands in the catalogue of sentences, under its code.

    `thresholds` names every policy field that `judge` may read, and no other. They are declared, not recorded while a
    review is made: a rule is described where no evidence is at hand, and every finding of one rule shows the same list
    for all athletes. `tests/domain/rules/test_thresholds.py` records what is read over all cases and compares. Where a
    rule asks a helper, its list takes in the one that stands beside the helper.
    """

    code: str
    stage: Stage
    severity: Severity
    action: Action | None
    thresholds: tuple[str, ...]  # each once, in the order of their first mention
    judge: Judge
    source: str = ""  # beside the thresholds' own
    step: EnergyStep | None = None  # of a change of energy: where to
    rise: Literal["at_once", "when_due"] | None = None  # its step up is towards safety: no referral withholds it
    delays_rise: bool = False  # a rise that is due waits while this is found
    supports_hold: bool = False  # what a hold rests on when nothing argues for more

    def __post_init__(self) -> None:
        """Name each threshold once: the lists of helpers overlap."""
        object.__setattr__(self, "thresholds", tuple(dict.fromkeys(self.thresholds)))

    @property
    def has_a_say(self) -> bool:
        """Whether a proposal may follow it, rest on it or wait for it; the others only inform."""
        return self.action is not None or self.supports_hold or self.delays_rise

    def __call__(self, evidence: Evidence, policy: Policy) -> Finding | None:
        """The rule's finding on this evidence, None when there is nothing to say."""
        verdict = self.judge(evidence, policy)
        if verdict is None:
            return None
        return finding(self.code, verdict.severity or self.severity, verdict, policy, self.thresholds, self.source)

    def description(self) -> dict[str, Any]:
        """The rule as a plain record; its thresholds by name, as `policy.describe` lists them."""
        return {
            "code": self.code,
            "stage": self.stage.value,
            "severity": self.severity.value,
            "argues_for": self.action.value if self.action else None,
            "thresholds": list(self.thresholds),
            "source": self.source,
        }
