"""Field types shared by the bodies: text, numbers with units, dates, open windows."""

import unicodedata
from copy import copy
from datetime import UTC, date, datetime
from typing import Annotated, Any
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, AwareDatetime, BaseModel, BeforeValidator, ConfigDict, Field, create_model
from pydantic_core import PydanticCustomError

HOW_TO_WRITE = {
    "date": 'write a date as YYYY-MM-DD, such as "2026-01-31"',
    "instant": 'write an instant with its offset, YYYY-MM-DDThh:mm:ss+hh:mm, such as "2026-01-31T07:00:00+01:00"',
}
KG_PER_LB = 0.45359237  # exact: international yard and pound agreement, 1959
CM_PER_IN = 2.54  # exact, likewise
KCAL_PER_KJ = 1 / 4.184  # thermochemical calorie

_ZONES = available_timezones()


class Body(BaseModel):
    """A request body: unknown fields, NaN and infinities are refused."""

    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, str_strip_whitespace=True)


def change_of(model: type[BaseModel], name: str, **more: Any) -> type[Body]:
    """The body of a PATCH (RFC 7396): the model's fields, none of them required, with the same rules for each."""
    fields: dict[str, Any] = {}
    for field_name, field in model.model_fields.items():
        optional = copy(field)
        optional.default, optional.default_factory = None, None
        fields[field_name] = (field.annotation, optional)
    return create_model(name, __base__=Body, __doc__="Fields to change; null clears an optional one.", **fields, **more)


class Answer(BaseModel):
    """A response body, also made of a row; callers must accept fields and enum values that they do not know."""

    model_config = ConfigDict(extra="ignore", from_attributes=True)


def fault(code: str, detail: str) -> PydanticCustomError:
    """An error for a validator to raise: a stable code and words for people."""
    return PydanticCustomError(code, detail.replace("{", "{{").replace("}", "}}"))


def _storable(text: str) -> str:
    if any(unicodedata.category(letter) in ("Cc", "Cs") and letter not in "\t\n\r" for letter in text):
        raise fault("unstorable_text", "has control characters or half a surrogate pair")
    return text


def _a_date(value: Any) -> Any:
    """Calendar dates come as text; a number would be read as seconds since 1970."""
    if not isinstance(value, str | date) or isinstance(value, datetime):
        raise fault("not_a_date", HOW_TO_WRITE["date"])
    return value


def _an_instant(value: Any) -> Any:
    if not isinstance(value, str | datetime):
        raise fault("not_an_instant", HOW_TO_WRITE["instant"])
    return value


def _a_number(value: Any) -> Any:
    if isinstance(value, bool | str):
        raise fault("not_a_number", "must be a JSON number")
    return value


def _a_zone(name: str) -> str:
    if name not in _ZONES:
        raise fault("unknown_time_zone", "must be an IANA time zone such as Europe/Lisbon")
    ZoneInfo(name)
    return name


Number = Annotated[float, BeforeValidator(_a_number, json_schema_input_type=float)]
WholeNumber = Annotated[int, BeforeValidator(_a_number, json_schema_input_type=int)]
Name = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_storable)]
ShortText = Annotated[str, Field(min_length=1, max_length=64), AfterValidator(_storable)]
Note = Annotated[str, Field(max_length=2000), AfterValidator(_storable)]
Date = Annotated[
    date, BeforeValidator(_a_date, json_schema_input_type=date), Field(ge=date(1900, 1, 1), le=date(2200, 1, 1))
]
Moment = Annotated[
    AwareDatetime,
    BeforeValidator(_an_instant, json_schema_input_type=AwareDatetime),
    Field(ge=datetime(1900, 1, 1, tzinfo=UTC), le=datetime(2200, 1, 1, tzinfo=UTC)),
    AfterValidator(lambda at: at.astimezone(UTC)),
]
TimeZone = Annotated[str, AfterValidator(_a_zone)]
ClockTime = Annotated[str, Field(pattern=r"^([01]\d|2[0-3]):[0-5]\d$", description="local time of day, HH:MM")]


Acknowledged = Annotated[
    list[ShortText],
    Field(max_length=50, description="codes of soft limits that the coach passes knowingly"),
]


class Window(Body):
    """A daily eating window in local time."""

    from_: ClockTime = Field(alias="from")
    to: ClockTime

    model_config = ConfigDict(populate_by_name=True, serialize_by_alias=True)
