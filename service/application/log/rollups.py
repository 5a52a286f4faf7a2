"""What a write changes beside its own row: doubts, computed body fat, the two roll-ups, stale reviews.

Everything here runs in the transaction of the write. The result depends only on the entries that are there, never on
the order in which they came: doubts about weigh-ins are settled by one pass in date order. A weigh-in can change the
doubt about an earlier one; the reviews that looked at that day are then stale too.
"""

import uuid
from collections import defaultdict
from collections.abc import Callable, Coroutine, Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import Any

import numpy as np
from sqlalchemy import bindparam, not_, select

from service.application.log import session_lifts
from service.application.log.foods import load_foods, names_own_food, sum_of_foods, with_own
from service.domain.physiology import composition
from service.domain.plausibility import suspect_readings
from service.domain.records import FoodState
from service.store.scope import Scope, Table, locked, table_of
from service.store.tables import (
    Athlete,
    AthleteDay,
    FoodDay,
    Meal,
    Measurement,
    Review,
    SessionLift,
    TrainingSession,
    WeighIn,
    WellbeingNote,
)

Days = set[tuple[uuid.UUID, date]]
Changes = dict[uuid.UUID, dict[str, Any]]  # by entry id: columns that the roll-up changed on the entry itself

HISTORY = timedelta(
    days=2 * suspect_readings.HISTORY_DAYS
)  # of weigh-ins before a change; nearly always all that is needed
_DAY_KEY = ("practice_id", "athlete_id", "date")


async def refresh(scope: Scope, table: Table, days: Days) -> Changes:
    """Bring the roll-ups of these athlete-days up to date after entries of one kind changed.

    Parameters
    ----------
    scope : Scope
        The practice, on the transaction of the write.
    table : table class
        The kind of entry that changed.
    days : set of (athlete id, date)
        Where; old and new dates of an entry that moved.

    Returns
    -------
    dict
        Columns changed on the entries themselves (`suspect`, `body_fat_pct` …), by entry id.
    """
    return await _REFRESH[table](scope, days) if days else {}


async def mark_stale(scope: Scope, days: Days) -> None:
    """Mark the reviews that looked at any of these days, and tell work under way that its inputs have changed."""
    if not days:
        return
    review = table_of(Review)
    await _count_change(scope, {athlete for athlete, _ in days})
    by_day = defaultdict(list)
    for athlete, day in _first_days(days).items():
        by_day[day].append(athlete)
    for day, athletes in by_day.items():
        await scope.run(
            scope.update(Review)
            .where(review.c.athlete_id.in_(athletes), review.c.as_of >= day, review.c.stale.is_(False))
            .values(stale=True)
        )


async def mark_all_stale(scope: Scope, athlete_id: uuid.UUID) -> None:
    """Mark every review of an athlete."""
    await mark_stale(scope, {(athlete_id, date.min)})


async def facts_changed(scope: Scope, athlete_id: uuid.UUID, names: set[str]) -> None:
    """What follows from an athlete's changed fields: computed body fat, doubts about weigh-ins, stale reviews."""
    for table, facts in ((Measurement, {"sex", "birth_date", "height_cm"}), (WeighIn, {"height_cm"})):
        if facts & names:
            row = table_of(table)
            logged = scope.select(row.c.date, of=[table]).where(row.c.athlete_id == athlete_id).distinct()
            await refresh(scope, table, {(athlete_id, day.date) for day in await scope.rows(logged)})
    await mark_all_stale(scope, athlete_id)


async def _count_change(scope: Scope, athletes: set[uuid.UUID]) -> None:
    """Before the marks: a review kept meanwhile has either seen the change, or is there to be marked."""
    athlete = table_of(Athlete)
    if len(athletes) > 1:  # one order for all, against deadlocks
        await scope.rows(
            locked(scope.select(athlete.c.id, of=[Athlete]).where(athlete.c.id.in_(athletes)).order_by(athlete.c.id))
        )
    counted = scope.update(Athlete).where(athlete.c.id.in_(athletes))
    await scope.run(counted.values(inputs_revision=athlete.c.inputs_revision + 1))


async def held(scope: Scope, athletes: Sequence[Any]) -> dict[uuid.UUID, Any]:
    """The present rows of those athletes that are still there, by id, held against writers until the transaction ends.

    Work kept in it rests on all that was stored before, where `changed_since` finds nothing that it has not seen.
    """
    athlete = table_of(Athlete)
    wanted = scope.select(Athlete).where(athlete.c.id.in_([row.id for row in athletes])).order_by(athlete.c.id)
    return {row.id: row for row in await scope.rows(locked(wanted))}


def changed_since(present: Mapping[uuid.UUID, Any], read: Sequence[Any]) -> list[Any]:
    """The present rows of athletes of whom something that reviews look at was stored since their rows were read."""
    return [
        present[row.id] for row in read if row.id in present and present[row.id].inputs_revision != row.inputs_revision
    ]


def _span(table: Any, days: Days, before: timedelta = timedelta(0), open_end: bool = False) -> list[Any]:
    """Conditions for rows of these athletes around these dates."""
    dates = [day for _, day in days]
    conditions = [table.c.athlete_id.in_({athlete for athlete, _ in days}), table.c.date >= min(dates) - before]
    return conditions if open_end else [*conditions, table.c.date <= max(dates)]


async def _put_days(scope: Scope, values: Mapping[tuple[uuid.UUID, date], Mapping[str, Any]]) -> None:
    rows = [{"athlete_id": athlete, "date": day, **value} for (athlete, day), value in values.items()]
    if not rows:
        return
    only = [name for name in rows[0] if name not in _DAY_KEY]
    await scope.upsert(AthleteDay, rows, key=_DAY_KEY, only=only)
    emptied = {key for key, value in values.items() if not any(value.values())}
    if emptied:
        await _drop_days_without_entries(scope, emptied)


async def _drop_days_without_entries(scope: Scope, days: Days) -> None:
    """A day whose last entry is gone is no day of the log."""
    day = table_of(AthleteDay)
    logged = []
    for entry in map(table_of, _REFRESH):
        same = (entry.c[name] == day.c[name] for name in _DAY_KEY)
        logged.append(select(entry.c.date).where(*same).exists())
    at = (day.c.athlete_id.in_({athlete for athlete, _ in days}), day.c.date.in_({on for _, on in days}))
    await scope.run(scope.delete(AthleteDay).where(*at, *(not_(entry) for entry in logged)))


async def _masses(scope: Scope, days: Days) -> Changes:
    """Doubts and the day's mass: the first accepted weigh-in of the day (by instant, else the lightest)."""
    heights = await _facts(scope, days)
    first_touched = _first_days(days)
    changes: Changes = {}
    masses: dict[tuple[uuid.UUID, date], dict[str, Any]] = {key: {"mass_kg": None} for key in days}
    for athlete, (rows, standing) in (await _weigh_ins(scope, days, first_touched)).items():
        doubts = _doubts(rows, standing, heights[athlete].height_cm)
        accepted: dict[date, float] = {}
        for row in rows:
            if doubts[row.id] is None:
                accepted.setdefault(row.date, row.mass_kg)
            if doubts[row.id] != row.suspect:
                changes[row.id] = {"suspect": doubts[row.id]}
        moved = {row.date for row in rows if row.id in changes}
        for day in moved | {day for who, day in days if who == athlete}:
            masses[athlete, day] = {"mass_kg": accepted.get(day)}
    await _change(scope, WeighIn, changes)
    await _put_days(scope, masses)
    if any(day < first_touched[athlete] for athlete, day in masses):
        await mark_stale(scope, set(masses))
    return changes


async def _weigh_ins(scope: Scope, days: Days, first: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, tuple[Any, int]]:
    """What is to be judged of each athlete, in order, and of how many of the oldest the doubts stand."""
    table = table_of(WeighIn)
    names = ("id", "athlete_id", "date", "at", "mass_kg", "suspect", "confirmed")
    statement = scope.select(*(table.c[name] for name in names), of=[WeighIn])
    by_athlete: dict[uuid.UUID, list[Any]] = defaultdict(list)
    for row in await scope.rows(statement.where(*_span(table, days, HISTORY, open_end=True))):
        by_athlete[row.athlete_id].append(row)
    standing = {athlete: _standing(rows, first[athlete]) for athlete, rows in by_athlete.items()}
    unsettled = [athlete for athlete, count in standing.items() if count == 0]
    if unsettled:
        older = (table.c.athlete_id.in_(unsettled), table.c.date < min(first.values()) - HISTORY)
        for row in await scope.rows(statement.where(*older)):
            by_athlete[row.athlete_id].append(row)
    return {athlete: (sorted(rows, key=_in_order), standing[athlete]) for athlete, rows in by_athlete.items()}


def _standing(rows: list[Any], first: date) -> int:
    rows.sort(key=_in_order)
    return suspect_readings.settled(_readings(rows), [row.suspect is not None for row in rows], first.toordinal())


def _readings(rows: Sequence[Any]) -> list[suspect_readings.Reading]:
    return [suspect_readings.Reading(row.date.toordinal(), row.mass_kg, bool(row.confirmed)) for row in rows]


def _in_order(row: Any) -> tuple[Any, ...]:
    return (row.date, False, row.at, row.mass_kg) if row.at else (row.date, True, row.mass_kg)


def _doubts(rows: Sequence[Any], standing: int, height_cm: float) -> dict[uuid.UUID, Any]:
    """The doubt about each weigh-in of one athlete (None: accepted), in date order; the oldest `standing` are known."""
    known = [None if row.suspect is None else suspect_readings.Suspect(**row.suspect) for row in rows[:standing]]
    found = suspect_readings.judge_weigh_ins(_readings(rows), height_cm, known)
    return {
        row.id: None if one is None else {"reason": one.reason, "best_guess_kg": one.best_guess_kg}
        for row, one in zip(rows, found, strict=True)
    }


def _first_days(days: Iterable[tuple[uuid.UUID, date]]) -> dict[uuid.UUID, date]:
    first: dict[uuid.UUID, date] = {}
    for athlete, day in days:
        first[athlete] = min(day, first.get(athlete, day))
    return first


_MEAL_SUMS = ("energy_kcal", "protein_g", "fat_g", "carbohydrate_g", "fibre_g", "alcohol_g")
_MEAL_FOODS = ("foods", "given", "from_foods")


async def _food(scope: Scope, days: Days) -> Changes:
    """The day's sums without suspect meals, and what is known of the day as a whole."""
    meal, declared = table_of(Meal), table_of(FoodDay)
    doubts: Changes = {}
    sums: dict[tuple[uuid.UUID, date], dict[str, Any]] = {key: _no_food() for key in days}
    doubted: set[tuple[uuid.UUID, date]] = set()
    columns = (meal.c[name] for name in ("id", "athlete_id", "date", "suspect", "confirmed", *_MEAL_SUMS, *_MEAL_FOODS))
    found = await scope.rows(scope.select(*columns, of=[Meal]).where(*_span(meal, days)))
    rows = [dict(row._mapping) for row in found]
    changes = await _add_foods(scope, rows)
    rows.sort(key=_by_content)  # a sum's last bit follows the order
    for row in rows:
        key = (row["athlete_id"], row["date"])
        doubt = None if row["confirmed"] else _doubt_of_meal(row)
        if doubt != row["suspect"]:
            doubts[row["id"]] = {"suspect": doubt}
        if key not in sums:
            continue
        if doubt is None:
            _add(sums[key], row)
        else:
            doubted.add(key)
    states: dict[tuple[uuid.UUID, date], str] = {}
    said = scope.select(declared.c.athlete_id, declared.c.date, declared.c.state, of=[FoodDay])
    for day_said in await scope.rows(said.where(*_span(declared, days))):
        states[day_said.athlete_id, day_said.date] = day_said.state
    for key, day in sums.items():
        day["food_state"] = int(_food_state(day["meals"], states.get(key), key in doubted))
        if day["food_state"] == FoodState.FAST:
            day["energy_kcal"] = day["protein_g"] = day["carbohydrate_g"] = 0.0
    await _change(scope, Meal, changes)
    await _change(scope, Meal, doubts)
    await _put_days(scope, sums)
    return {entry: {**changes.get(entry, {}), **doubts.get(entry, {})} for entry in changes.keys() | doubts.keys()}


async def _add_foods(scope: Scope, rows: Sequence[dict[str, Any]]) -> Changes:
    """Totals of the meals that were logged as foods, put on the rows too; what the caller gave as a total stays.

    A meal keeps the sum of the day on which it was logged when the practice changes a food later.
    """
    of_foods = [row for row in rows if row["foods"]]
    new = [row for row in of_foods if not _added(row)]
    own = any(names_own_food(row["foods"]) for row in new)
    foods = await load_foods(scope) if own else with_own(())
    changes: Changes = {}
    for row in of_foods:
        made = row["from_foods"] if _added(row) else sum_of_foods(row["foods"], foods)
        values = {**made["totals"], **(row["given"] or {}), "from_foods": made}
        if any(row[name] != value for name, value in values.items()):
            changes[row["id"]] = values
            row |= values
    return changes


def _added(meal: Mapping[str, Any]) -> bool:
    """Whether the sum on a meal is of the foods that it names now, all of them known."""
    made = meal["from_foods"]
    return bool(made) and not made["unknown"] and made["said"] == meal["foods"]


def _doubt_of_meal(meal: Mapping[str, Any]) -> dict[str, Any] | None:
    unknown = meal["from_foods"]["unknown"] if meal["foods"] else ()
    if unknown:
        return {"reason": "unknown_food", "foods": unknown}
    found = suspect_readings.suspect_energy(meal["energy_kcal"])
    return None if found is None else {"reason": found.reason, "best_guess_kcal": found.best_guess_kcal}


def _by_content(meal: Mapping[str, Any]) -> tuple[float, ...]:
    values = (meal[name] for name in ("energy_kcal", "protein_g", "carbohydrate_g"))
    return tuple(-1.0 if value is None else value for value in values)


def _no_food() -> dict[str, Any]:
    return {"meals": 0, "energy_kcal": None, "protein_g": None, "carbohydrate_g": None}


def _add(day: dict[str, Any], meal: Mapping[str, Any]) -> None:
    day["meals"] += 1
    for name in ("energy_kcal", "protein_g", "carbohydrate_g"):
        value = meal[name]
        if value is None or (day["meals"] > 1 and day[name] is None):
            day[name] = None  # one meal without it makes the day's sum unknown
        else:
            day[name] = (day[name] or 0.0) + value


def _food_state(meals: int, declared: str | None, doubted: bool) -> FoodState:
    if doubted:
        return FoodState.PARTIAL if meals else FoodState.NOT_LOGGED
    if meals == 0:
        return FoodState.FAST if declared == "fast" else FoodState.NOT_LOGGED
    if declared == "partial":
        return FoodState.PARTIAL
    return FoodState.UNKNOWN if declared is None else FoodState.COMPLETE


async def _body_fat(scope: Scope, days: Days) -> Changes:
    """Body fat of each measurement from its sites, fused over the day by the standard errors."""
    table = table_of(Measurement)
    athletes = await _facts(scope, days)
    changes: Changes = {}
    readings: dict[tuple[uuid.UUID, date], list[tuple[float, float]]] = {key: [] for key in days}
    for row in await scope.rows(scope.select(Measurement).where(*_span(table, days))):
        value, error = body_fat_of(row, athletes[row.athlete_id])
        if (value, error) != (row.body_fat_pct, row.body_fat_se_pct):
            changes[row.id] = {"body_fat_pct": value, "body_fat_se_pct": error}
        if value is not None and error is not None and (row.athlete_id, row.date) in readings:
            readings[row.athlete_id, row.date].append((value, error))
    values: dict[tuple[uuid.UUID, date], dict[str, Any]] = {}
    for key, pairs in readings.items():
        values[key] = {"body_fat_pct": None, "body_fat_se_pct": None}
        if pairs:
            fused = composition.fuse(*np.array(sorted(pairs)).T)
            values[key] = {"body_fat_pct": float(fused[0]), "body_fat_se_pct": float(fused[1])}
    await _change(scope, Measurement, changes)
    await _put_days(scope, values)
    return changes


def body_fat_of(row: Any, athlete: Any) -> tuple[float | None, float | None]:
    """Body fat (percent of body mass) that a measurement comes to and its standard error (points), or None twice."""
    value = row.given_body_fat_pct
    if value is None:
        value = _from_sites(row, athlete)
    if value is None or not np.isfinite(value) or not 1.0 <= value <= 75.0:
        return None, None
    return round(float(value), 2), composition.STANDARD_ERROR_PCT[row.method]


def _from_sites(row: Any, athlete: Any) -> float | None:
    male = athlete.sex == "male"
    age_y = (row.date - athlete.birth_date).days / 365.25
    sites = row.sites or {}
    if row.method == "tape":
        girths = defaultdict(lambda: np.nan, sites.get("tape", {}))
        if male:
            return float(composition.tape_men_pct(girths["abdomen_cm"], girths["neck_cm"], athlete.height_cm))
        return float(
            composition.tape_women_pct(girths["waist_cm"], girths["hip_cm"], girths["neck_cm"], athlete.height_cm)
        )
    folds = sites.get("skinfolds", {})
    needed = _FOLDS.get((row.method, male), ())
    if not needed or any(f"{name}_mm" not in folds for name in needed):
        return None
    total_mm = sum(folds[f"{name}_mm"] for name in needed)
    return float(composition.siri_pct(_DENSITY[row.method](total_mm, age_y, male)))


_SEVEN = ("chest", "midaxillary", "triceps", "subscapular", "abdomen", "suprailiac", "thigh")
_FOUR = ("biceps", "triceps", "subscapular", "suprailiac")
_FOLDS: dict[tuple[str, bool], tuple[str, ...]] = {
    ("skinfold_3", True): ("chest", "abdomen", "thigh"),
    ("skinfold_3", False): ("triceps", "suprailiac", "thigh"),
    **{("skinfold_7", male): _SEVEN for male in (True, False)},
    **{("skinfold_4", male): _FOUR for male in (True, False)},
}
_DENSITY: dict[str, Callable[..., Any]] = {
    "skinfold_3": composition.skinfold_3_density_g_ml,
    "skinfold_7": composition.skinfold_7_density_g_ml,
    "skinfold_4": composition.durnin_womersley_density_g_ml,
}


async def _menstruation(scope: Scope, days: Days) -> Changes:
    table = table_of(WellbeingNote)
    started = scope.select(table.c.athlete_id, table.c.date, of=[WellbeingNote]).where(
        *_span(table, days), table.c.menstruation_started.is_(True)
    )
    found = {(row.athlete_id, row.date) for row in await scope.rows(started)}
    await _put_days(scope, {key: {"menstruation_started": key in found} for key in days})
    return {}


async def _sessions(scope: Scope, days: Days) -> Changes:
    """Doubts, sessions counted by day, and each session's lifts summarised; a doubted one measures no strength."""
    table, lift = table_of(TrainingSession), table_of(SessionLift)
    first = _first_days(days)
    found = await scope.rows(
        scope.select(TrainingSession).where(table.c.athlete_id.in_(first), table.c.date >= min(first.values()))
    )
    by_athlete: dict[uuid.UUID, list[Any]] = {athlete: [] for athlete in first}
    for row in found:
        if row.date >= first[row.athlete_id]:
            by_athlete[row.athlete_id].append(row)
    known = await _known_lifts(scope, first)
    changes: Changes = {}
    touched: dict[tuple[uuid.UUID, date], list[Any]] = {key: [] for key in days}
    summaries: list[dict[str, Any]] = []
    for athlete, rows in by_athlete.items():
        judged = session_lifts.judge_sessions(rows, known[athlete])
        changed = [one for one in judged if one.doubt != one.session.suspect]
        changes |= {one.session.id: {"suspect": one.doubt} for one in changed}
        moved = {one.session.date for one in changed}
        touched |= {(athlete, day): [] for day in moved}
        for one in judged:
            if (athlete, one.session.date) in touched:
                touched[athlete, one.session.date].append(one)
                summaries += one.lifts()
    await _change(scope, TrainingSession, changes)
    await _put_days(scope, {key: {"sessions": len(rows)} for key, rows in touched.items()})
    dates = defaultdict(list)
    for athlete, day in touched:
        dates[athlete].append(day)
    for athlete, on in dates.items():
        await scope.run(scope.delete(SessionLift).where(lift.c.athlete_id == athlete, lift.c.date.in_(on)))
    await scope.insert(SessionLift, summaries)
    return changes


async def _known_lifts(scope: Scope, first: Mapping[uuid.UUID, date]) -> dict[uuid.UUID, session_lifts.Lifts]:
    """What accepted sessions before each athlete's first touched day showed."""
    lift = table_of(SessionLift)
    since = min(first.values()) - session_lifts.HISTORY
    known: dict[uuid.UUID, session_lifts.Lifts] = {athlete: defaultdict(list) for athlete in first}
    before = scope.select(SessionLift).where(
        lift.c.athlete_id.in_(first), lift.c.date >= since, lift.c.date < max(first.values())
    )
    for row in await scope.rows(before):
        if row.date < first[row.athlete_id]:
            known[row.athlete_id][row.exercise].append((row.date, row))
    return known


async def _facts(scope: Scope, days: Days) -> dict[uuid.UUID, Any]:
    athlete = table_of(Athlete)
    columns = (athlete.c.id, athlete.c.height_cm, athlete.c.sex, athlete.c.birth_date)
    found = scope.select(*columns, of=[Athlete]).where(athlete.c.id.in_({who for who, _ in days}))
    return {row.id: row for row in await scope.rows(found)}


async def _change(scope: Scope, table: Table, changes: Changes) -> None:
    if changes:
        names = next(iter(changes.values()))
        statement = scope.update(table).where(table_of(table).c.id == bindparam("entry_id"))
        statement = statement.values({name: bindparam(f"new_{name}") for name in names})
        rows = [
            {"entry_id": entry, **{f"new_{name}": value for name, value in change.items()}}
            for entry, change in changes.items()
        ]
        await scope.connection.execute(statement, rows)


_REFRESH: dict[Table, Callable[[Scope, Days], Coroutine[Any, Any, Changes]]] = {
    WeighIn: _masses,
    Meal: _food,
    FoodDay: _food,
    Measurement: _body_fat,
    WellbeingNote: _menstruation,
    TrainingSession: _sessions,
}
