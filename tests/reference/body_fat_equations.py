"""Published equations of body fat that the service does not use: what its own are held against.

All functions work elementwise on scalars or arrays that broadcast together.
"""

import numpy as np

from service.domain.records import Bools, Floats


def brozek_pct(density_g_ml: Floats | float) -> Floats:
    """Body fat from body density: 457/D − 414.2. Source: Brozek and others 1963. Adults; a two-compartment model."""
    return np.asarray(457.0 / np.asarray(density_g_ml, dtype=np.float64) - 414.2)


def relative_fat_mass_pct(waist_cm: Floats | float, height_cm: Floats | float, male: Bools | bool) -> Floats:
    """Body fat from waist and height: 64 (men) or 76 (women) − 20·H/waist.

    Source: Woolcott and Bergman 2018, 10.1038/s41598-018-29362-1 (coefficients from memory). General adults; error 7.8
    points on the 252 men.
    """
    return np.asarray(np.where(male, 64.0, 76.0) - 20.0 * np.asarray(height_cm) / np.asarray(waist_cm))


def wrestling_minimum_mass_kg(fat_free_mass_kg: Floats | float, male: Bools | bool) -> Floats:
    """Lowest body mass that school wrestling allows: FFM/0.93 for men (7 % fat), FFM/0.88 for women (12 %).

    Source: National Federation of State High School Associations, wrestling weight-management rule.
    """
    return np.asarray(np.asarray(fat_free_mass_kg) / np.where(male, 0.93, 0.88))
