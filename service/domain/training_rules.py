"""The rules about training that a weekly review hears: is a deload due?"""

from service.domain.evidence import Evidence
from service.domain.findings import Action, Rule, Severity, Stage, Verdict, number
from service.domain.history import weeks_since_deload
from service.domain.phase_rules import plateau_lasts
from service.domain.policy import Policy


def _deload_due(evidence: Evidence, policy: Policy) -> Verdict | None:
    weeks = weeks_since_deload(evidence)
    if weeks is None or weeks < policy.deload_max_weeks:
        return None
    need = f"the last deload were less than {policy.deload_max_weeks} weeks ago"
    return Verdict(
        f"No deload on record for {number(weeks)} weeks of training: take a lighter week.",
        {"weeks": weeks},
        condition=need,
    )


def _deload_on_findings(evidence: Evidence, policy: Policy) -> Verdict | None:
    weeks, fatigue = weeks_since_deload(evidence), evidence.wellbeing.fatigue
    if weeks is None or not policy.deload_min_weeks <= weeks < policy.deload_max_weeks:
        return None
    why = []
    if plateau_lasts(evidence, policy):
        why.append(f"no main lift has been rising for {policy.plateau_weeks} weeks")
    if fatigue is not None and fatigue >= policy.strain_fatigue:
        why.append(f"fatigue averages {number(fatigue, 1)} of 5")
    if not why:
        return None
    words = f"{' and '.join(why)}, {number(weeks)} weeks after the last deload: take a lighter week."
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
        ("deload_min_weeks", "plateau_weeks", "strain_fatigue"),
        _deload_on_findings,
    ),
)
