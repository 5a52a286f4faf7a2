"""The rules about training that a weekly review hears: is a deload due?"""

from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.findings import Action, Severity, Stage, Verdict
from service.domain.rules.history import weeks_since_deload
from service.domain.rules.phase_rules import plateau_lasts
from service.domain.rules.rule import Rule
from service.domain.wording import number


def _deload_due(evidence: Evidence, policy: Policy) -> Verdict | None:
    weeks = weeks_since_deload(evidence)
    if weeks is None or weeks < policy.deload_max_weeks:
        return None
    if _said_once(evidence):
        return None
    last = evidence.history.last_deload_on
    words = f"The last deload was {number(weeks)} weeks ago" if last else _without_deload(weeks)
    need = f"a deload of the last {policy.deload_max_weeks} weeks were on record"
    return Verdict(f"{words}: take a lighter week.", {"weeks": weeks, "last_deload_on": last and str(last)}, (), need)


def _said_once(evidence: Evidence) -> bool:
    """Whether nobody ever recorded a deload and a review said so before: it is not said again every week."""
    earlier = any("training.deload_due" in review.codes for review in evidence.history.reviews)
    return evidence.history.last_deload_on is None and earlier


def _without_deload(weeks: float) -> str:
    return f"{number(weeks)} weeks of training without a deload on record"


def _deload_on_findings(evidence: Evidence, policy: Policy) -> Verdict | None:
    weeks, fatigue = weeks_since_deload(evidence), evidence.wellbeing.fatigue
    if weeks is None or weeks < policy.deload_min_weeks:
        return None
    if weeks >= policy.deload_max_weeks and not _said_once(evidence):  # due anyway
        return None
    why = []
    if plateau_lasts(evidence, policy):
        why.append(f"no main lift has been rising for {policy.plateau_weeks} weeks")
    if fatigue is not None and fatigue >= policy.strain_fatigue:
        why.append(f"fatigue averages {number(fatigue, 1)} of 5")
    if not why:
        return None
    last = evidence.history.last_deload_on
    when = f"{number(weeks)} weeks after the last deload" if last else _without_deload(weeks)
    words = f"{' and '.join(why)}, {when}: take a lighter week."
    return Verdict(
        words[0].upper() + words[1:], {"weeks": weeks, "because": why}, condition="fatigue or the plateau went away"
    )


_T = Stage.TRAINING

RULES: tuple[Rule, ...] = (
    Rule(
        "training.deload_due",
        _T,
        Severity.ADVICE,
        Action.DELOAD,
        "Has it been long since a deload?",
        ("deload_max_weeks",),
        _deload_due,
    ),
    Rule(
        "training.deload_on_findings",
        _T,
        Severity.ADVICE,
        Action.DELOAD,
        "Do fatigue or a plateau ask for a deload?",
        ("deload_min_weeks", "deload_max_weeks", "plateau_weeks", "rising_probability", "strain_fatigue"),
        _deload_on_findings,
    ),
)
