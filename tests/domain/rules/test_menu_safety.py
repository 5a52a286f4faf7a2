"""The gate in front of menus: what protein kidney disease leaves until it is cleared."""

from dataclasses import replace

import pytest

from service.domain.evidence import Targets
from service.domain.policy import DEFAULT
from service.domain.rules.menu_safety import protein_ceiling_g, refusals
from tests.domain.rules.on_plan import ON_PLAN, but, q


@pytest.mark.parametrize("mass_kg", [74.98, 75.0, 75.02, 81.3])
def test_the_protein_ceiling_of_kidney_disease_never_passes_the_limit_by_mass(mass_kg: float) -> None:
    """0.8 g/kg, the recommended dietary allowance (IOM 2005, 10.17226/10490; from memory), is the policy's limit."""
    evidence = but(average_mass_kg=q(mass_kg, 0.3))
    ceiling = protein_ceiling_g(evidence, DEFAULT)
    assert ceiling is not None and ceiling == int(ceiling) and 0.8 * mass_kg - 1.0 < ceiling <= 0.8 * mass_kg


def test_targets_above_the_ceiling_are_refused_and_at_it_are_not() -> None:
    assert ON_PLAN.screening is not None
    sick = but(average_mass_kg=q(75.02, 0.3), phase=None, screening=replace(ON_PLAN.screening, kidney_disease=True))
    codes = [
        [refusal.code for refusal in refusals(sick, DEFAULT, Targets(3200.0, protein_g))] for protein_g in (60.0, 61.0)
    ]
    assert codes == [[], ["safety.kidney_disease"]]
