"""Lines of an import that are understood at a glance: nearly all of a large file, at a tenth of the price of the model.

Only what is certain: a line that says anything unusual is left to the one model (`import_lines`), which alone refuses.
A test holds both to the same words.
"""

import datetime as dt
import hashlib
import json
import re
from collections.abc import Callable, Mapping
from operator import attrgetter
from typing import Annotated, Any, Literal

import msgspec
import orjson
from msgspec import UNSET, Meta, Struct, UnsetType

from service.api.entries import Said
from service.api.http.fields import KCAL_PER_KJ, KG_PER_LB
from service.catalogue.exercises import exercises

Known = tuple[str, str, Said]  # type, whose it is, what it says

_Text = Annotated[str, Meta(min_length=1, max_length=64)]
_Name = Annotated[str, Meta(min_length=1, max_length=200)]
_Note = Annotated[str, Meta(max_length=2000)]
_Kilograms = Annotated[float, Meta(ge=0, le=1000)]
_Pounds = Annotated[float, Meta(ge=0, le=2205)]
_FIRST, _LAST = dt.date(1900, 1, 1), dt.date(2200, 1, 1)
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,6})?(Z|[+-]\d\d:\d\d)", re.ASCII)


class _Line(Struct, tag_field="type", forbid_unknown_fields=True, gc=False):
    athlete: _Text
    date: dt.date | None = None
    at: str | None = None
    ref: _Text | None = None
    note: _Note | None = None


class _WeighIn(_Line, tag="weigh_in"):
    # A whole number stays one: the reference of a line without one is made of what it says, letter by letter.
    mass_kg: Annotated[int, Meta(ge=1, le=1000)] | Annotated[float, Meta(ge=1, le=1000)] | None = None
    mass_lb: Annotated[int, Meta(ge=2, le=2205)] | Annotated[float, Meta(ge=2, le=2205)] | None = None


_Grams = Annotated[int, Meta(ge=0, le=5000)] | Annotated[float, Meta(ge=0, le=5000)] | None


class _Meal(_Line, tag="meal"):
    slot: Annotated[int, Meta(ge=1, le=12)] | None = None
    energy_kcal: Annotated[int, Meta(ge=0, le=30000)] | Annotated[float, Meta(ge=0, le=30000)] | None = None
    energy_kj: Annotated[int, Meta(ge=0, le=125520)] | Annotated[float, Meta(ge=0, le=125520)] | None = None
    protein_g: _Grams = None
    fat_g: _Grams = None
    carbohydrate_g: _Grams = None
    fibre_g: _Grams = None
    alcohol_g: _Grams = None


class _Set(Struct, forbid_unknown_fields=True, omit_defaults=True, gc=False):
    exercise: str
    reps: Annotated[int, Meta(ge=0, le=200)] | None = None
    seconds: Annotated[int, Meta(ge=0, le=3600)] | None = None
    distance_m: Annotated[float, Meta(ge=0, le=5000)] | None = None
    load_kg: _Kilograms | None = None
    load_lb: _Pounds | None = None
    added_kg: _Kilograms | None = None
    added_lb: _Pounds | None = None
    assistance_kg: _Kilograms | None = None
    assistance_lb: _Pounds | None = None
    rir: Annotated[float, Meta(ge=0, le=10)] | None = None
    kind: Literal["warm_up", "work"] | None = None
    aids: Annotated[list[Literal["straps", "belt"]], Meta(max_length=4)] | None = None
    pain: Annotated[int, Meta(ge=0, le=10)] | None = None
    note: _Note | None = None


class _Session(_Line, tag="training_session", kw_only=True):
    sets: Annotated[list[_Set], Meta(min_length=1, max_length=200)]
    plan_day: _Name | None = None
    deload: bool | UnsetType = UNSET


_TYPES: dict[str | None, type[_Line]] = {"weigh_in": _WeighIn, "meal": _Meal, "training_session": _Session}
_SAYS_ITS_TYPE = msgspec.json.Decoder(_WeighIn | _Meal | _Session)
_OF_TYPE = {kind: msgspec.json.Decoder(line) for kind, line in _TYPES.items()}


def known_line(raw: bytes, kind: str | None) -> Known | None:
    """A line's type, whose it is and what it says; None: that is for the model to say.

    Parameters: `raw`, a JSON object; `kind`, the type of lines that do not say theirs.
    """
    try:
        line = _SAYS_ITS_TYPE.decode(raw)
    except (msgspec.MsgspecError, UnicodeDecodeError):
        decoder = _OF_TYPE.get(kind)
        if decoder is None:
            return None
        try:
            line = decoder.decode(raw)
        except (msgspec.MsgspecError, UnicodeDecodeError):
            return None
    return _said(line, raw)


def _said(line: _Line, raw: bytes) -> Known | None:
    if line.date is None:
        if line.at is None:
            return None
    elif not _FIRST <= line.date <= _LAST:
        return None
    at = None
    if line.at is not None:
        at = _instant(line.at)
        if at is None:
            return None
    ref, note = line.ref, line.note
    if not _plain(line.athlete) or (ref is not None and not _plain(ref)) or (note is not None and not _plain(note)):
        return None
    if isinstance(line, _WeighIn):
        content = _weigh_in(line)
    elif isinstance(line, _Meal):
        content = _meal(line)
    else:
        assert isinstance(line, _Session)
        content = _session(line)
    if content is None:
        return None
    if ref is None:
        ref = _reference_of(line, raw)
    kind: Any = line.__struct_config__.tag
    return kind, line.athlete, Said(line.date, at, ref, note, content)


def _plain(text: str) -> bool:
    """Whether a text is stored as it is: nothing to strip, nothing that cannot be stored."""
    return text.isprintable() and text[:1] != " " and text[-1:] != " "


def _instant(text: str) -> dt.datetime | None:
    if not _INSTANT.fullmatch(text):
        return None
    try:
        at = dt.datetime.fromisoformat(text).astimezone(dt.UTC)
    except (ValueError, OverflowError):
        return None
    return at if 1900 <= at.year < 2200 else None


def _weigh_in(line: _WeighIn) -> dict[str, Any] | None:
    if (line.mass_kg is None) == (line.mass_lb is None):
        return None
    return {
        "mass_kg": float(line.mass_kg) if line.mass_kg is not None else round(float(line.mass_lb or 0) * KG_PER_LB, 6)
    }


def _meal(line: _Meal) -> dict[str, Any] | None:
    kcal = line.energy_kcal
    if (kcal is None) == (line.energy_kj is None):
        return None
    if kcal is None:
        kcal = round(float(line.energy_kj or 0) * KCAL_PER_KJ, 6)
    protein_g, fat_g, carbohydrate_g = line.protein_g, line.fat_g, line.carbohydrate_g
    return {
        "slot": line.slot,
        "energy_kcal": float(kcal),
        "protein_g": None if protein_g is None else float(protein_g),
        "fat_g": None if fat_g is None else float(fat_g),
        "carbohydrate_g": None if carbohydrate_g is None else float(carbohydrate_g),
        "fibre_g": None if line.fibre_g is None else float(line.fibre_g),
        "alcohol_g": None if line.alcohol_g is None else float(line.alcohol_g),
        "foods": None,
        "given": None,
        "from_foods": None,
    }


def _session(line: _Session) -> dict[str, Any] | None:
    if line.plan_day is not None and not _plain(line.plan_day):
        return None
    sets: list[dict[str, Any]] = msgspec.to_builtins(line.sets)
    if not all(map(_set_is_sound, sets)):
        return None
    return {"sets": sets, "plan_day": line.plan_day, "skipped": None, "deload": line.deload is True, "symptoms": None}


_COUNTS = frozenset(("reps", "seconds", "distance_m"))
_LOADS = frozenset(("load_kg", "load_lb", "added_kg", "added_lb", "assistance_kg", "assistance_lb"))


def _set_is_sound(one: dict[str, Any]) -> bool:
    """Whether a set says just what its exercise counts, and the load that it takes, in kilograms."""
    exercise = exercises().get(one["exercise"])
    if exercise is None or one.keys() & _COUNTS != {exercise.counts}:
        return False
    if "note" in one and not _plain(one["note"]):
        return False
    loads = one.keys() & _LOADS
    if exercise.body_mass_share > 0:
        return len(loads) <= 1 and loads <= {"added_kg", "assistance_kg"}
    return loads == {"load_kg"}


def _written(*names: str) -> tuple[Callable[[_Line], tuple[Any, ...]], tuple[str, ...]]:
    """What a reference is made of: the fields of a line in the order of their names, and how each begins."""
    return attrgetter(*names), tuple(f'"{name}": ' for name in names)


_IN_REFERENCE = {
    _WeighIn: _written("date", "mass_kg", "mass_lb"),
    _Meal: _written(
        "alcohol_g", "carbohydrate_g", "date", "energy_kcal", "energy_kj", "fat_g", "fibre_g", "protein_g", "slot"
    ),
}


def _reference_of(line: _Line, raw: bytes) -> str:
    written = _IN_REFERENCE.get(type(line))
    if written is None or line.at is not None or line.note is not None:
        said = orjson.loads(raw)
        return reference({name: value for name, value in said.items() if name not in ("type", "athlete")})
    fields, names = written
    pairs = [
        name + (f'"{value.isoformat()}"' if isinstance(value, dt.date) else repr(value))
        for name, value in zip(names, fields(line), strict=True)
        if value is not None
    ]
    return _digest("{" + ", ".join(pairs) + "}")


def reference(content: Mapping[str, Any]) -> str:
    """A reference made of what a line says, so that the same line sent again is the same entry."""
    said = {name: value for name, value in content.items() if value is not None}
    return _digest(json.dumps(said, sort_keys=True))


def _digest(text: str) -> str:
    return "line-" + hashlib.sha256(text.encode()).hexdigest()[:32]
