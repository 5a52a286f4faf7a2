"""Body fat from tape, skinfolds and density, each with its standard error, and limits that follow from it.

All functions work elementwise on scalars or arrays that broadcast together. Lengths in cm, skinfold sums in mm, masses
in kg, body fat in per cent of body mass.
"""

import numpy as np

from service.domain.records import Bools, Floats

# Standard error of one reading against a criterion method, percentage points of body mass.
STANDARD_ERROR_PCT = {
    "tape": 5.0,  # root mean square error 5.01 on the 252 men; the authors' own 3.5 (men) and 3.7 (women) are too kind
    "skinfold": 3.8,  # 0.0077–0.0085 g/ml cross-validated, at 436–450 points per g/ml; method not further specified
    "skinfold_3": 3.8,
    "skinfold_7": 3.6,
    "skinfold_4": 4.5,  # Durnin–Womersley 1974: 0.008–0.012 g/ml over sex and age (from memory)
    "scan": 2.5,  # X-ray absorptiometry against four-compartment models (common practice, no source)
    "impedance": 5.0,  # common practice, no source
    "given": 5.0,  # told, method unknown: no better than a tape
}

_DURNIN_WOMERSLEY_AGES = (20.0, 30.0, 40.0, 50.0)  # lower ends of the bands after the first, 17–19 years
_DURNIN_WOMERSLEY_MEN = np.array(
    [[1.1620, 0.0630], [1.1631, 0.0632], [1.1422, 0.0544], [1.1620, 0.0700], [1.1715, 0.0779]]
)
_DURNIN_WOMERSLEY_WOMEN = np.array(
    [[1.1549, 0.0678], [1.1599, 0.0717], [1.1423, 0.0632], [1.1333, 0.0612], [1.1339, 0.0645]]
)


def siri_pct(density_g_ml: Floats | float) -> Floats:
    """Body fat from body density: 495/D − 450. Source: Siri 1961. Adults; a two-compartment model."""
    return np.asarray(495.0 / np.asarray(density_g_ml, dtype=np.float64) - 450.0)


def tape_men_pct(abdomen_cm: Floats | float, neck_cm: Floats | float, height_cm: Floats | float) -> Floats:
    """Body fat of men from circumferences: Siri of D = 1.0324 − 0.19077·lg(abdomen − neck) + 0.15456·lg H.

    Source: Hodgdon and Beckett 1984 (Naval Health Research Center 84-11). Over-reads lean men in the 252-men data and
    under-reads them in others: ±5 points. NaN where the abdomen is not larger than the neck.
    """
    return _tape_pct(1.0324, 0.19077, 0.15456, np.asarray(abdomen_cm) - np.asarray(neck_cm), height_cm)


def tape_women_pct(
    waist_cm: Floats | float, hip_cm: Floats | float, neck_cm: Floats | float, height_cm: Floats | float
) -> Floats:
    """Body fat of women from circumferences: Siri of D = 1.29579 − 0.35004·lg(waist + hip − neck) + 0.22100·lg H.

    Source: Hodgdon and Beckett 1984 (Naval Health Research Center 84-29; digits from memory). ±5 points. NaN where the
    girths are impossible.
    """
    girth_cm = np.asarray(waist_cm) + np.asarray(hip_cm) - np.asarray(neck_cm)
    return _tape_pct(1.29579, 0.35004, 0.22100, girth_cm, height_cm)


def _tape_pct(
    constant: float, per_girth: float, per_height: float, girth_cm: Floats | float, height_cm: Floats | float
) -> Floats:
    girth = np.asarray(girth_cm, dtype=np.float64)
    log_girth = np.log10(girth, out=np.full_like(girth, np.nan), where=girth > 0.0)
    return siri_pct(constant - per_girth * log_girth + per_height * np.log10(height_cm))


def skinfold_3_density_g_ml(sum_mm: Floats | float, age_y: Floats | float, male: Bools | bool) -> Floats:
    """Body density from three skinfolds (men chest, abdomen, thigh; women triceps, suprailiac, thigh).

    Sources: Jackson and Pollock 1978, 10.1079/BJN19780152 (men, 18–61 years, cross-validated error 0.0077 g/ml);
    Jackson, Pollock and Ward 1980 (women, 18–55 years). Coefficients from memory.
    """
    s = np.asarray(sum_mm, dtype=np.float64)
    men = 1.10938 - 0.0008267 * s + 0.0000016 * s**2 - 0.0002574 * age_y
    women = 1.0994921 - 0.0009929 * s + 0.0000023 * s**2 - 0.0001392 * age_y
    return np.where(male, men, women)


def skinfold_7_density_g_ml(sum_mm: Floats | float, age_y: Floats | float, male: Bools | bool) -> Floats:
    """Body density from seven skinfolds (chest, midaxillary, triceps, subscapular, abdomen, suprailiac, thigh).

    Sources and validity: as `skinfold_3_density_g_ml`.
    """
    s = np.asarray(sum_mm, dtype=np.float64)
    men = 1.112 - 0.00043499 * s + 0.00000055 * s**2 - 0.00028826 * age_y
    women = 1.0970 - 0.00046971 * s + 0.00000056 * s**2 - 0.00012828 * age_y
    return np.where(male, men, women)


def durnin_womersley_density_g_ml(sum_mm: Floats | float, age_y: Floats | float, male: Bools | bool) -> Floats:
    """Body density from four skinfolds (biceps, triceps, subscapular, suprailiac): c − m·lg(sum), by sex and age band.

    Source: Durnin and Womersley 1974, 10.1079/BJN19740060 (coefficients from memory). 17–72 years.
    """
    band = np.searchsorted(_DURNIN_WOMERSLEY_AGES, np.asarray(age_y, dtype=np.float64), side="right")
    men, women = _DURNIN_WOMERSLEY_MEN[band], _DURNIN_WOMERSLEY_WOMEN[band]
    constant = np.where(male, men[..., 0], women[..., 0])
    slope = np.where(male, men[..., 1], women[..., 1])
    return np.asarray(constant - slope * np.log10(sum_mm))


def body_fat_from_mass_pct(
    mass_kg: Floats | float, height_cm: Floats | float, age_y: Floats | float, male: Bools | bool
) -> Floats:
    """Body fat expected from body mass index and age when nothing was measured.

    Men 0.14A + 37.31·ln BMI − 103.94, women 0.14A + 39.96·ln BMI − 102.01. Source: Jackson and others 2002,
    10.1038/sj.ijo.0802006 (from memory). General adults; over-reads muscular athletes, see `estimation`.
    """
    log_bmi = np.log(np.asarray(mass_kg) / (np.asarray(height_cm) / 100.0) ** 2)
    slope, constant = np.where(male, 37.31, 39.96), np.where(male, -103.94, -102.01)
    return np.asarray(0.14 * np.asarray(age_y) + slope * log_bmi + constant)


def fuse(values_pct: Floats, standard_errors_pct: Floats) -> tuple[Floats, Floats]:
    """Mean and standard error of several readings of one day, along the last axis, weighted by 1/SE².

    NaN readings are left out; where none is left both results are NaN. Equation: the minimum-variance unbiased mean of
    independent readings.
    """
    known = ~(np.isnan(values_pct) | np.isnan(standard_errors_pct))
    weight = np.where(known, 1.0 / np.where(known, standard_errors_pct, 1.0) ** 2, 0.0)
    total = weight.sum(axis=-1)
    some = total > 0.0
    safe = np.where(some, total, 1.0)
    mean = (weight * np.where(known, values_pct, 0.0)).sum(axis=-1) / safe
    return np.where(some, mean, np.nan), np.where(some, np.sqrt(1.0 / safe), np.nan)


def energy_availability_kcal_per_kg(
    intake_kcal: Floats | float, exercise_kcal: Floats | float, fat_free_mass_kg: Floats | float
) -> Floats:
    """Energy left for the body, kcal per kg fat-free mass and day: (intake − exercise)/FFM.

    Under 30 flags; as a screen its sensitivity is 45 %, its specificity 78 %. Source: Loucks and Thuma 2003,
    10.1210/jc.2002-020369.
    """
    return np.asarray((np.asarray(intake_kcal) - np.asarray(exercise_kcal)) / np.asarray(fat_free_mass_kg))
