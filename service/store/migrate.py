"""Bring a database to the present schema."""

from pathlib import Path

from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, create_engine
from sqlalchemy.engine import make_url

from service.store.engine import Database

_CHAIN = Path(__file__).parent / "migrations"


def upgrade(url: str, revision: str = "head") -> None:
    """Run the migrations that are missing.

    Parameters
    ----------
    url : str
        `sqlite:///path` or `postgresql://…`; a missing SQLite file is made.
    revision : str
        Where to stop; the newest by default.
    """
    engine = sync_engine(url)
    try:
        with engine.begin() as connection:
            config = _config()
            config.attributes["connection"] = connection
            command.upgrade(config, revision)
    finally:
        engine.dispose()


def sync_engine(url: str) -> Engine:
    """A plain engine for migrations and schema checks."""
    parsed = make_url(url)
    if parsed.get_backend_name() == "sqlite":
        if parsed.database:
            Path(parsed.database).parent.mkdir(parents=True, exist_ok=True)
        return create_engine(parsed)
    return create_engine(parsed.set(drivername="postgresql+psycopg"))


async def is_current(database: Database) -> bool:
    """Whether the database has exactly the schema that this code expects."""
    head = ScriptDirectory.from_config(_config()).get_current_head()
    async with database.reading() as connection:
        found = await connection.run_sync(lambda sync: MigrationContext.configure(sync).get_current_revision())
    return found == head


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(_CHAIN).replace("%", "%%"))
    return config
