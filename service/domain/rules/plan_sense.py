"""Whether plans made by hand make sense: energy that fits its phase, macronutrients that fit the energy and the body.

Soft findings, to be acknowledged by their codes; what is dangerous is `amendments.check_change`'s.
"""

from collections.abc import Mapping

from service.domain.evidence import Evidence
from service.domain.physiology.energy import CARBOHYDRATE_KCAL_PER_G, FAT_KCAL_PER_G, PROTEIN_KCAL_PER_G
from service.domain.policy import Policy
from service.domain.rules.amendments import Change
from service.domain.rules.findings import PHASE_WORDS, Finding, soft
from service.domain.wording import number

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
    plan = f"{number(energy)} kcal, with maintenance at {number(maintenance.mean)} kcal,"
    share = {"build": policy.build_surplus_max_pct, "maintain": MAINTAIN_SURPLUS_MAX_PCT}.get(kind)
    if share is not None and energy > maintenance.mean * (1.0 + share / 100.0) + 1.0:
        words = f"{plan} is a surplus above {number(share)} %: more than the {PHASE_WORDS[kind]} has a use for."
        return [soft("limit.surplus", words, policy, *(("build_surplus_max_pct",) if kind == "build" else ()))]
    if kind == "cut" and energy >= maintenance.mean:
        return [soft("phase.energy_disagrees", f"{plan} is no deficit, and the phase is a cut.", policy)]
    if kind == "build" and energy < maintenance.mean - 1.0:
        return [soft("phase.energy_disagrees", f"{plan} is below maintenance, and the phase is a build.", policy)]
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
            words = f"Protein, carbohydrate and fat come to {number(total)} kcal, the target is {number(energy)} kcal."
            findings.append(soft("targets.sum", words, policy))
    mass = evidence.average_mass_kg
    share = None if protein is None or mass is None else protein / mass.mean
    if share is not None and not PROTEIN_MIN_G_PER_KG <= share <= PROTEIN_MAX_G_PER_KG:
        words = (
            f"{number(protein or 0.0)} g of protein is {number(share, 1)} g per kg of body mass, outside"
            f" {number(PROTEIN_MIN_G_PER_KG, 1)} to {number(PROTEIN_MAX_G_PER_KG, 1)}."
        )
        findings.append(soft("targets.protein", words, policy))
    return findings
