"""Fixtures that several test files share."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from support.cluster import Cluster
    from support.labs import Bench

# How long an example takes says more of the machine than of the code.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

# A shell that starts a run in the background has all in it ignore Ctrl-C; the tests of Ctrl-C need it heard.
signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """A module that says `BOTH_STORES = True` has its labs in a file and on a server, one after the other."""
    asked = getattr(metafunc.module, "BOTH_STORES", False)
    if asked and "bench" in metafunc.fixturenames:
        metafunc.parametrize("bench", ["file", "server"], indirect=True)


@pytest.fixture(scope="session")
def server() -> Iterator[Cluster]:
    """A PostgreSQL server, started when the first test asks for it."""
    from support.cluster import running_cluster

    with running_cluster() as cluster:
        yield cluster


@pytest.fixture
def bench(tmp_path: Path, request: pytest.FixtureRequest) -> Bench:
    """An empty lab; its store is a file where nothing else is asked for."""
    from support.labs import Bench

    kind = getattr(request, "param", "file")
    return Bench(tmp_path, store=request.getfixturevalue("server").new_store() if kind == "server" else None)


@pytest.fixture
def lab_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock of the program goes on from the moment of the tests' labs, whatever this computer's shows.

    Another program that a test starts has the computer's.
    """
    from support.labs import at_lab_time

    at_lab_time(monkeypatch)
