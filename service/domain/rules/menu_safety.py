"""The safety gate in front of menus: who is referred instead of being told what to eat, and what needs care."""

from dataclasses import dataclass, replace
from math import floor

from service.domain.evidence import Evidence, Targets
from service.domain.policy import Policy
from service.domain.rules import safety_rules
from service.domain.rules.gate import gate, in_deficit
from service.domain.rules.referral import NO_FOOD_PLANNED, conditions
from service.domain.rules.screening import screened
from service.domain.rules.targets import energy_floor_kcal, reporting_ratio
from service.domain.sentence import Sentence, say

_STOP_A_DEFICIT = ("loss.ceiling", "floor.body_fat", "floor.bmi", "limit.deficit")


@dataclass(frozen=True)
class Refusal:
    """Why no menu is made."""

    code: str
    statement: Sentence


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
        Refusal(condition.code, say("menu.listed", condition=condition.words))
        for condition in conditions(evidence, policy)
        if condition.code in now.closed_by
        and "deficit" in condition.scopes
        and (condition.code in NO_FOOD_PLANNED or (deficit and condition.code != "safety.kidney_disease"))
    ]
    if now.kidney_closed:
        reasons += _kidney(evidence, policy, targets, deficit)
    if in_deficit(evidence, policy, targets.energy_kcal):
        there = replace(evidence, targets=targets)
        stopped = [rule(there, policy) for rule in safety_rules.RULES if rule.code in _STOP_A_DEFICIT]
        reasons += [Refusal(finding.code, finding.statement) for finding in stopped if finding is not None]
    floor = energy_floor_kcal(evidence, policy)
    if targets.energy_kcal < floor:
        below = say("menu.below_floor", energy_kcal=targets.energy_kcal, floor_kcal=floor)
        reasons.append(Refusal("safety.energy_floor", below))
    return tuple(reasons)


def _kidney(evidence: Evidence, policy: Policy, targets: Targets, deficit: bool) -> list[Refusal]:
    most = protein_ceiling_g(evidence, policy)
    if deficit:
        return [Refusal("safety.kidney_disease", say("menu.kidney_deficit"))]
    if most is None:
        return [Refusal("safety.kidney_disease", say("menu.kidney_no_weight"))]
    if targets.protein_g is None or targets.protein_g > most:
        return [Refusal("safety.kidney_disease", say("menu.kidney_protein", most_g=most))]
    return []


def protein_ceiling_g(evidence: Evidence, policy: Policy) -> float | None:
    """Most protein of a day with uncleared kidney disease, in whole grams, never over the policy's limit.

    Down, as targets are rounded: a mass 20 g over 75 kg must not open another gram. None when the mass is unknown.
    """
    if evidence.average_mass_kg is None:
        return None
    return float(floor(round(policy.kidney_protein_max_g_per_kg * evidence.average_mass_kg.mean, 6)))


def missing_facts(evidence: Evidence) -> tuple[str, ...]:
    """What is not known yet of an athlete of all that energy targets rest on, by the words of the API.

    The screening counts where a cut is planned, or nothing is. Without an activity factor there are targets all the
    same, for usual activity.
    """
    athlete = evidence.athlete
    asked = evidence.kind in (None, "cut")
    known = {
        "mass_kg": evidence.average_mass_kg,
        "height_cm": athlete.height_cm,
        "birth_date": athlete.age_y,
        "sex": athlete.male,
        "activity_factor": athlete.activity_factor,
        "screening": (not asked or screened(evidence)) or None,
        "phase": evidence.phase,
    }
    return tuple(fact for fact, value in known.items() if value is None)


def cautions(evidence: Evidence, policy: Policy, weighed: Targets) -> tuple[Sentence, ...]:
    """What a coach should know before handing a menu on; `weighed`, its targets as they are weighed out."""
    now = gate(evidence, policy)
    notes = [say("menu.allergens")]
    if not now.screened:
        notes.append(say("menu.unscreened"))
    if now.on_referral_list:
        notes.append(say("menu.on_referral_list"))
    logged_kcal = weighed.energy_kcal * reporting_ratio(evidence, policy)
    low = safety_rules.availability_after(evidence, policy, logged_kcal)
    if low is not None:
        available = low.evidence["energy_availability_kcal_per_kg"]
        flag = policy.energy_availability_flag
        notes.append(say("menu.energy_availability", available=available, flagged_below=flag))
    return tuple(notes)
