"""Reviews of athletes as a page of text, in order, as a coach would read them back."""

from collections.abc import Iterable, Mapping
from typing import Any

SHOWN = ("average_mass_kg", "tissue_rate_pct_per_week", "rate_pct_per_week", "maintenance_kcal", "body_fat_pct")


def notebook(weeks: Iterable[Any]) -> str:
    """All weeks (`year_over_http.Week`), athlete by athlete."""
    pages: dict[int, list[str]] = {}
    for week in weeks:
        pages.setdefault(week.athlete, [f"# y-{week.athlete + 1:03d}\n"]).append(_page(week))
    return "\n".join("\n".join(page) for _, page in sorted(pages.items()))


def _band(band: Mapping[str, float] | None) -> str:
    return "unknown" if band is None else f"{band['mean']:g} [{band['lo']:g}, {band['hi']:g}]"


def _page(week: Any) -> str:
    review, recommended = week.review, week.review["recommendation"]
    phase = review["phase"] or {"kind": "no phase", "day": 0, "planned_end_on": None}
    energy, refused = recommended["energy_kcal"], [fault["code"] for fault in week.refused]
    lines = [
        f"## {review['week']} as of {review['as_of']}: {phase['kind']} day {phase['day']} to {phase['planned_end_on']}",
        "; ".join(f"{name} {_band(review['estimates'][name])}" for name in SHOWN),
        f"→ {recommended['action']} {energy['from']} → {energy['to']} phase {recommended['phase']}"
        f" | {week.decision}, acknowledged {week.acknowledged}, refused {refused}",
        *_targets(recommended["targets"]),
        *_findings(review),
        f"predicts {_band(review['prediction']['average_mass_kg'])} kg on {review['prediction']['for']}",
    ]
    scored = (review["score"] or {"quantities": {}})["quantities"].get("average_mass_kg")
    lines += [f"score: found {scored['found']}, z {scored['z']}, inside {scored['inside']}"] if scored else []
    lines += [f"changed since: {review['changed_since']}"] if review["changed_since"] else []
    if week.attention:
        told = week.attention
        lines.append(f"attention {told['severity']}, {told['days_overdue']} days overdue: {told['next']}")
    return "\n   ".join([*lines, *(_lift(lift) for lift in recommended["prescriptions"])]) + "\n"


def _targets(targets: Mapping[str, Any] | None) -> list[str]:
    if targets is None:
        return []
    meals = [meal["energy_kcal"] for meal in targets["meals"] or ()]
    grams = " ".join(f"{name} {targets[name]}" for name in ("protein_g", "fat_g", "carbohydrate_g", "fibre_g"))
    return [f"targets {targets['energy_kcal']} kcal: {grams}, meals {meals}, window {targets['eating_window']}"]


def _findings(review: Mapping[str, Any]) -> list[str]:
    because = review["recommendation"]["because"]
    return [
        *(
            f"{'*' if found['code'] in because else '-'} {found['severity']} {found['code']}: {found['statement']}"
            for found in review["findings"]
        ),
        *(f"would change: {text}" for text in review["recommendation"]["would_change_if"]),
        *(f"overridden: {weaker['code']}: {weaker['why']}" for weaker in review["overridden"]),
    ]


def _lift(lift: Mapping[str, Any]) -> str:
    load = lift.get("load_kg", lift.get("added_kg", -lift["assistance_kg"] if "assistance_kg" in lift else None))
    reps = f"{lift['sets']}×{lift['reps']['from']}–{lift['reps']['to']}"
    return f"lift {lift['exercise']} {reps} @ {load} kg, {lift['rir']} in reserve ({lift['rule']}: {lift['why']})"
