"""Fixtures that several test files share."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from hypothesis import settings

if TYPE_CHECKING:
    from playwright.sync_api import Browser
    from support.cluster import Cluster
    from support.labs import Bench

# How long an example takes says more of the machine than of the code.
settings.register_profile("untimed", deadline=None)
settings.load_profile("untimed")

# A shell that starts a run in the background has all in it ignore Ctrl-C; the tests of Ctrl-C need it heard.
signal.signal(signal.SIGINT, signal.default_int_handler)

# The files that take longest. A parallel run begins with them: else one process ends long after the others.
LONGEST = (
    "test_serve.py", "test_faults.py", "test_every_page.py", "test_hostile_files.py", "test_gate.py", "test_browser.py",
    "test_postgres_store.py", "test_shared_shift_alerts.py", "test_guide.py", "test_limit_pages.py", "test_error_pages.py",
    "test_export.py", "test_shared_shifts.py", "test_runlength_routes.py", "test_request_guard.py", "test_interval_coverage.py",
    "test_evidence.py", "test_drops.py", "test_detection.py", "test_cli.py", "test_wrong_clock.py", "test_accounts.py",
    "test_find.py", "test_login.py", "test_prose.py", "test_dispatch.py", "test_cases.py", "test_corrective_actions.py",
    "test_insert_rows.py", "test_captured_discharges.py", "test_bench_state.py", "test_loads.py", "test_sensor_tolerance.py",
    "test_load_entries.py", "test_sessions.py", "test_suspect_values.py", "test_bench_record_alerts.py", "test_rule_changes.py",
    "test_rounds.py", "test_sample_feeds.py", "test_extremes.py", "test_documents.py", "test_widths_browser.py",
    "test_verdict_browser.py", "test_work_browser.py", "test_stock_browser.py",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; the order within a file stays."""
    items.sort(key=lambda item: LONGEST.index(item.path.name) if item.path.name in LONGEST else len(LONGEST))


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


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """A browser, started when the first test asks for it; each test opens a window in it."""
    from support.browser import started

    with started() as one:
        yield one


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The demo lab, served by a process of its own from a copy that the tests of one file may write in."""
    from support.browser import served
    from support.demolab import copy_of, demo_lab

    folder = copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path_factory.mktemp("served") / "lab")
    with served(folder) as base:
        yield base


@pytest.fixture
def bench(tmp_path: Path, request: pytest.FixtureRequest) -> Bench:
    """An empty lab; its store is a file where nothing else is asked for."""
    from support.labs import Bench

    kind = getattr(request, "param", "file")
    return Bench(tmp_path, store=request.getfixturevalue("server").new_store() if kind == "server" else None)


@pytest.fixture
def quick_passwords(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Hashes that cost little, where a test enters many passwords; what they cost in truth is held in test_accounts.py."""
    from argon2 import PasswordHasher

    from ingest.audit import passwords

    hasher = PasswordHasher(time_cost=1, memory_cost=64)
    monkeypatch.setattr(passwords, "_hasher", lambda: hasher)
    passwords._nobodys.cache_clear()
    yield
    # The hash of nobody's password was made by this hasher.
    passwords._nobodys.cache_clear()


@pytest.fixture
def lab_clock(monkeypatch: pytest.MonkeyPatch) -> None:
    """The clock of the program goes on from the moment of the tests' labs, whatever this computer's shows.

    Another program that a test starts has the computer's.
    """
    from support.labs import at_lab_time

    at_lab_time(monkeypatch)
