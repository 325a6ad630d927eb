"""A real PostgreSQL with PostGIS on loopback, started for these tests and stopped again."""

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import pytest
import sqlalchemy as sa

PERSON, SECRET = "planner_k7", "geheim-9q8w/+@:%"
HOW = "Install postgresql and postgis (Debian: postgresql-15-postgis-3) to run these tests."


def _binaries() -> Path | None:
    """Return the folder of initdb and pg_ctl of the newest version that has PostGIS."""
    for path in sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), reverse=True):
        share = Path("/usr/share/postgresql") / path.parents[1].name
        if (share / "extension" / "postgis.control").is_file():
            return path.parent
    on_path = shutil.which("initdb")  # elsewhere than on Debian
    return Path(on_path).parent if on_path else None


@dataclass(frozen=True)
class Server:
    """Where the database listens; user and password are in the environment only."""

    port: int
    person: str = PERSON
    secret: str = SECRET

    def address(self, rest: str, database: str = "water") -> str:
        return f"postgresql://127.0.0.1:{self.port}/{database}?{rest}"


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture(scope="session")
def server():
    """Start a cluster of its own; without the programs skip, or fail where they are required."""
    programs = _binaries()
    if programs is None:
        if os.environ.get("LINEMAP_DATABASE") == "required":
            pytest.fail(HOW)
        pytest.skip(HOW)
    folder = Path(tempfile.mkdtemp(prefix="linemap-database-"))
    account = {}
    if os.geteuid() == 0:  # PostgreSQL refuses to run as root
        postgres = pwd.getpwnam("postgres")
        os.chown(folder, postgres.pw_uid, postgres.pw_gid)
        account = {"user": postgres.pw_uid, "group": postgres.pw_gid, "extra_groups": []}
    port = _free_port()

    def call(program, *words):
        done = subprocess.run(
            [programs / program, *words], cwd=folder, capture_output=True, text=True, check=False,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C"}, **account,
        )  # fmt: skip
        assert done.returncode == 0, done.stdout + done.stderr

    (folder / "password").write_text(SECRET)
    if account:
        os.chown(folder / "password", account["user"], account["group"])
    try:
        call("initdb", "--pgdata=data", "--auth=scram-sha-256", f"--username={PERSON}",
             "--pwfile=password", "--encoding=UTF8", "--locale=C", "--no-sync")  # fmt: skip
        options = (
            f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={folder} "
            "-c fsync=off -c full_page_writes=off"
        )
        call("pg_ctl", "start", "--wait", "--pgdata=data", "--log=log", f"--options={options}")
        try:
            yield Server(port)
        finally:
            call("pg_ctl", "stop", "--pgdata=data", "--mode=immediate")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _engine(port, database):
    url = sa.URL.create("postgresql+psycopg", PERSON, SECRET, "127.0.0.1", port, database)
    return sa.create_engine(url, poolclass=sa.pool.NullPool)


@pytest.fixture(scope="session")
def engine(server):
    """An engine of the keeper of the database, with PostGIS and the schema ``county``."""
    with (
        _engine(server.port, "postgres").connect() as session,
        session.execution_options(isolation_level="AUTOCOMMIT") as db,
    ):
        db.execute(sa.text("CREATE DATABASE water"))
    engine = _engine(server.port, "water")
    with engine.begin() as db:
        db.execute(sa.text("CREATE EXTENSION postgis"))
        db.execute(sa.text("CREATE SCHEMA county"))
    return engine


@pytest.fixture
def login(monkeypatch):
    """User and password where they belong: in the environment."""
    monkeypatch.setenv("PGUSER", PERSON)
    monkeypatch.setenv("PGPASSWORD", SECRET)
