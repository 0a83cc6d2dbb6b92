"""The store as a file: who may read it, wherever its folder lies, and from a folder that may only be read."""

from __future__ import annotations

import json
import logging
import os
import shutil
import sqlite3
import stat
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from support.labs import MONDAY, NOW, Bench, lot_rows
from support.people import HERE, PASSWORD, declare, log_in
from support.stores import make_one_version_older

from dashboard.cli import main
from dashboard.web.app import make_app
from ingest.common.errors import StoreError
from ingest.config.lab import load
from ingest.rounds import replay
from ingest.store import sqlite_store
from ingest.store.migrations import upgrade
from ingest.store.store import STORE_NAME, known_store, open_store, put_meta

# An account of no one: https://refspecs.linuxfoundation.org/LSB_5.0.0 (nobody), by its usual number, common practice.
NOBODY = 65534
REAL_CONNECT = sqlite3.connect


@pytest.fixture
def open_folder() -> Iterator[Path]:
    """A folder that every account of the computer may enter, as the folders of pytest are not."""
    with tempfile.TemporaryDirectory() as made:
        Path(made).chmod(0o755)
        yield Path(made)


def as_nobody(*words: str) -> subprocess.CompletedProcess[str]:
    """What a command does under an account without rights; under our own, where that has none over others'."""
    other: dict[str, Any] = {"user": NOBODY, "group": NOBODY, "extra_groups": []} if os.geteuid() == 0 else {}
    return subprocess.run(words, capture_output=True, text=True, check=False, timeout=120, **other)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def filled(bench: Bench) -> Bench:
    bench.drop_climate("log.csv", MONDAY - timedelta(days=4), 24 * 7)
    bench.drop_tests("a.csv", lot_rows("L1", MONDAY, [[10.0, 11.0], [10.5, 12.0]]))
    bench.run()
    return bench


# Who may read it


def test_no_other_account_reads_the_store_while_it_is_used(open_folder: Path) -> None:
    usual = os.umask(0)
    try:
        bench = filled(Bench(open_folder / "lab"))
        declare(bench.folder, ("Sam", "specialist"))
        store = open_store(bench.folder)
        with store.writing() as connection:
            put_meta(connection, "touched", "now")
            files = sorted(bench.folder.glob(f"{STORE_NAME}*"))
            assert [path.name for path in files] == [STORE_NAME, f"{STORE_NAME}-shm", f"{STORE_NAME}-wal"]
            assert [mode(path) for path in files] == [0o600] * 3
            if os.geteuid() == 0:
                for path in files:
                    found = as_nobody("cat", str(path))
                    assert (found.returncode, found.stdout) == (1, "")
                    assert "denied" in found.stderr
                # What others could read stays as it is.
                assert as_nobody("cat", str(bench.folder / "lab.toml")).returncode == 0
    finally:
        os.umask(usual)


def test_the_store_and_its_copy_are_private_before_the_database_gets_them(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    modes: list[int] = []

    def connect(target: Any, *args: Any, **more: Any) -> sqlite3.Connection:
        path = bench.folder / (STORE_NAME if STORE_NAME in str(target) else Path(str(target)).name)
        modes.append(mode(path))
        return REAL_CONNECT(target, *args, **more)

    usual = os.umask(0)
    try:
        monkeypatch.setattr(sqlite_store.sqlite3, "connect", connect)
        store = open_store(bench.folder)
        with store.writing() as connection:
            make_one_version_older(connection)
        copy = upgrade(bench.folder).copy
    finally:
        os.umask(usual)
    assert set(modes) == {0o600}
    assert mode(bench.folder / copy) == 0o600


def test_a_store_that_others_could_read_is_mended_with_one_line(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    filled(bench)
    holder = known_store(bench.folder)
    assert holder is not None
    holder.hold()
    copy = bench.folder / "lotdrift-version-1.2.db"
    copy.write_bytes(b"")
    others = bench.folder / "lab.toml"
    files = [*bench.folder.glob(f"{STORE_NAME}*"), copy]
    assert len(files) == 4
    for path in [*files, others]:
        path.chmod(0o644)

    with caplog.at_level(logging.WARNING):
        known_store(bench.folder)
        known_store(bench.folder)
    holder.close()

    assert [mode(path) for path in files if path.exists()] == [0o600] * len([path for path in files if path.exists()])
    assert mode(others) == 0o644
    (line,) = [record.getMessage() for record in caplog.records]
    assert line.startswith(f"{bench.folder / STORE_NAME}: other accounts of this computer could read it")


def test_the_line_is_told_by_the_command_and_not_in_its_document(bench: Bench) -> None:
    filled(bench)
    (bench.folder / STORE_NAME).chmod(0o640)

    told = subprocess.run(
        [sys.executable, "-m", "dashboard.cli", "board", "--json", "--lab", str(bench.folder)],
        capture_output=True, text=True, check=True,
    )  # fmt: skip

    assert len(json.loads(told.stdout)) == 1
    assert told.stderr.count("\n") == 1
    assert "other accounts of this computer could read it" in told.stderr


def test_a_database_of_another_program_keeps_its_rights(bench: Bench) -> None:
    path = bench.folder / STORE_NAME
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE theirs (x)")
    path.chmod(0o644)

    with pytest.raises(StoreError, match="another program"):
        open_store(bench.folder)

    assert mode(path) == 0o644


def test_a_replay_works_without_the_key_of_the_logins(bench: Bench) -> None:
    filled(bench)
    declare(bench.folder, ("Sam", "specialist"))

    with replay.replayed(load(bench.folder), NOW.date()) as connection:
        keys = set(connection.exec_driver_sql("SELECT key FROM meta").scalars())
        assert connection.exec_driver_sql("SELECT count(*) FROM account").scalar() == 0
    assert "schema_version" in keys
    assert "session_key" not in keys


# Wherever the folder lies

FOLDERS = ("what?x=1", "per%20cent %41", "a#b ü", 'it\'s "so" [a-z]*&;', "file:x?mode=memory", "back\\slash {0}%s")


@pytest.mark.parametrize("name", FOLDERS)
def test_every_command_and_the_login_work_in_a_folder_of_any_name(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "labs" / name
    folder.parent.mkdir()
    bench = filled(Bench(folder))
    with store_of(folder).writing() as connection:
        make_one_version_older(connection)

    def call(*words: str) -> str:
        found = CliRunner().invoke(main, [*words, "--lab", str(folder)], env={"LOTDRIFT_PASSWORD": PASSWORD})
        assert (found.exit_code, found.exception) == (0, None), (words, found.output)
        return found.stdout

    assert "lotdrift-version" in call("upgrade")
    bench.drop_tests("b.csv", lot_rows("L2", MONDAY + timedelta(hours=1), [[10.0, 11.0], [10.5, 60.0]]))
    assert json.loads(call("run", "--json"))["files"][0]["stored"] == 4
    call("check")
    assert json.loads(call("board", "--json"))[0]["lots"] == 2
    call("stream", "Alder Film", "MB-10", "shielding_energy")
    call("lot", "Alder Film", "L1")
    assert json.loads(call("alerts", "--json")) == []
    call("history")
    call("replay", "2026-01-06")
    for words in (["scorecard", "2026-Q1", "--formats", "html"], ["evidence", "--lot", "Alder Film", "L1"]):
        for line in call(*words).splitlines():
            assert Path(line).is_relative_to(folder / "exports")
            assert Path(line).stat().st_size
    call("user", "add", "Sam", "--role", "specialist")
    assert [one["name"] for one in json.loads(call("user", "list", "--json"))] == ["Sam"]

    client = make_app(folder).server.test_client()
    assert client.get("/", headers=HERE).status_code == 401
    assert log_in(client, "Sam").status_code == 303
    assert client.get("/", headers=HERE).status_code == 200
    # Nothing was made beside the folder.
    assert [path.name for path in folder.parent.iterdir()] == [name]


def store_of(folder: Path) -> Any:
    store = known_store(folder)
    assert store is not None
    return store


# A folder that may only be read


def only_readable(folder: Path) -> None:
    """Hand the folder to an account without rights, which may read it and write nothing."""
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o555 if path.is_dir() else 0o444)
        if os.geteuid() == 0:
            os.chown(path, NOBODY, NOBODY)


def writable_again(folder: Path) -> None:
    for path in [folder, *folder.rglob("*")]:
        path.chmod(0o755)


# An interpreter may lie where only its owner reads: what a call loads is loaded by the same call on a twin of the lab.
DROPPED = """
import contextlib, io, os, sys
from dashboard.cli import main

def call(lab):
    try:
        main([*sys.argv[4:], "--lab", lab])
    except SystemExit as end:
        return end.code

lab, twin, nobody = sys.argv[1:4]
with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
    call(twin)
if os.geteuid() == 0:
    os.setgroups([])
    os.setgid(int(nobody))
    os.setuid(int(nobody))
sys.exit(call(lab))
"""


def lotdrift(lab: Path, twin: Path, *words: str) -> subprocess.CompletedProcess[str]:
    """What the command does on a lab under an account without rights."""
    return subprocess.run(
        [sys.executable, "-c", DROPPED, str(lab), str(twin), str(NOBODY), *words],
        capture_output=True, text=True, check=False, timeout=120, env={**os.environ, "LOTDRIFT_PASSWORD": PASSWORD},
    )  # fmt: skip


def test_a_lab_that_may_only_be_read_is_printed_and_not_changed(open_folder: Path) -> None:
    bench = filled(Bench(open_folder / "lab"))
    out = open_folder / "out"
    out.mkdir()
    out.chmod(0o777)
    twin = Path(shutil.copytree(bench.folder, open_folder / "twin"))
    only_readable(bench.folder)
    before = {path: path.read_bytes() for path in bench.folder.rglob("*") if path.is_file()}

    board = lotdrift(bench.folder, twin, "board", "--json")
    card = lotdrift(bench.folder, twin, "scorecard", "2026-Q1", "--formats", "html", "--out", str(out))
    bundle = lotdrift(bench.folder, twin, "evidence", "--lot", "Alder Film", "L1", "--out", str(out))
    entry = lotdrift(bench.folder, twin, "user", "add", "Sam", "--role", "viewer")
    a_round = lotdrift(bench.folder, twin, "run")

    # The rights of others went with the first command; that they had any is said.
    assert (board.returncode, [row["lots"] for row in json.loads(board.stdout)]) == (0, [1])
    assert (card.returncode, card.stderr) == (bundle.returncode, bundle.stderr) == (0, "")
    # The calls on the twin left the same names.
    assert len({path.name for path in out.iterdir() if path.stat().st_uid == bench.folder.stat().st_uid}) == 2
    assert (entry.returncode, a_round.returncode) == (3, 3)
    assert a_round.stderr.count("\n") == 1
    assert {path: path.read_bytes() for path in bench.folder.rglob("*") if path.is_file()} == before
    writable_again(bench.folder)


def test_a_log_beside_a_store_that_may_only_be_read_is_not_passed_over(open_folder: Path) -> None:
    bench = filled(Bench(open_folder / "lab"))
    twin = Path(shutil.copytree(bench.folder, open_folder / "twin"))
    kept = open_folder / "kept"
    holder = store_of(bench.folder)
    holder.hold()
    bench.drop_tests("b.csv", lot_rows("L2", MONDAY + timedelta(hours=1), [[10.0, 11.0]]))
    bench.run()
    # What a snapshot of a lab that is being written holds.
    kept.mkdir()
    for path in [bench.folder / "lab.toml", *bench.folder.glob(f"{STORE_NAME}*")]:
        shutil.copy2(path, kept / path.name)
    holder.close()
    only_readable(kept)

    told = lotdrift(kept, twin, "board", "--json")

    assert [row["lots"] for row in json.loads(told.stdout)] == [2], told.stderr
    writable_again(kept)


def test_a_store_that_changes_while_it_is_taken_for_unchanging_gives_no_result(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    filled(bench)
    # As from a disk that this machine may only read and another one writes.
    monkeypatch.setattr(sqlite_store.os, "access", lambda *_: False)
    store = store_of(bench.folder)

    def read_while_it_changes() -> None:
        with store.reading() as connection:
            connection.exec_driver_sql("SELECT count(*) FROM reading").scalar()
            path = bench.folder / STORE_NAME
            path.write_bytes(path.read_bytes())

    with store.reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM reading").scalar() == 4
    with pytest.raises(StoreError, match="was changed by another program while it was read"):
        read_while_it_changes()
