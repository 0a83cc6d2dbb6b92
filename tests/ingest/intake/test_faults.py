"""Rounds that are killed, raced, starved of room and read while they write: the store ends as if nothing had happened."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from sqlalchemy import Connection, text
from support.discharges import capture_file
from support.forked import Forked, command
from support.labs import MONDAY as LABS_MONDAY
from support.labs import Bench, lot_rows
from support.stores import on_both_stores

from dashboard.queries import lot_document, stored_documents
from ingest.config.lab import load
from ingest.store.store import known_store

# On a server each kill costs more, and the transactions are the same.
# Other processes do the rounds and look at the computer's clock: the tests lie years before whatever it shows.
MONDAY = LABS_MONDAY - timedelta(weeks=312)
KILLS = {"file": 200, "server": 20}
# Seconds: longer than any round.
NEVER = 1e9
# What a round notes about itself and the order in which derived rows were numbered is no part of the outcome.
TABLES = {
    "drop": "kind, name, folder, digest, state, reason, stored, duplicate, corrected, refused, header, put_as, settled",
    "reading": "*",
    "earlier_value": "*",
    "refusal": "*",
    "climate": "*",
    "captured_lot": "*",
    "capture": "*",
    "earlier_capture": "*",
    "capture_match": "*",
    "stale_capture": "*",
    "lot": "*",
    "stream": "*",
    "label": "*",
    "session": "stream_id, lot_id, started_us, ended_us, chamber_id, level, conditioning, hours, verdict",
    "alert": "id, kind, grade, lot, raised_us, message, evidence, state",
    "stale_lot": "*",
    "stale_climate": "*",
}


@pytest.fixture(scope="module")
def forked() -> Iterator[Forked]:
    process = Forked()
    yield process
    process.end()


@pytest.fixture
def quick_disk(tmp_path: Path) -> Iterator[Path]:
    """A folder in memory where there is one: hundreds of rounds would else wait for the disk most of the time."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else tmp_path) as folder:
        yield Path(folder)


def captured(energies: list[float]) -> str:
    """Captures of the first bag of L0, one a reading."""
    names = [{"supplier": "Alder Film", "lot": "L0", "specimen": 1, "reading": reading} for reading in (1, 2)]
    return capture_file(energies, names)


def fill(bench: Bench) -> Bench:
    """Every fate that a drop can have: stored, corrected, partly refused, refused as a whole, seen; and a log."""
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 15)
    (bench.folder / "drops" / "waveforms").mkdir()
    first = lot_rows("L0", MONDAY, [[10.0, 11.0], [10.5, 9.5]])
    corrected = [{**first[0], "value": 12.5}, *first[1:]]
    drops = [
        bench.drop_tests("a.csv", first),
        bench.drop_tests("b.csv", corrected),
        bench.drop_tests("c.csv", lot_rows("L1", MONDAY + timedelta(weeks=1), [[10.0, "OL"], [0, 9.9]])),
        bench.drop("d.csv", "nothing of use\n1\n"),
        bench.drop_tests("e.csv", first),
        bench.drop_tests("f.csv", lot_rows("L2", MONDAY + timedelta(weeks=2), [[10.0, 11.0], [10.1, 10.2]])),
        bench.drop("g.csv", captured([10.0, 11.0]), "waveforms"),
        bench.drop("h.csv", captured([10.0, 22.0]), "waveforms"),
    ]
    for age, path in enumerate(reversed(drops)):
        moment = 1_780_000_000 - 60 * age
        os.utime(path, (moment, moment))
    return bench


def outcome(bench: Bench) -> dict[str, Any]:
    """All that a lab folder holds after its rounds: the store's rows, what the commands tell of it, the files."""
    store, lab = known_store(bench.folder), load(bench.folder)
    assert store is not None
    with store.reading() as connection:
        places = places_in(connection)
        rows = {table: rows_of(connection, table, columns, places) for table, columns in TABLES.items()}
        told = [
            stored_documents.board(connection, lab),
            stored_documents.alerts(connection, lab, closed_too=True),
            lot_document.lot(connection, lab, "Alder Film", "L0"),
        ]
    files = {
        str(path.relative_to(bench.folder)): path.read_bytes()
        for place in ("drops", "filed", "refused")
        for path in sorted((bench.folder / place).rglob("*"))
        if path.is_file()
    }
    return {"rows": rows, "told": told, "files": files}


# Tables that number what the others name by its number.
NUMBERED = {
    "stream_id": "stream",
    "lot_id": "lot",
    "captured_lot_id": "captured_lot",
    "drop_id": "drop",
    "replaced_by_drop_id": "drop",
} | dict.fromkeys(("chamber_id", "instrument_id", "operator_id", "load_id"), "label")
HISTORIES = ("earlier_value", "refusal", "stale_climate", "earlier_capture")


def rows_of(connection: Connection, table: str, columns: str, places: dict[str, dict[int, int]]) -> list[Any]:
    """The rows of a table, numbered without gaps: a server never gives a number again that a killed round was given."""
    rows = connection.execute(text(f'SELECT {columns} FROM "{table}"')).mappings()
    told = [{name: places.get(numbered(table, name), {}).get(row[name], row[name]) for name in row} for row in rows]
    return sorted(told, key=repr)


def numbered(table: str, column: str) -> str:
    return NUMBERED.get(column, table if column == "id" else "")


def places_in(connection: Connection) -> dict[str, dict[int, int]]:
    """The place of each number among those of its table."""
    return {
        table: {
            number: place
            for place, number in enumerate(sorted(connection.execute(text(f'SELECT id FROM "{table}"')).scalars()))
        }
        for table in {*NUMBERED.values(), *HISTORIES}
    }


@pytest.mark.parametrize("kind", KILLS)
def test_rounds_killed_at_random_instants_end_like_an_undisturbed_one(
    kind: str, quick_disk: Path, forked: Forked, request: pytest.FixtureRequest
) -> None:
    def lab(name: str) -> Bench:
        store = request.getfixturevalue("server").new_store() if kind == "server" else None
        return fill(Bench(quick_disk / name, store=store))

    undisturbed, warm = lab("undisturbed"), lab("warm")

    def killed(bench: Bench, seed: int, longest: float) -> tuple[int, float]:
        kills, seconds = forked.ask(do="kill", folder=str(bench.folder), seed=seed, longest=longest)
        return kills, seconds

    assert killed(warm, 0, NEVER)[0] == 0
    none, longest = killed(undisturbed, 0, NEVER)
    assert none == 0
    expected = outcome(undisturbed)

    kills = 0
    for seed in range(10 * KILLS[kind]):
        bench = lab(f"killed-{seed}")
        more, seconds = killed(bench, seed, longest)
        kills += more
        # A whole round: the machine is faster or slower by now, and instants after its end kill nothing.
        longest = longest if more else seconds
        assert outcome(bench) == expected, f"the lab of seed {seed}"
        if kills >= KILLS[kind]:
            return
    pytest.fail(f"{kills} kills only")


@on_both_stores
def test_three_rounds_at_once_end_well_and_count_each_row_once(bench: Bench, tmp_path: Path, forked: Forked) -> None:
    alone = fill(Bench(tmp_path / "alone"))
    forked.run(alone.folder)
    fill(bench)

    ends = forked.run(bench.folder, times=3)

    # 1: a row and a file were refused, by whichever round met them.
    assert sorted(status for status, _, _ in ends) == [0, 0, 1]
    assert [err for _, _, err in ends] == ["", "", ""]
    counted = [entry for _, out, _ in ends for entry in json.loads(out)["files"]]
    assert sorted(entry["name"] for entry in counted) == [
        "a.csv",
        "b.csv",
        "c.csv",
        "d.csv",
        "e.csv",
        "f.csv",
        "g.csv",
        "h.csv",
        "log.csv",
    ]
    assert outcome_but_for_time(bench) == outcome_but_for_time(alone)


def outcome_but_for_time(bench: Bench) -> tuple[object, ...]:
    """Rounds by the command look at the clock; what was refused when is the only thing that depends on it."""
    whole = outcome(bench)
    return whole["rows"]["reading"], whole["rows"]["session"], whole["files"]


def test_two_machines_with_one_store_wait_for_each_other_and_count_each_row_once(
    tmp_path: Path, forked: Forked, request: pytest.FixtureRequest
) -> None:
    server = request.getfixturevalue("server")
    alone = fill(Bench(tmp_path / "alone", store=server.new_store()))
    forked.run(alone.folder)
    shared = server.new_store()
    machines = [fill(Bench(tmp_path / name, store=shared)) for name in ("north", "south")]

    ends = forked.ask(do="command", arguments=[["run", "--json", "--lab", str(one.folder)] for one in machines])

    # 1: each machine found a row and a file to refuse among its own drops.
    assert [(status, err) for status, _, err in ends] == [(1, ""), (1, "")]
    entries = [entry for _, out, _ in ends for entry in json.loads(out)["files"]]
    assert sorted((entry["name"], entry["state"]) for entry in entries) == sorted(
        [(f"{name}.csv", state) for name in ("a", "b", "c", "f", "g", "h", "log") for state in ("stored", "seen")]
        + [("e.csv", "seen")] * 2
        + [("d.csv", "refused")] * 2
    )
    assert readings_and_sessions(machines[0]) == readings_and_sessions(alone)


def readings_and_sessions(bench: Bench) -> object:
    return outcome_but_for_time(bench)[:2]


@on_both_stores
def test_readers_beside_a_round_see_whole_lots_and_no_error(bench: Bench, forked: Forked) -> None:
    bench.run()
    for number in range(30):
        bench.drop_tests(f"{number}.csv", lot_rows(f"L{number}", MONDAY + timedelta(days=number), [[10.0, 11.0]] * 3))
    lab, seen = load(bench.folder), set()

    forked.start(**command(bench.folder))
    while len(list((bench.folder / "filed").glob("*.csv"))) < 30:
        store = known_store(bench.folder)
        assert store is not None
        with store.reading() as connection:
            stored_documents.board(connection, lab)
            seen.add(connection.execute(text("SELECT count(*) FROM reading")).scalar_one())
    ((status, _, err),) = forked.answer()

    assert (status, err) == (0, "")
    assert len(seen) > 2
    assert all(readings % 6 == 0 for readings in seen)


def test_a_slow_writer_is_waited_for_while_its_neighbours_are_taken(bench: Bench, forked: Forked) -> None:
    whole = bench.drop_tests("slow.csv", lot_rows("L0", MONDAY, [[10.0, 11.0]] * 3)).read_bytes()
    path = bench.folder / "drops" / "tests" / "slow.csv"
    bench.drop_tests("ready.csv", lot_rows("L1", MONDAY, [[9.0]]))
    taken = []
    with path.open("wb", buffering=0) as slow:
        for byte in range(0, len(whole), 200):
            slow.write(whole[byte : byte + 200])
            ((_, out, _),) = forked.run(bench.folder)
            taken += [entry["name"] for entry in json.loads(out)["files"]]
    assert taken == ["ready.csv"]

    ((status, out, _),) = forked.run(bench.folder)

    (entry,) = json.loads(out)["files"]
    assert (status, entry["name"], entry["stored"], entry["refused"]) == (0, "slow.csv", 6, 0)


@pytest.mark.parametrize("most", [1_000, 5_000, 60_000, 200_000])
def test_a_full_disk_is_one_line_that_names_a_file_and_the_next_round_ends_as_if_nothing_had_happened(
    most: int, bench: Bench, tmp_path: Path, forked: Forked
) -> None:
    alone = fill(Bench(tmp_path / "alone"))
    forked.run(alone.folder)
    fill(bench)
    drops = {path.name: path.read_bytes() for path in (bench.folder / "drops").rglob("*.csv")}

    ((status, out, err),) = forked.run(bench.folder, most=most)

    assert status == 3
    assert out == ""
    assert err.count("\n") == 1
    assert str(bench.folder) in err
    kept = [
        path.read_bytes() for place in ("drops", "filed", "refused") for path in (bench.folder / place).rglob("*.csv")
    ]
    assert all(content in kept for content in drops.values())
    forked.run(bench.folder)
    assert outcome_but_for_time(bench) == outcome_but_for_time(alone)
