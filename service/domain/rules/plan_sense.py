"""Whether plans made by hand make sense: energy that fits its phase, macronutrients that fit the energy and the body.

Soft findings, to be acknowledged by their codes; what is dangerous is `amendments.check_change`'s.
"""

from collections.abc import Mapping

from service.domain.evidence import Evidence
from service.domain.physiology.energy import CARBOHYDRATE_KCAL_PER_G, FAT_KCAL_PER_G, PROTEIN_KCAL_PER_G
from service.domain.policy import Policy
from service.domain.rules.amendments import Change
from service.domain.rules.findings import Finding, soft
from service.domain.sentence import say

MAINTAIN_SURPLUS_MAX_PCT = 10.0  # common practice, no source
SUM_TOLERANCE_PCT = 10.0  # labels and logs round; common practice, no source
PROTEIN_MIN_G_PER_KG = 0.8  # the adult allowance, Institute of Medicine 2005
PROTEIN_MAX_G_PER_KG = 4.0  # common practice, no source


def check_energy(evidence: Evidence, policy: Policy, change: Change) -> list[Finding]:
    """Whether the energy of a change fits the phase that it is for, held against estimated maintenance.

    Returns soft findings: `limit.surplus`, more than a build or maintenance needs; `phase.energy_disagrees`, a cut
    that is no deficit or a build below maintenance. Empty when energy, phase or maintenance is unknown.
    """
    energy, kind, maintenance = change.energy_kcal, change.phase or evidence.kind, evidence.maintenance_kcal
    if energy is None or kind is None or maintenance is None:
        return []
    plan = {"energy_kcal": energy, "maintenance_kcal": maintenance.mean}
    share = {"build": policy.build_surplus_max_pct, "maintain": MAINTAIN_SURPLUS_MAX_PCT}.get(kind)
    if share is not None and energy > maintenance.mean * (1.0 + share / 100.0) + 1.0:
        statement = say("limit.surplus", **plan, most_pct=share, phase=kind)
        return [soft("limit.surplus", statement, policy, *(("build_surplus_max_pct",) if kind == "build" else ()))]
    if kind == "cut" and energy >= maintenance.mean:
        return [soft("phase.energy_disagrees", say("phase.cut_without_deficit", **plan), policy)]
    if kind == "build" and energy < maintenance.mean - 1.0:
        return [soft("phase.energy_disagrees", say("phase.build_below_maintenance", **plan), policy)]
    return []


def check_grams(evidence: Evidence, policy: Policy, targets: Mapping[str, float | None]) -> list[Finding]:
    """Whether macronutrient targets fit each other and the body.

    Parameters: `targets`, `protein_g`, `carbohydrate_g`, `fat_g` and `energy_kcal` of a day, None where not set.
    Returns soft findings: `targets.sum`, 4·protein + 4·carbohydrate + 9·fat is more than 10 % off the energy, when all
    are given; `targets.protein`, outside 0.8 to 4 g per kg of body mass, when that is known.
    """
    findings = []
    protein, carbohydrate, fat, energy = (
        targets[name] for name in ("protein_g", "carbohydrate_g", "fat_g", "energy_kcal")
    )
    if protein is not None and carbohydrate is not None and fat is not None and energy is not None:
        total = PROTEIN_KCAL_PER_G * protein + CARBOHYDRATE_KCAL_PER_G * carbohydrate + FAT_KCAL_PER_G * fat
        if abs(total - energy) > SUM_TOLERANCE_PCT / 100.0 * energy:
            findings.append(soft("targets.sum", say("targets.sum", total_kcal=total, energy_kcal=energy), policy))
    mass = evidence.average_mass_kg
    share = None if protein is None or mass is None else protein / mass.mean
    if share is not None and not PROTEIN_MIN_G_PER_KG <= share <= PROTEIN_MAX_G_PER_KG:
        statement = say(
            "targets.protein",
            protein_g=protein,
            per_kg=share,
            least_per_kg=PROTEIN_MIN_G_PER_KG,
            most_per_kg=PROTEIN_MAX_G_PER_KG,
        )
        findings.append(soft("targets.protein", statement, policy))
    return findings
