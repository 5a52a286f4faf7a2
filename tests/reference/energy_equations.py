"""Published equations of energy, body mass and tissue that the service does not use: what its own are held against.

All functions take scalars or arrays that broadcast together and work elementwise. Kilocalories, kilograms,
centimetres, years. 1 kcal = 4.184 kJ.
"""

import numpy as np

from service.domain.records import Bools, Floats

KCAL_PER_MJ = 1000.0 / 4.184
FORBES_KG = 10.4  # dFFM/dF = 10.4 kg / F; Forbes 2000, Hall 2007, 10.1017/S0007114507691946
IOM_PA = ((1.0, 1.11, 1.25, 1.48), (1.0, 1.12, 1.27, 1.45))  # men, women; sedentary, low active, active, very active


def mifflin_st_jeor_full(
    mass_kg: Floats | float, height_cm: Floats | float, age_y: Floats | float, male: Bools | bool
) -> Floats:
    """Resting energy, kcal/d, by the unrounded equation: 9.99W + 6.25H − 4.92A + 166·male − 161.

    Source: Mifflin and others 1990, 10.1093/ajcn/51.2.241; healthy adults of 19–78 years.
    """
    return np.asarray(9.99 * mass_kg + 6.25 * height_cm - 4.92 * age_y + np.where(male, 5.0, -161.0))


def cunningham_1980(lean_mass_kg: Floats | float) -> Floats:
    """Resting energy, kcal/d, from lean body mass: 500 + 22·LBM.

    Source: Cunningham 1980, Am J Clin Nutr 33:2372 (coefficients from memory). General adults; fits athletes well.
    """
    return np.asarray(500.0 + 22.0 * lean_mass_kg)


def cunningham_1991(fat_free_mass_kg: Floats | float) -> Floats:
    """Resting energy, kcal/d, from fat-free mass: 370 + 21.6·FFM.

    Source: Cunningham 1991, Am J Clin Nutr 54:963 (coefficients from memory). General adults; R² 0.65–0.90.
    """
    return np.asarray(370.0 + 21.6 * fat_free_mass_kg)


def ten_haaf(mass_kg: Floats | float, height_cm: Floats | float, age_y: Floats | float, male: Bools | bool) -> Floats:
    """Resting energy of athletes, kcal/d: 11.936W + 587.728H(m) − 8.129A + 191.027·male + 29.279.

    Source: Ten Haaf and Weijs 2014, 10.1371/journal.pone.0108460 (coefficients from memory). Recreational athletes of
    18–35 years.
    """
    sex = np.where(male, 191.027, 0.0)
    return np.asarray(11.936 * mass_kg + 5.87728 * height_cm - 8.129 * age_y + sex + 29.279)


def ten_haaf_from_fat_free_mass(fat_free_mass_kg: Floats | float) -> Floats:
    """Resting energy of athletes, kcal/d: 22.771·FFM + 484.264.

    Source and validity: as `ten_haaf`.
    """
    return np.asarray(22.771 * fat_free_mass_kg + 484.264)


def harris_benedict_1984(
    mass_kg: Floats | float, height_cm: Floats | float, age_y: Floats | float, male: Bools | bool
) -> Floats:
    """Resting energy, kcal/d, by the revised Harris–Benedict equations.

    Source: Roza and Shizgal 1984, Am J Clin Nutr 40:168. Adults; 95 % of people within ±213 (men), ±201 (women) kcal/d.
    """
    men = 88.362 + 13.397 * mass_kg + 4.799 * height_cm - 5.677 * age_y
    women = 447.593 + 9.247 * mass_kg + 3.098 * height_cm - 4.330 * age_y
    return np.where(male, men, women)


def schofield_18_to_30(mass_kg: Floats | float, male: Bools | bool) -> Floats:
    """Basal energy of adults of 18–30 years, kcal/d: 15.057W + 692.2 (men), 14.818W + 486.6 (women).

    Source: FAO/WHO/UNU 2001, Human energy requirements, chapter 5. Made for populations, not for individuals.
    """
    return np.where(male, 15.057 * mass_kg + 692.2, 14.818 * mass_kg + 486.6)


def iom_2005_expenditure(
    mass_kg: Floats | float,
    height_cm: Floats | float,
    age_y: Floats | float,
    male: Bools | bool,
    activity_level: int,
) -> Floats:
    """Total expenditure of adults, kcal/d, for `activity_level` 0 sedentary, 1 low active, 2 active, 3 very active.

    Men 662 − 9.53A + PA(15.91W + 539.6H), women 354 − 6.91A + PA(9.36W + 726H), H in metres. Source: Institute of
    Medicine 2005, Dietary Reference Intakes, from doubly labelled water; 19 years and over. Raises IndexError for an
    unknown level.
    """
    height_m = np.asarray(height_cm) / 100.0
    men = 662.0 - 9.53 * np.asarray(age_y) + IOM_PA[0][activity_level] * (15.91 * mass_kg + 539.6 * height_m)
    women = 354.0 - 6.91 * np.asarray(age_y) + IOM_PA[1][activity_level] * (9.36 * mass_kg + 726.0 * height_m)
    return np.where(male, men, women)


def calerie_expenditure(mass_kg: Floats | float, age_y: Floats | float, male: Bools | bool) -> Floats:
    """Total expenditure of non-obese, weight-stable adults, kcal/d: 1279 + 18.3W + 2.3A − 338·female.

    Source: Redman and others 2014, Am J Clin Nutr 99:71 (CALERIE, n 217); R² 0.57.
    """
    return np.asarray(1279.0 + 18.3 * mass_kg + 2.3 * age_y - np.where(male, 0.0, 338.0))


def forbes_fat_free_mass_change_kg(fat_mass_from_kg: Floats | float, fat_mass_to_kg: Floats | float) -> Floats:
    """Change of fat-free mass, kg, that goes with a change of fat mass: 10.4·ln(F₂/F₁).

    Source: Forbes 2000, Hall 2007, 10.1017/S0007114507691946. Mostly untrained people.
    """
    ratio = np.asarray(fat_mass_to_kg, dtype=np.float64) / np.asarray(fat_mass_from_kg, dtype=np.float64)
    return np.asarray(FORBES_KG * np.log(ratio))


def linear_mass_model(
    fat_mass_kg: Floats | float,
    mass_kg: Floats | float,
    resting_kcal: Floats | float,
    activity_factor: Floats | float,
) -> tuple[Floats, Floats]:
    """Response of body mass to a lasting change of intake: final change in kg per kcal/d, and time constant in days.

    With α = 10.4/F: time constant = [(ηF + ρF + α(ηL + ρL))/(1 + α)] / s and final change = (1 − β)/s, where
    s = (γF + αγL)/(1 + α) + δ and δ = (0.9·activity − 1)·resting/mass. Source: Hall and others 2011,
    10.1016/S0140-6736(11)60812-X, linear form; constants from memory. Adults with a steady activity.
    """
    alpha = FORBES_KG / np.asarray(fat_mass_kg, dtype=np.float64)
    activity = (0.9 * np.asarray(activity_factor) - 1.0) * np.asarray(resting_kcal) / KCAL_PER_MJ / np.asarray(mass_kg)
    slope = (0.013 + alpha * 0.092) / (1.0 + alpha) + activity  # MJ/d per kg
    density = (0.75 + 39.5 + alpha * (0.96 + 7.6)) / (1.0 + alpha)  # MJ/kg
    return (1.0 - 0.24) / slope / KCAL_PER_MJ, density / slope
