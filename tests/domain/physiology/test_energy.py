"""Energy equations against published numbers. Test persons: man 28 y, 178 cm, 80 kg, 18 % fat; woman 30 y, 166 cm,
62 kg, 25 %."""

import numpy as np
import pytest

from service.domain.physiology import energy
from tests.reference import energy_equations

MAN, WOMAN = (80.0, 178.0, 28.0, True), (62.0, 166.0, 30.0, False)
MAN_FFM, WOMAN_FFM = 65.6, 46.5


@pytest.mark.parametrize(
    ("equation", "man_kcal", "woman_kcal"),
    [
        (energy.mifflin_st_jeor, 1777.5, 1346.5),  # 10.1093/ajcn/51.2.241
        (energy_equations.mifflin_st_jeor_full, 1778.94, 1348.28),
        (energy_equations.ten_haaf, 1993.7, 1501.1),  # 10.1371/journal.pone.0108460, coefficients from memory
        (energy_equations.harris_benedict_1984, 1855.4, 1405.3),  # Roza and Shizgal 1984
    ],
)
def test_resting_energy_from_mass_height_age(equation, man_kcal, woman_kcal):
    assert float(equation(*MAN)) == pytest.approx(man_kcal, abs=0.06)
    assert float(equation(*WOMAN)) == pytest.approx(woman_kcal, abs=0.06)


@pytest.mark.parametrize(
    ("equation", "man_kcal", "woman_kcal"),
    [
        (energy_equations.cunningham_1980, 1943.2, 1523.0),
        (energy_equations.cunningham_1991, 1787.0, 1374.4),
        (energy_equations.ten_haaf_from_fat_free_mass, 1978.0, 1543.1),
    ],
)
def test_resting_energy_from_fat_free_mass(equation, man_kcal, woman_kcal):
    assert float(equation(MAN_FFM)) == pytest.approx(man_kcal, abs=0.06)
    assert float(equation(WOMAN_FFM)) == pytest.approx(woman_kcal, abs=0.06)


@pytest.mark.parametrize("person", [(MAN, MAN_FFM), (WOMAN, WOMAN_FFM)])
def test_our_equation_lies_among_the_published_ones(person):
    # R² 0.71 and about 10 % between people (Mifflin 1990): no published equation of resting energy may lie further off
    # than 15 %, none of total expenditure than 10 %, at 1.5 and 1.75 times resting for its low active and active.
    anthropometry, fat_free_mass_kg = person
    resting_kcal = float(energy.mifflin_st_jeor(*anthropometry))
    others = [
        *(
            float(equation(*anthropometry))
            for equation in (
                energy_equations.mifflin_st_jeor_full,
                energy_equations.ten_haaf,
                energy_equations.harris_benedict_1984,
            )
        ),
        *(
            float(equation(fat_free_mass_kg))
            for equation in (
                energy_equations.cunningham_1980,
                energy_equations.cunningham_1991,
                energy_equations.ten_haaf_from_fat_free_mass,
            )
        ),
    ]
    assert others == pytest.approx([resting_kcal] * len(others), rel=0.15)
    for activity_factor, level in ((1.5, 1), (1.75, 2)):
        published_kcal = float(energy_equations.iom_2005_expenditure(*anthropometry, level))
        assert activity_factor * resting_kcal == pytest.approx(published_kcal, rel=0.10)


def test_fao_worked_example_of_a_woman_of_55_kg():
    # FAO/WHO/UNU 2001, Human energy requirements, chapter 5: basal 1302, times 1.85 gives 2410 kcal/d.
    basal = float(energy_equations.schofield_18_to_30(55.0, False))
    assert basal == pytest.approx(1302, abs=3)
    assert basal * 1.85 == pytest.approx(2410, abs=3)


# Estimated energy requirements at 30 years, Institute of Medicine 2005 (Dietary Reference Intakes for Energy, ...), as
# reprinted in Powers, Howley, Quindry 2021, Exercise Physiology, 11th ed., appendix: (height m, mass kg, men, women) at
# the lower and upper end of healthy masses; sedentary, low active, active, very active.
IOM_CELLS = [
    (1.50, 18.5, (1848, 2009, 2215, 2554), (1625, 1803, 2025, 2291)),
    (1.50, 24.99, (2080, 2267, 2506, 2898), (1762, 1956, 2198, 2489)),
    (1.65, 18.5, (2068, 2254, 2490, 2880), (1816, 2016, 2267, 2567)),
    (1.65, 24.99, (2349, 2566, 2842, 3296), (1982, 2202, 2477, 2807)),
    (1.80, 18.5, (2301, 2513, 2782, 3225), (2015, 2239, 2519, 2855)),
    (1.80, 24.99, (2635, 2884, 3200, 3720), (2211, 2459, 2769, 3141)),
]


@pytest.mark.parametrize(("height_m", "mass_index", "men", "women"), IOM_CELLS)
def test_iom_2005_published_cells(height_m, mass_index, men, women):
    mass_kg = mass_index * height_m**2
    for male, printed in ((True, men), (False, women)):
        cells = [
            float(energy_equations.iom_2005_expenditure(mass_kg, 100 * height_m, 30.0, male, level))
            for level in range(4)
        ]
        np.testing.assert_allclose(cells, printed, atol=2.0)


def test_calerie_expenditure_and_its_distance_from_the_prior():
    # Redman and others 2014; the prior of the estimator for the same man must lie within 15 % of it.
    man_kcal = float(energy_equations.calerie_expenditure(80.0, 28.0, True))
    assert man_kcal == pytest.approx(2807, abs=1)
    assert float(energy_equations.calerie_expenditure(62.0, 30.0, False)) == pytest.approx(2145, abs=1)
    assert float(energy.mifflin_st_jeor(*MAN)) * 1.6 == pytest.approx(man_kcal, rel=0.15)


def test_atwater_factors():
    # FAO Food and Nutrition Paper 77 (from memory): protein 4, carbohydrate 4, fat 9 kcal/g.
    assert (energy.PROTEIN_KCAL_PER_G, energy.CARBOHYDRATE_KCAL_PER_G, energy.FAT_KCAL_PER_G) == (4, 4, 9)


def forbes_density_kcal_per_kg(fat_kg):
    return float(energy.energy_density_kcal_per_kg(energy.lean_share_of_mass_change(fat_kg)))


@pytest.mark.parametrize(
    ("fat_kg", "mj_per_kg", "kcal_per_kg"),
    [(10, 23.24, 5554), (15, 26.44, 6319), (20, 28.59, 6832), (30, 31.29, 7478), (40, 32.92, 7867)],
)
def test_tissue_energy_density(fat_kg, mj_per_kg, kcal_per_kg):
    # Hall 2008, 10.1038/sj.ijo.0803720, from its formula.
    density = forbes_density_kcal_per_kg(fat_kg)
    assert density == pytest.approx(kcal_per_kg, abs=1)
    assert density / energy.KCAL_PER_MJ == pytest.approx(mj_per_kg, abs=0.01)


def test_wishnofsky_is_reached_at_35_kg_of_fat():
    # Hall 2008: 3500 kcal/lb = 32.2 MJ/kg holds only for people with more than 30 kg of fat.
    assert forbes_density_kcal_per_kg(35.05) / energy.KCAL_PER_MJ == pytest.approx(32.2, abs=0.01)


def test_forbes_over_a_finite_change():
    # Forbes 2000: 10.4·ln(F₂/F₁); the lean share of small changes, added up on the way, comes to the same.
    finite_kg = float(energy_equations.forbes_fat_free_mass_change_kg(20.0, 15.0))
    assert finite_kg == pytest.approx(-2.992, abs=0.001)
    lean_share = energy.lean_share_of_mass_change(np.linspace(20.0, 15.0, 5001))
    assert np.trapezoid(lean_share / (1.0 - lean_share), dx=-0.001) == pytest.approx(finite_kg, abs=1e-6)


def test_linear_model_against_the_lancet_rule():
    # Hall 2011: 100 kJ/d per kg, half of it in about a year, 95 % in three years. Adult of 85 kg, 177 cm, 40 years.
    resting = energy.mifflin_st_jeor(85.0, 177.0, 40.0, True)
    final_kg_per_kcal, time_constant_d = energy_equations.linear_mass_model(25.0, 85.0, resting, 1.6)
    assert float(final_kg_per_kcal) * -100.0 / 4.184 == pytest.approx(-1.0, abs=0.1)
    assert float(time_constant_d) * np.log(2.0) == pytest.approx(288, abs=2)
    assert 1.0 - np.exp(-3 * 365.25 / float(time_constant_d)) == pytest.approx(0.95, abs=0.03)
    _, slower_d = energy_equations.linear_mass_model(40.0, 85.0, resting, 1.6)
    assert float(slower_d) * np.log(2.0) == pytest.approx(365, rel=0.1)  # "about one year" in the paper


def test_equations_work_on_batches():
    both = energy.mifflin_st_jeor(
        np.array([80.0, 62.0]), np.array([178.0, 166.0]), np.array([28.0, 30.0]), np.array([True, False])
    )
    assert both.tolist() == [1777.5, 1346.5]


def test_the_energy_of_resistance_training_is_that_of_the_compendium_beside_rest():
    """Ainsworth 2011, codes 02054 (3.5) and 02050 (6.0), from memory: an hour at 70 kg is 175 to 350 kcal."""
    mean, sd = energy.resistance_training_kcal(70.0, 1.0)
    assert mean == pytest.approx(70.0 * (4.75 - 1.0))
    assert (mean - 1.6449 * sd, mean + 1.6449 * sd) == pytest.approx((70.0 * 2.5, 70.0 * 5.0), rel=1e-3)
    assert energy.resistance_training_kcal(70.0, 0.0) == (0.0, 0.0)


def test_tissue_between_two_fat_masses_is_forbes_lean_share_added_up():
    """From 20 to 15 kg of fat Forbes' 10.4·ln(F) takes 2.992 kg of fat-free mass with it (Hall 2007, BJN 97:1059)."""
    assert float(energy.tissue_between_kg(20.0, 15.0)) == pytest.approx(5.0 + 2.992, abs=5e-4)
    assert float(energy.tissue_between_kg(15.0, 20.0)) == pytest.approx(-7.992, abs=5e-4)


@pytest.mark.parametrize("factor", [0.0, 0.5, 0.75, 1.0])
def test_tissue_between_is_the_integral_of_the_lean_share(factor):
    """Beside a quadrature of dM/dF = 1/(1 − k·share) in small steps."""
    fat = np.linspace(8.0, 24.0, 20001)
    middle = (fat[1:] + fat[:-1]) / 2.0
    mass = np.diff(fat) / (1.0 - factor * energy.lean_share_of_mass_change(middle))
    assert float(energy.tissue_between_kg(24.0, 8.0, factor)) == pytest.approx(float(mass.sum()), abs=1e-6)
