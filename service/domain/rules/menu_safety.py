"""The safety gate in front of menus: who is referred instead of being told what to eat, and what needs care."""

from dataclasses import dataclass, replace
from math import floor

from service.domain.evidence import Evidence, Targets
from service.domain.policy import Policy
from service.domain.rules import safety_rules
from service.domain.rules.gate import conditions, gate, in_deficit
from service.domain.rules.targets import energy_floor_kcal
from service.domain.wording import number

REFERRED = ("safety.minor", "safety.pregnancy", "safety.eating_disorder")  # no menu at all until cleared
_STOP_A_DEFICIT = ("loss.ceiling", "floor.body_fat", "floor.bmi", "limit.deficit")
REFER = "No menu is made; please refer the athlete to a licensed professional."


@dataclass(frozen=True)
class Refusal:
    """Why no menu is made."""

    code: str
    words: str


def refusals(evidence: Evidence, policy: Policy, targets: Targets) -> tuple[Refusal, ...]:
    """Every reason against a menu for these targets; none when a menu may be made.

    Conditions of the referral list count until a clearance is recorded (`safety.gate`): minors, pregnancy and a history
    of an eating disorder always, the others for a deficit. Kidney disease refuses protein over the policy's limit. No
    menu goes below the energy floor, nor keeps up a deficit that a review would stop: loss too fast, too lean, too
    light, larger than allowed.
    """
    now = gate(evidence, policy)
    deficit = evidence.kind == "cut" or in_deficit(evidence, policy, targets.energy_kcal)
    reasons = [
        Refusal(condition.code, f"The athlete {condition.words}. {REFER}")
        for condition in conditions(evidence, policy)
        if condition.code in now.closed_by
        and "deficit" in condition.scopes
        and (condition.code in REFERRED or (deficit and condition.code != "safety.kidney_disease"))
    ]
    if now.kidney_closed:
        reasons += _kidney(evidence, policy, targets, deficit)
    if in_deficit(evidence, policy, targets.energy_kcal):
        there = replace(evidence, targets=targets)
        stopped = [rule(there, policy) for rule in safety_rules.RULES if rule.code in _STOP_A_DEFICIT]
        reasons += [Refusal(finding.code, finding.statement) for finding in stopped if finding is not None]
    floor = energy_floor_kcal(evidence, policy)
    if targets.energy_kcal < floor:
        words = f"{number(targets.energy_kcal)} kcal lies below the floor of {number(floor)} kcal: no menu goes there."
        reasons.append(Refusal("safety.energy_floor", words))
    return tuple(reasons)


def _kidney(evidence: Evidence, policy: Policy, targets: Targets, deficit: bool) -> list[Refusal]:
    most = protein_ceiling_g(evidence, policy)
    words = "The athlete has kidney disease"
    if deficit:
        return [Refusal("safety.kidney_disease", f"{words}, and these targets are a deficit. {REFER}")]
    if most is None:
        why = "and without a weight nobody can say how much protein is too much"
    elif targets.protein_g is None or targets.protein_g > most:
        why = f"and more than {number(most)} g of protein a day waits for a clearance"
    else:
        return []
    return [Refusal("safety.kidney_disease", f"{words}, {why}. {REFER}")]


def protein_ceiling_g(evidence: Evidence, policy: Policy) -> float | None:
    """Most protein of a day with uncleared kidney disease, in whole grams, never over the policy's limit.

    Down, as targets are rounded: a mass 20 g over 75 kg must not open another gram. None when the mass is unknown.
    """
    if evidence.average_mass_kg is None:
        return None
    return float(floor(round(policy.kidney_protein_max_g_per_kg * evidence.average_mass_kg.mean, 6)))


def cautions(evidence: Evidence, policy: Policy, targets: Targets) -> tuple[str, ...]:
    """What a coach should know before handing a menu on."""
    now = gate(evidence, policy)
    words = ["Allergens are those of the ingredients themselves, not traces: read every label, and ask the kitchen."]
    if not now.screened:
        words.append("The screening questions are not all answered: do not start or deepen a deficit on this menu.")
    if now.on_referral_list:
        words.append("The athlete is on the referral list: no eating window, and a professional's advice comes first.")
    lean = evidence.fat_free_mass_kg
    if lean:
        available = (targets.energy_kcal - (evidence.exercise_kcal or 0.0)) / lean
        if available < policy.energy_availability_flag:
            words.append(
                f"Energy availability would be at most {number(available, 1)} kcal per kg of fat-free mass, below"
                f" {number(policy.energy_availability_flag)}: a screen with poor sensitivity (45 %), no diagnosis."
            )
    return tuple(words)
