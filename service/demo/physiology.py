"""How a body answers to food: the dynamic energy-balance model of Hall et al. 2011, batched over athletes.

Hall KD et al., Lancet 2011;378:826, doi 10.1016/S0140-6736(11)60812-X (equations and constants from memory, as listed
in the project's methods notes; glycogen energy from Hall 2008, IJO 32:573). States: fat, lean tissue, glycogen with its
water, extracellular fluid, adaptive thermogenesis. Glycogen, fluid and adaptation are advanced by their closed-form
solutions over a sub-step with constant intake, so that a step of one day is stable; fat and lean tissue by a midpoint
step. Energy is conserved to rounding: intake − expenditure = change of the three stores.

One departure: the Forbes share of lean tissue may be scaled for each athlete, separately for loss and for gain, since
trained people who lift lose less and gain more lean tissue than the untrained people Forbes described (Garthe 2011,
IJSNEM 21:97). Valid for adults, weeks to a few years.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

KCAL_PER_MJ = 1000 / 4.184
FAT_KCAL_PER_KG = 39.5 * KCAL_PER_MJ
LEAN_KCAL_PER_KG = 7.6 * KCAL_PER_MJ
GLYCOGEN_KCAL_PER_KG = 17.6 * KCAL_PER_MJ
FAT_COST_KCAL_PER_KG = 0.75 * KCAL_PER_MJ  # energy spent to store a kilogram of fat
LEAN_COST_KCAL_PER_KG = 0.96 * KCAL_PER_MJ
FAT_RESTING_KCAL_PER_KG = 0.013 * KCAL_PER_MJ  # per day
LEAN_RESTING_KCAL_PER_KG = 0.092 * KCAL_PER_MJ
FORBES_KG = 10.4 * LEAN_KCAL_PER_KG / FAT_KCAL_PER_KG  # energy share of lean tissue is FORBES_KG/(FORBES_KG + fat)
THERMIC_EFFECT = 0.10
ADAPTATION = 0.14
ADAPTATION_DAYS = 14.0
GLYCOGEN_START_KG = 0.5
WATER_PER_GLYCOGEN = 2.7
SODIUM_G_PER_L = 3.22
SODIUM_CLEARANCE_G_PER_L_DAY = 3.0
CARBOHYDRATE_SODIUM_G_PER_DAY = 4.0


@dataclass(frozen=True)
class Constitution:
    """What stays fixed in a person; every array has shape (athletes,)."""

    basal_kcal: Floats  # K: what balances expenditure and intake at the start
    intake_start_kcal: Floats
    carbohydrate_start_kcal: Floats
    activity_start_kcal_per_kg: Floats  # δ: activity by body mass at the start, kcal/kg/day
    fluid_start_l: Floats
    lean_share_loss: Floats  # scales the Forbes lean share in deficit; 1 = Forbes
    lean_share_gain: Floats  # likewise in surplus


@dataclass(frozen=True)
class Body:
    """The state of a body; every array has shape (athletes,)."""

    fat_kg: Floats
    lean_kg: Floats  # without the glycogen, its water and the extracellular fluid
    glycogen_kg: Floats
    fluid_l: Floats  # extracellular fluid
    adaptation_kcal: Floats  # adaptive thermogenesis per day

    @property
    def mass_kg(self) -> Floats:
        """Body mass in kg, without gut content."""
        return self.fat_kg + self.lean_kg + self.fluid_l + (1 + WATER_PER_GLYCOGEN) * self.glycogen_kg

    def stores_kcal(self) -> Floats:
        """Energy held in fat, lean tissue and glycogen, in kcal."""
        return FAT_KCAL_PER_KG * self.fat_kg + LEAN_KCAL_PER_KG * self.lean_kg + GLYCOGEN_KCAL_PER_KG * self.glycogen_kg


def resting_energy(male: NDArray[np.bool_], age_y: Floats, height_cm: Floats, mass_kg: Floats) -> Floats:
    """Resting energy in kcal/day.

    10·mass + 6.25·height − 5·age + 5 (men) or − 161 (women): Mifflin & St Jeor 1990, AJCN 51:241,
    doi 10.1093/ajcn/51.2.241; adults of 19–78 years.
    """
    return 10 * mass_kg + 6.25 * height_cm - 5 * age_y + np.where(male, 5.0, -161.0)


def extracellular_fluid(male: NDArray[np.bool_], age_y: Floats, height_cm: Floats, mass_kg: Floats) -> Floats:
    """Extracellular fluid of a healthy adult in litres (regressions quoted in Hall 2011, from memory)."""
    height_m = height_cm / 100
    return np.where(
        male,
        0.025 * age_y + 9.57 * height_m + 0.191 * mass_kg - 12.4,
        5.98 * height_m + 0.167 * mass_kg - 4.0,
    )


def start(
    male: NDArray[np.bool_],
    age_y: Floats,
    height_cm: Floats,
    mass_kg: Floats,
    fat_kg: Floats,
    resting_kcal: Floats,
    activity_level: Floats,
    carbohydrate_share: Floats,
    lean_share_loss: Floats | float = 1.0,
    lean_share_gain: Floats | float = 1.0,
) -> tuple[Constitution, Body]:
    """A person in energy balance: intake = activity level × resting energy.

    All arrays have shape (athletes,); `activity_level` is total over resting expenditure; the shares of lean tissue
    scale Forbes' and are bounded to 0–8. Activity is proportional to body mass: δ = ((1−β)·PAL − 1)·RMR/mass.
    """
    zeros = np.zeros_like(mass_kg)
    intake = activity_level * resting_kcal
    delta = ((1 - THERMIC_EFFECT) * activity_level - 1) * resting_kcal / mass_kg
    fluid = extracellular_fluid(male, age_y, height_cm, mass_kg)
    glycogen = zeros + GLYCOGEN_START_KG
    lean = mass_kg - fat_kg - fluid - (1 + WATER_PER_GLYCOGEN) * glycogen
    basal = intake - FAT_RESTING_KCAL_PER_KG * fat_kg - LEAN_RESTING_KCAL_PER_KG * lean - delta * mass_kg
    constitution = Constitution(
        basal_kcal=basal,
        intake_start_kcal=intake,
        carbohydrate_start_kcal=carbohydrate_share * intake,
        activity_start_kcal_per_kg=delta,
        fluid_start_l=fluid,
        lean_share_loss=zeros + np.clip(lean_share_loss, 0.0, 8.0),
        lean_share_gain=zeros + np.clip(lean_share_gain, 0.0, 8.0),
    )
    return constitution, Body(fat_kg + zeros, lean, glycogen, fluid, zeros)


def _steady_kcal(c: Constitution, body: Body, activity_kcal_per_kg: Floats) -> Floats:
    """Expenditure without the thermic effect of a change of intake and without the cost of laying down tissue."""
    return (
        c.basal_kcal
        + FAT_RESTING_KCAL_PER_KG * body.fat_kg
        + LEAN_RESTING_KCAL_PER_KG * body.lean_kg
        + activity_kcal_per_kg * body.mass_kg
        + body.adaptation_kcal
    )


def maintenance(c: Constitution, body: Body, activity_kcal_per_kg: Floats) -> Floats:
    """The intake in kcal/day at which the energy of fat and lean tissue would not change.

    Given the activity and the adaptation of the moment, glycogen at rest: the root EI of
    EI = steady + β·(EI − EI₀). Shape (athletes,).
    """
    steady = _steady_kcal(c, body, activity_kcal_per_kg)
    return (steady - THERMIC_EFFECT * c.intake_start_kcal) / (1 - THERMIC_EFFECT)


def _glycogen_after(c: Constitution, glycogen_kg: Floats, carbohydrate_kcal: Floats, days: float) -> Floats:
    """Solution of ρ·dG/dt = CI − k·G², k = CI₀/G₀², after `days` of constant carbohydrate."""
    k = c.carbohydrate_start_kcal / GLYCOGEN_START_KG**2
    level = np.sqrt(np.maximum(carbohydrate_kcal, 1e-6) / k)
    reach = level * np.tanh(k * level / GLYCOGEN_KCAL_PER_KG * days)
    after: Floats = level * (glycogen_kg + reach) / (level + glycogen_kg * reach / level)
    return after


def _fluid_after(
    c: Constitution, fluid_l: Floats, carbohydrate_kcal: Floats, sodium_change_g: Floats, days: float
) -> Floats:
    """Solution of [Na]·dE/dt = ΔNa − ξNa·(E−E₀) − ξCI·(1 − CI/CI₀) after `days`."""
    pull = CARBOHYDRATE_SODIUM_G_PER_DAY * (1 - carbohydrate_kcal / c.carbohydrate_start_kcal)
    level = c.fluid_start_l + (sodium_change_g - pull) / SODIUM_CLEARANCE_G_PER_L_DAY
    after: Floats = level + (fluid_l - level) * np.exp(-SODIUM_CLEARANCE_G_PER_L_DAY / SODIUM_G_PER_L * days)
    return after


def _tissue_flow(
    c: Constitution, body: Body, intake_kcal: Floats, glycogen_flow_kcal: Floats, activity_kcal_per_kg: Floats
) -> tuple[Floats, Floats, Floats]:
    """Energy into fat and into lean tissue, and expenditure, all per day; solves EE for its own tissue cost."""
    thermic = THERMIC_EFFECT * (intake_kcal - c.intake_start_kcal)
    spent = _steady_kcal(c, body, activity_kcal_per_kg) + thermic
    balance = intake_kcal - glycogen_flow_kcal - spent
    forbes = FORBES_KG * np.where(balance < 0, c.lean_share_loss, c.lean_share_gain)
    lean_share = forbes / (forbes + body.fat_kg)
    cost = LEAN_COST_KCAL_PER_KG / LEAN_KCAL_PER_KG * lean_share + FAT_COST_KCAL_PER_KG / FAT_KCAL_PER_KG * (
        1 - lean_share
    )
    stored = balance / (1 + cost)
    return (1 - lean_share) * stored, lean_share * stored, spent + cost * stored


def step(
    c: Constitution,
    body: Body,
    intake_kcal: Floats,
    carbohydrate_kcal: Floats,
    sodium_change_g: Floats,
    activity_kcal_per_kg: Floats,
    substeps: int = 1,
) -> tuple[Body, Floats]:
    """One day: the body after it and the day's expenditure in kcal.

    Intake and carbohydrate in kcal/day, sodium against the start in g/day, activity in kcal per kg body mass and day;
    all of shape (athletes,). `substeps` divides the day.
    """
    h = 1 / substeps
    spent = np.zeros_like(body.fat_kg)
    fade = np.exp(-h / ADAPTATION_DAYS)
    adaptation_level = ADAPTATION * (intake_kcal - c.intake_start_kcal)
    for _ in range(substeps):
        glycogen = _glycogen_after(c, body.glycogen_kg, carbohydrate_kcal, h)
        glycogen_flow = GLYCOGEN_KCAL_PER_KG * (glycogen - body.glycogen_kg) / h
        fluid = _fluid_after(c, body.fluid_l, carbohydrate_kcal, sodium_change_g, h)
        adaptation = adaptation_level + (body.adaptation_kcal - adaptation_level) * fade
        to_fat, to_lean, _ = _tissue_flow(c, body, intake_kcal, glycogen_flow, activity_kcal_per_kg)
        middle = Body(
            body.fat_kg + to_fat / FAT_KCAL_PER_KG * (h / 2),
            body.lean_kg + to_lean / LEAN_KCAL_PER_KG * (h / 2),
            (body.glycogen_kg + glycogen) / 2,
            (body.fluid_l + fluid) / 2,
            (body.adaptation_kcal + adaptation) / 2,
        )
        to_fat, to_lean, expenditure = _tissue_flow(c, middle, intake_kcal, glycogen_flow, activity_kcal_per_kg)
        spent += expenditure * h
        body = replace(
            body,
            fat_kg=body.fat_kg + to_fat / FAT_KCAL_PER_KG * h,
            lean_kg=body.lean_kg + to_lean / LEAN_KCAL_PER_KG * h,
            glycogen_kg=glycogen,
            fluid_l=fluid,
            adaptation_kcal=adaptation,
        )
    return body, spent
