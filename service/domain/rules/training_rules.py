"""The rules about training that a weekly review hears: is a deload due?"""

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.findings import Action, Severity, Stage, Verdict
from service.domain.rules.history import weeks_since_deload
from service.domain.rules.phase_rules import plateau_lasts
from service.domain.rules.rule import Rule
from service.domain.sentence import Sentence, say


def _deload_due(evidence: Evidence, policy: Policy) -> Verdict | None:
    weeks = weeks_since_deload(evidence)
    if weeks is None or weeks < policy.deload_max_weeks:
        return None
    if _said_once(evidence):
        return None
    last = evidence.history.last_deload_on
    statement = say("training.deload_due" if last else "training.no_deload_on_record", weeks=weeks)
    need = say("once.deload_is_on_record", weeks=policy.deload_max_weeks)
    return Verdict(statement, {"weeks": weeks, "last_deload_on": last and str(last)}, (), need)


def _said_once(evidence: Evidence) -> bool:
    """Whether nobody ever recorded a deload and a review said so before: it is not said again every week."""
    earlier = any("training.deload_due" in review.codes for review in evidence.history.reviews)
    return evidence.history.last_deload_on is None and earlier


def _deload_on_findings(evidence: Evidence, policy: Policy) -> Verdict | None:
    weeks, fatigue = weeks_since_deload(evidence), evidence.wellbeing.fatigue
    if weeks is None or weeks < policy.deload_min_weeks:
        return None
    if weeks >= policy.deload_max_weeks and not _said_once(evidence):  # due anyway
        return None
    why: dict[str, Sentence] = {}
    if plateau_lasts(evidence, policy):
        why["plateau"] = say("training.no_lift_rising", weeks=policy.plateau_weeks)
    if fatigue is not None and fatigue >= policy.strain_fatigue:
        why["fatigue"] = say("training.fatigue_averages", fatigue=fatigue)
    if not why:
        return None
    last = evidence.history.last_deload_on
    when = say("training.weeks_after_deload" if last else "training.weeks_without_deload", weeks=weeks)
    statement = say("training.deload_on_findings", why=tuple(why.values()), when=when)
    return Verdict(statement, {"weeks": weeks, "because": list(why)}, condition=say("once.fatigue_or_plateau_ends"))


_T = Stage.TRAINING

RULES: tuple[Rule, ...] = (
    Rule(
        "training.deload_due",
        _T,
        Severity.ADVICE,
        Action.DELOAD,
        ("deload_max_weeks",),
        _deload_due,
    ),
    Rule(
        "training.deload_on_findings",
        _T,
        Severity.ADVICE,
        Action.DELOAD,
        ("deload_min_weeks", "deload_max_weeks", "plateau_weeks", "rising_probability", "strain_fatigue"),
        _deload_on_findings,
    ),
)
