"""Energy in and out: resting expenditure, food energy factors, energy stored in tissue.

All functions take scalars or arrays that broadcast together and work elementwise. Kilocalories, kilograms,
centimetres, years. 1 kcal = 4.184 kJ.
"""

import numpy as np

from service.domain.normal import Z90
from service.domain.records import Bools, Floats

KCAL_PER_MJ = 1000.0 / 4.184

# Metabolic equivalents of resistance training, 5th and 95th percentile as we take them: code 02054 (8–15 repetitions at
# varied resistance) 3.5 and 02050 (power lifting or body building, vigorous) 6.0. Ainsworth 2011, Compendium of
# Physical Activities, 10.1249/MSS.0b013e31821ece12; codes and values from memory. One is 1 kcal per kg and hour.
RESISTANCE_MET = (3.5, 6.0)

PROTEIN_KCAL_PER_G = 4.0  # general Atwater factors: FAO Food and Nutrition Paper 77, 2003 (from memory)
CARBOHYDRATE_KCAL_PER_G = 4.0  # likewise, of available carbohydrate, without the fibre
FAT_KCAL_PER_G = 9.0  # likewise

FAT_KCAL_PER_KG = 39.5 * KCAL_PER_MJ  # Hall 2008, 10.1038/sj.ijo.0803720
LEAN_KCAL_PER_KG = 7.6 * KCAL_PER_MJ  # Hall 2008, from memory
FORBES_KG = 10.4  # kg, dFFM/dF = 10.4 kg / F; Forbes 2000, Hall 2007, 10.1017/S0007114507691946


def mifflin_st_jeor(
    mass_kg: Floats | float, height_cm: Floats | float, age_y: Floats | float, male: Bools | bool
) -> Floats:
    """Resting energy, kcal/d, by the rounded equation: 10W + 6.25H − 5A + 5 (men) or − 161 (women).

    Source: Mifflin and others 1990, 10.1093/ajcn/51.2.241. Healthy adults of 19–78 years; R² 0.71, about 10 % between
    people.
    """
    return np.asarray(10.0 * mass_kg + 6.25 * height_cm - 5.0 * age_y + np.where(male, 5.0, -161.0))


def lean_share_of_mass_change(fat_mass_kg: Floats | float) -> Floats:
    """Share of a small change of tissue mass that is fat-free: 10.4 / (10.4 + F), F in kg.

    Source: Forbes 2000 in the differential form of Hall 2007, 10.1017/S0007114507691946. Mostly untrained people:
    trained athletes who lift keep more lean mass than this.
    """
    return np.asarray(FORBES_KG / (FORBES_KG + np.asarray(fat_mass_kg, dtype=np.float64)))


def tissue_between_kg(fat_from_kg: Floats | float, fat_to_kg: Floats | float, lean_factor: float = 1.0) -> Floats:
    """Tissue mass lost while fat mass falls from one value (> 0) to another (> 0), kg; negative where it rises.

    The lean share k·10.4/(10.4 + F) of each small change added up: (F₀ − F) + 10.4·k·ln((10.4(1 − k) + F₀)/(10.4(1 − k)
    + F)). With k = 1 its second part is Forbes' 10.4·ln(F₀/F) of fat-free mass. Parameters: `lean_factor`, k, the lean
    share against Forbes' (0–1). Source: as `lean_share_of_mass_change`.
    """
    fat_from, fat_to = np.asarray(fat_from_kg, dtype=np.float64), np.asarray(fat_to_kg, dtype=np.float64)
    kept = FORBES_KG * (1.0 - lean_factor)
    lean = FORBES_KG * lean_factor * np.log((kept + fat_from) / (kept + fat_to))
    return np.asarray(fat_from - fat_to + lean)


def energy_density_kcal_per_kg(lean_share: Floats | float) -> Floats:
    """Energy of tissue lost or gained, kcal/kg, of which `lean_share` is fat-free: 9441 (all fat) to 1816 (all lean).

    Source: Hall 2008, 10.1038/sj.ijo.0803720: fat 39.5 MJ/kg, lean tissue 7.6 MJ/kg.
    """
    return np.asarray(FAT_KCAL_PER_KG - (FAT_KCAL_PER_KG - LEAN_KCAL_PER_KG) * np.asarray(lean_share, dtype=np.float64))


def resistance_training_kcal(mass_kg: float, hours: float) -> tuple[float, float]:
    """Energy of resistance training beside rest, kcal, and its standard deviation: (MET − 1) × mass × hours.

    Source: Ainsworth 2011, see `RESISTANCE_MET`: the middle of its range, which is taken to hold 90 % of sessions.
    Beside rest, as energy availability counts it: what would have been spent at rest is not the session's.
    """
    low, high = RESISTANCE_MET
    spread = (high - low) / 2.0 / Z90
    return ((low + high) / 2.0 - 1.0) * mass_kg * hours, spread * mass_kg * hours
