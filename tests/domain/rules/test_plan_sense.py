"""What makes no sense in plans made by hand, at its edges; and what is to be eaten on each day of the coming week."""

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import pytest

from service.application.review.prediction import planned_intake_kcal
from service.domain.policy import DEFAULT
from service.domain.rules.amendments import Change
from service.domain.rules.arbiter import decide
from service.domain.rules.phases import Switch
from service.domain.rules.plan_sense import check_energy, check_grams
from tests.domain.rules.on_plan import ON_PLAN, TODAY, but, q

AT_2500 = but(maintenance_kcal=q(2500.0, 90.0))
MOST = 2500.0 * (1.0 + DEFAULT.build_surplus_max_pct / 100.0)


@pytest.mark.parametrize(
    ("kind", "energy_kcal", "code"),
    [
        ("build", MOST, None),
        ("build", MOST + 10, "limit.surplus"),
        ("build", 2500.0, None),
        ("build", 2490.0, "phase.energy_disagrees"),
        ("maintain", 2750.0, None),  # 10 % above; common practice, no source
        ("maintain", 2760.0, "limit.surplus"),
        ("maintain", 2000.0, None),
        ("cut", 2490.0, None),
        ("cut", 2500.0, "phase.energy_disagrees"),
        ("cut", None, None),
    ],
)
def test_energy_is_held_against_its_phase(kind: Any, energy_kcal: float | None, code: str | None) -> None:
    found = check_energy(AT_2500, DEFAULT, Change(energy_kcal, kind))
    assert [one.code for one in found] == ([code] if code else [])
    assert all(one.severity.value == "warning" for one in found)
    assert check_energy(but(maintenance_kcal=None), DEFAULT, Change(energy_kcal, kind)) == []


def test_energy_alone_is_of_the_present_phase() -> None:
    assert ON_PLAN.kind == "cut"
    assert [one.code for one in check_energy(AT_2500, DEFAULT, Change(2600.0))] == ["phase.energy_disagrees"]


@pytest.mark.parametrize(
    ("grams", "codes"),
    [
        ((160.0, 250.0, 80.0, 2360.0), []),  # 4·160 + 4·250 + 9·80 = 2360, general Atwater factors
        ((160.0, 250.0, 80.0, 2146.0), []),  # 2360 is 9.97 % more
        ((160.0, 250.0, 80.0, 2145.0), ["targets.sum"]),  # 10.02 %
        ((160.0, 250.0, None, 1000.0), []),
        ((64.0, None, None, 2360.0), []),  # 0.8 g/kg of 80 kg, Institute of Medicine 2005, from memory
        ((63.0, None, None, 2360.0), ["targets.protein"]),
        ((320.0, None, None, 2360.0), []),
        ((321.0, None, None, 2360.0), ["targets.protein"]),
        ((None, 250.0, 80.0, 2360.0), []),
    ],
)
def test_macronutrients_fit_the_energy_and_the_body(grams: tuple[float | None, ...], codes: list[str]) -> None:
    names = ("protein_g", "carbohydrate_g", "fat_g", "energy_kcal")
    eighty = but(average_mass_kg=q(80.0, 0.3))
    found = check_grams(eighty, DEFAULT, dict(zip(names, grams, strict=True)))
    assert [one.code for one in found] == codes


def test_the_present_target_is_eaten_until_the_day_before_the_next_phase() -> None:
    decision = decide(ON_PLAN, DEFAULT)
    now = ON_PLAN.energy_kcal

    def planned(in_days: int | None) -> list[float]:
        on = None if in_days is None else TODAY + timedelta(days=in_days)
        phase = on and Switch("maintain", on, on + timedelta(days=13))
        asked = replace(decision.recommendation, energy_to_kcal=2600.0, phase=phase)
        return planned_intake_kcal(ON_PLAN, replace(decision, recommendation=asked))

    assert planned(None) == planned(1) == [2600.0] * 7
    assert planned(6) == [now] * 5 + [2600.0] * 2
    assert planned(30) == [now] * 7
    unknown = replace(decision, recommendation=replace(decision.recommendation, energy_to_kcal=None, phase=None))
    assert np.isnan(planned_intake_kcal(ON_PLAN, unknown)).all()
