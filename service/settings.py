"""Everything Steelyard reads from its environment; nothing else reads it."""

import os
from dataclasses import dataclass


@dataclass(frozen=True)
class Settings:
    """What an operator can set; each field is `STEELYARD_<NAME>` in capitals."""

    database_url: str = "sqlite:///.data/steelyard.db"
    max_body_bytes: int = 8 * 1024 * 1024
    max_import_bytes: int = 2 * 1024 * 1024 * 1024
    check_tenant_filter: bool = False  # refuse any statement that reads a practice's rows without naming the practice


def from_environment() -> Settings:
    """Read the settings.

    Returns
    -------
    Settings
        Defaults, overridden by STEELYARD_DATABASE_URL, STEELYARD_MAX_BODY_BYTES, STEELYARD_MAX_IMPORT_BYTES and
        STEELYARD_CHECK_TENANT_FILTER (1 or 0).

    Raises
    ------
    ValueError
        If a number is not one; the message names the variable.
    """
    default = Settings()
    return Settings(
        database_url=os.environ.get("STEELYARD_DATABASE_URL") or default.database_url,
        max_body_bytes=_integer("STEELYARD_MAX_BODY_BYTES", default.max_body_bytes),
        max_import_bytes=_integer("STEELYARD_MAX_IMPORT_BYTES", default.max_import_bytes),
        check_tenant_filter=bool(_integer("STEELYARD_CHECK_TENANT_FILTER", int(default.check_tenant_filter))),
    )


def _integer(name: str, default: int) -> int:
    text = os.environ.get(name, "").strip()
    if not text:
        return default
    try:
        return int(text)
    except ValueError:
        raise ValueError(f"{name} must be a whole number, not {text!r}") from None
