"""Bodies of the second simulated world: fat, lean tissue, glycogen and extracellular fluid, one day at a time.

Hall et al. 2011 (Lancet 378:826, 10.1016/S0140-6736(11)60812-X) with Forbes's partition (Hall 2007, BJN 97:1059), as
written down in `methods.md` section 3 (coefficients from memory there). Energy in MJ, mass in kg, time in days.
Glycogen and fluid are advanced by their exact solutions over the day, tissue by one Euler step. Shares no code with
the service or with the first simulated world.
"""

import numpy as np

MJ_PER_KCAL = 4.184e-3
RHO_FAT, RHO_LEAN, RHO_GLYCOGEN = 39.5, 7.6, 17.6  # MJ/kg
GAMMA_FAT, GAMMA_LEAN = 0.013, 0.092  # MJ/kg/d
ETA_FAT, ETA_LEAN = 0.75, 0.96  # MJ/kg deposited
TEF, ADAPTATION, ADAPTATION_DAYS = 0.10, 0.14, 14.0
GLYCOGEN_KG, GLYCOGEN_WET = 0.5, 3.7  # kg; kg of body mass per kg of glycogen
SODIUM_PER_LITRE, XI_SODIUM, XI_CARBOHYDRATE = 3.22, 3.0, 4.0  # g/l, g/l/d, g/d
FORBES = 10.4 * RHO_LEAN / RHO_FAT  # kg


def mifflin_mj(mass_kg, height_cm, age_y, male):
    """Resting expenditure, MJ/d (Mifflin, St Jeor 1990, 10.1093/ajcn/51.2.241)."""
    return MJ_PER_KCAL * (10 * mass_kg + 6.25 * height_cm - 5 * age_y + np.where(male, 5, -161))


class Bodies:
    """Bodies in balance at their first day's intake; every argument (athletes,).

    `lean_share` scales Forbes's lean share of a change: 1 is untrained, less is a lifter who keeps lean tissue.
    """

    def __init__(self, mass_kg, fat_kg, resting_mj, activity_level, carbohydrate_share, lean_share=1.0):
        self.fat = np.array(fat_kg, dtype=float)
        self.fluid_change = np.zeros_like(self.fat)  # l, from E at the start
        self.glycogen = np.full_like(self.fat, GLYCOGEN_KG)
        self.adapted = np.zeros_like(self.fat)
        self.water_at_rest = 0.25 * mass_kg + GLYCOGEN_WET * GLYCOGEN_KG  # fluid kept apart from lean tissue
        self.lean = mass_kg - self.fat - self.water_at_rest
        self.intake_at_rest = activity_level * resting_mj
        self.carbohydrate_at_rest = carbohydrate_share * self.intake_at_rest
        self.activity_at_rest = ((1 - TEF) * activity_level - 1) * resting_mj / mass_kg  # MJ/kg/d
        self.forbes = FORBES * lean_share
        self.constant = 0.0
        self.constant = self.intake_at_rest - self._spent(np.ones_like(self.fat))

    @property
    def tissue_kg(self):
        """Body mass without the changes of water and glycogen."""
        return self.fat + self.lean + self.water_at_rest

    @property
    def mass_kg(self):
        """Body mass without gut content above the usual."""
        return self.tissue_kg + self.fluid_change + GLYCOGEN_WET * (self.glycogen - GLYCOGEN_KG)

    def _spent(self, activity):
        """Expenditure before the costs of food above the usual and of deposition, MJ/d."""
        moved = self.activity_at_rest * activity * self.mass_kg
        return self.constant + GAMMA_FAT * self.fat + GAMMA_LEAN * self.lean + moved + self.adapted

    def maintenance(self, activity):
        """Intake that would hold tissue today, MJ/d: balance at today's mass, activity and adaptation."""
        return (self._spent(activity) - TEF * self.intake_at_rest) / (1 - TEF)

    def step(self, intake, carbohydrate, sodium_change_g, activity):
        """Live one day on energy (MJ), carbohydrate (MJ) and sodium above the usual (g); returns expenditure, MJ."""
        inflow = np.maximum(carbohydrate, 0.02) / RHO_GLYCOGEN
        outflow = self.carbohydrate_at_rest / (RHO_GLYCOGEN * GLYCOGEN_KG**2)
        level, turn = np.sqrt(inflow / outflow), np.tanh(np.sqrt(inflow * outflow))
        glycogen = level * (self.glycogen + level * turn) / (level + self.glycogen * turn)
        stored = RHO_GLYCOGEN * (glycogen - self.glycogen)

        lean_energy = self.forbes / (self.forbes + self.fat)
        cost = ETA_LEAN * lean_energy / RHO_LEAN + ETA_FAT * (1 - lean_energy) / RHO_FAT
        spent = self._spent(activity) + TEF * (intake - self.intake_at_rest)
        surplus = (intake - spent - stored) / (1 + cost)
        held = (sodium_change_g - XI_CARBOHYDRATE * (1 - carbohydrate / self.carbohydrate_at_rest)) / XI_SODIUM
        stay = np.exp(-XI_SODIUM / SODIUM_PER_LITRE)

        self.fat = self.fat + (1 - lean_energy) * surplus / RHO_FAT
        self.lean = self.lean + lean_energy * surplus / RHO_LEAN
        self.fluid_change = held + (self.fluid_change - held) * stay
        self.glycogen = glycogen
        self.adapted = self.adapted + (ADAPTATION * (intake - self.intake_at_rest) - self.adapted) / ADAPTATION_DAYS
        return intake - surplus - stored
