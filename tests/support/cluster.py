"""A PostgreSQL of the tests' own: a cluster in a temporary folder, in memory where there is one, on loopback alone, that ends with the tests.

Its texts are ordered by a language's rules, unlike those of a file's store: what depends on the order of a server's own
is found out.
"""

from __future__ import annotations

import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from urllib.parse import quote

import psycopg

STARTS_WITHIN_SECONDS = 60
MEMORY = "/dev/shm"
# Nothing here has to outlast a power cut.
QUICK = ("fsync=off", "synchronous_commit=off", "full_page_writes=off", "max_connections=50", "shared_buffers=64MB")


@dataclass
class Cluster:
    """A running server."""

    port: int
    process: subprocess.Popen[bytes]
    _numbers: Iterator[int] = field(default_factory=lambda: count(1))

    def url(self, schema: str = "public", user: str = "keeper") -> str:
        """What a lab declares as its store."""
        return f"postgresql+psycopg://{user}@127.0.0.1:{self.port}/postgres?options={quote(f'-csearch_path={schema}')}"

    def new_store(self) -> str:
        """The URL of a schema that nobody uses yet."""
        schema = f"lab_{next(self._numbers)}"
        self.do(f"CREATE SCHEMA {schema}")
        return self.url(schema)

    def do(self, sql: str) -> None:
        """What the server's keeper does."""
        with psycopg.connect(f"host=127.0.0.1 port={self.port} user=keeper dbname=postgres", autocommit=True) as link:
            link.execute(sql)

    def stop(self) -> None:
        """End at once, as a server does that is switched off."""
        self.process.send_signal(signal.SIGQUIT)
        self.process.wait(timeout=30)


def binary(name: str) -> str:
    """A program of the server: where the path has it, or where Debian's package puts it."""
    found = shutil.which(name) or max(map(str, Path("/usr/lib/postgresql").glob(f"*/bin/{name}")), default=None)
    if found is None:
        raise FileNotFoundError(f"{name}: PostgreSQL is not installed; make server brings Debian's package")
    return found


@contextmanager
def running_cluster() -> Iterator[Cluster]:
    """A server that runs until the block ends."""
    # Each new store is hundreds of files: where memory can hold them, making one costs half.
    place = Path(tempfile.mkdtemp(prefix="lotdrift-cluster-", dir=MEMORY if os.access(MEMORY, os.W_OK) else None))
    user = _server_user(place)
    try:
        data = place / "data"
        subprocess.run(
            [binary("initdb"), "--pgdata", data, "--username=keeper", "--auth=trust", "--no-sync", "--encoding=UTF8",
             "--locale=C.UTF-8", "--locale-provider=icu", "--icu-locale=en"],
            check=True, stdout=subprocess.DEVNULL, cwd=place, user=user,
        )  # fmt: skip
        _ask_password_of(data / "pg_hba.conf", "guarded")
        cluster = _started(place, data, user)
        try:
            yield cluster
        finally:
            if cluster.process.poll() is None:
                cluster.stop()
    finally:
        shutil.rmtree(place)


def _server_user(place: Path) -> str | None:
    """The server refuses to run as root: then it is the user of its package, who has to own the place."""
    if os.geteuid() != 0:
        return None
    names = {entry.pw_name for entry in pwd.getpwall()}
    user = "postgres" if "postgres" in names else "nobody"
    shutil.chown(place, user)
    return user


def _ask_password_of(rules: Path, user: str) -> None:
    """All others are trusted; the first rule that fits decides."""
    rules.write_text(f"host all {user} 127.0.0.1/32 scram-sha-256\n{rules.read_text()}")


def _started(place: Path, data: Path, user: str | None) -> Cluster:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    settings = [part for setting in QUICK for part in ("-c", setting)]
    process = subprocess.Popen(
        [binary("postgres"), "-D", data, "-p", str(port), "-h", "127.0.0.1", "-k", place, *settings],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd=place, user=user,
    )  # fmt: skip
    cluster = Cluster(port, process)
    deadline = time.monotonic() + STARTS_WITHIN_SECONDS
    while True:
        try:
            cluster.do("SELECT 1")
        except psycopg.OperationalError:
            if time.monotonic() > deadline or process.poll() is not None:
                raise
            time.sleep(0.05)
        else:
            return cluster
