"""Whatever lies in a drop folder, a round takes in its neighbours, keeps its bytes, says one line, and needs little memory.

Memory is measured, as the most that a round had at a time: a limit on addresses (RLIMIT_AS) would count what libraries and
threads set aside and never use. A limit on what a round may ask for (RLIMIT_DATA) stands beside it, so that a fault ends a
round and not the machine. Large files are mostly holes.
"""

from __future__ import annotations

import gzip
import io
import json
import os
import random
import re
import socket
import stat
import threading
import time
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from sqlalchemy import text
from support.forked import Forked
from support.labs import LAB_TOML, MONDAY, TEST_COLUMNS, Bench, csv_text, lot_rows

from dashboard.commands.common import NO_MEMORY
from ingest.store.store import known_store

HUGE = 128 << 20
# The program itself takes about 140 MB: a file of that size has no room beside it.
MOST_BYTES = 256 << 20
# Long enough for a busy machine: a round that hangs is ended.
SECONDS = 300
# A round that reaches for more is ended by a MemoryError, which puts the file aside with other words than it ought to have.
ASKED_AT_MOST = 1 << 30
# Enough for a small file.
SCARCE = 80 << 20
LAST_RESORT = re.compile("needs more memory|can't be taken in")


@pytest.fixture(scope="module")
def forked() -> Iterator[Forked]:
    process = Forked()
    yield process
    process.end()


@pytest.fixture
def lab(tmp_path: Path) -> Iterator[Bench]:
    """A lab in memory where there is room: a round would else wait for the disk most of the time."""
    memory = Path("/dev/shm")
    with TemporaryDirectory(dir=memory if os.access(memory, os.W_OK) else tmp_path) as folder:
        yield Bench(Path(folder))


# What files hold


def table(lots: int = 1, **changes: object) -> str:
    """A good file but for the changes, in each row."""
    rows = [{**row, **changes} for n in range(lots) for row in lot_rows(f"H{n}", MONDAY, [[10.0, 11.0]])]
    return csv_text(TEST_COLUMNS, [[row.get(column, "") for column in TEST_COLUMNS] for row in rows])


HEADER, ROW, *_ = table().splitlines()


def remarked(remarks: list[str]) -> str:
    """A row a remark, which stands in a column that nobody declared, quotes as they are."""
    rows = [f"{ROW.replace(',1,1,shielding', f',{n},1,shielding')},{said}" for n, said in enumerate(remarks)]
    return "\n".join([f"{HEADER},remark", *rows, ""])


def stray(at: dict[int, str]) -> str:
    return remarked([at.get(n, "fine") for n in range(60)])


def archive() -> bytes:
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as file:
        file.writestr("a.csv", table())
    return data.getvalue()


def noise(size: int) -> bytes:
    return random.Random(5).randbytes(size)


# What a drop folder holds

Make = Callable[[Path], object]


def with_bytes(data: str | bytes, name: str | bytes = "hostile.csv") -> Make:
    return lambda drops: (drops / os.fsdecode(name)).write_bytes(data.encode() if isinstance(data, str) else data)


def with_hole(before: str, size: int = HUGE, after: bytes = b"") -> Make:
    """A file of zero bytes behind a beginning, as a power cut leaves one."""

    def make(drops: Path) -> None:
        with (drops / "hostile.csv").open("wb") as file:
            file.write(before.encode())
            file.truncate(size)
            file.seek(0, os.SEEK_END)
            file.write(after)

    return make


def with_long(before: str, after: str = "\n") -> Make:
    """A file with one line of 128 MB."""

    def make(drops: Path) -> None:
        part = b"x" * (1 << 20)
        with (drops / "hostile.csv").open("wb") as file:
            file.write(before.encode())
            for _ in range(HUGE // len(part)):
                file.write(part)
            file.write(after.encode())

    return make


def with_link(target: str, *, beside: Make | None = None) -> Make:
    def make(drops: Path) -> None:
        if beside is not None:
            beside(drops)
        (drops / "hostile.csv").symlink_to(target)

    return make


def with_links_in_a_row(drops: Path) -> None:
    """More than a system follows."""
    (drops / "end.txt").write_text(table())
    for number in range(60):
        (drops / f"{number}.link").symlink_to(f"{number - 1}.link" if number else "end.txt")
    (drops / "hostile.csv").symlink_to("59.link")


def with_socket(drops: Path) -> None:
    # By way of the folder's number: the address of a socket is a short one.
    folder = os.open(drops, os.O_RDONLY)
    with socket.socket(socket.AF_UNIX) as end:
        end.bind(f"/proc/self/fd/{folder}/hostile.csv")
    os.close(folder)


def with_device(drops: Path) -> None:
    # Only the superuser makes devices; for others a second pipe stands in.
    try:
        os.mknod(drops / "hostile.csv", stat.S_IFCHR | 0o666, os.makedev(1, 5))
    except PermissionError:
        os.mkfifo(drops / "hostile.csv")


def with_time(seconds: int) -> Make:
    def make(drops: Path) -> None:
        (drops / "hostile.csv").write_text(table())
        os.utime(drops / "hostile.csv", (seconds, seconds))

    return make


def with_two_names(drops: Path) -> None:
    (drops / "hostile.csv").write_text(table())
    os.link(drops / "hostile.csv", drops / "hostile too.csv")


@dataclass(frozen=True)
class Case:
    """What is made, and what becomes of it: `stored` whole, refused as a `file`, some `rows` refused, or `left` alone."""

    make: Make
    fate: str
    # Rows of it that are stored, where that is certain.
    stored: int | None = None


CASES = {
    # Sizes
    "nothing": Case(with_bytes(""), "file"),
    "one byte": Case(with_bytes("x"), "file"),
    "a header alone": Case(with_bytes(HEADER), "stored", 0),
    "blank lines alone": Case(with_bytes("\n" * 1_000_000), "file"),
    "blank lines behind a row": Case(with_bytes(f"{HEADER}\n{ROW}" + "\n" * 1_000_000), "stored", 1),
    "900,000 columns": Case(with_bytes(f"{HEADER}{',' * 900_000}\n{ROW}{',' * 900_000}\n"), "file"),
    "900,000 cells in a row": Case(with_bytes(f"{HEADER}\n{ROW}{',' * 900_000}\n{ROW}\n"), "rows", 1),
    "a header cell of a megabyte": Case(with_bytes(f"{HEADER},{'x' * (1 << 20)}\n{ROW},1\n"), "file"),
    "rows of one cell": Case(with_bytes(f"{HEADER}\n{ROW}\n" + "x\n" * 50_000), "rows", 1),
    "zeros alone": Case(with_hole(""), "file"),
    "zeros behind a header": Case(with_hole(f"{HEADER}\n{ROW}\n"), "rows", 1),
    "zeros within": Case(with_hole(f"{HEADER}\n{ROW}\n", after=b"\n" + ROW.replace(",1,1,", ",2,1,").encode()), "rows", 2),
    "zeros in a header": Case(with_hole(HEADER, after=f"\n{ROW}\n".encode()), "file"),
    "a line of 128 MB": Case(with_long(f"{HEADER}\n{ROW}\n"), "rows", 1),
    "a line of 128 MB in quotes": Case(with_long(f'{HEADER}\n{ROW}\n"', f'"\n{ROW.replace(",1,1,", ",2,1,")}\n'), "rows", 2),
    "a header of 128 MB": Case(with_long("", f"\n{ROW}\n"), "file"),
    # Quotes
    "two stray quotes": Case(with_bytes(stray({10: '"torn', 40: '"torn'})), "rows", 58),
    "one stray quote": Case(with_bytes(stray({10: '"torn'})), "rows", 59),
    "ditto marks": Case(with_bytes(stray(dict.fromkeys(range(1, 60), '"'))), "rows", 1),
    "a quote that is never closed": Case(with_bytes(f'{HEADER}\n{ROW}\n"' + "x\n" * 20_000), "rows", 1),
    "quotes alone": Case(with_bytes('"' * (1 << 20)), "file"),
    "quotes behind a header": Case(with_bytes(f"{HEADER}\n{ROW}\n" + '"' * (1 << 20)), "rows", 1),
    # Encodings
    "UTF-16 without a mark": Case(with_bytes(table().encode("utf-16-le")), "file"),
    "UTF-16 with a mark": Case(with_bytes(table().encode("utf-16")), "stored", 2),
    "UTF-16 cut in a character": Case(with_bytes(table().encode("utf-16")[:-1]), "file"),
    "UTF-32": Case(with_bytes(table().encode("utf-32")), "file"),
    "a mark alone": Case(with_bytes(b"\xef\xbb\xbf"), "file"),
    "bytes that are no text": Case(with_bytes(table().encode().replace(b"E1", b"\xff\xfe", 1)), "rows", 1),
    "half a surrogate": Case(with_bytes(table().encode().replace(b"E1", b"\xed\xa0\x80", 1)), "rows", 1),
    "a zero byte in a name": Case(with_bytes(table().replace("E1", "E\0", 1)), "rows", 1),
    "noise": Case(with_bytes(noise(1 << 20)), "file"),
    "noise behind a header": Case(with_bytes(f"{HEADER}\n{ROW}\n".encode() + noise(1 << 18)), "rows"),
    "an archive": Case(with_bytes(archive()), "file"),
    "a packed file": Case(with_bytes(gzip.compress(table().encode(), mtime=0)), "file"),
    # Cells
    "a name of a megabyte": Case(with_bytes(table(lot="x" * (1 << 20))), "rows", 0),
    "a name of 3,000 characters": Case(with_bytes(table(supplier="x" * 3_000)), "rows", 0),
    "a value of 100,000 digits": Case(with_bytes(table(value="9" * 100_000)), "rows", 0),
    "a value beyond numbers": Case(with_bytes(table(value="1e99999")), "rows", 0),
    "a time at the end of time": Case(with_bytes(table(tested_at="9999-12-31T23:59:59.999999-23:59")), "rows", 0),
    "control characters": Case(with_bytes(table(lot="\x1b[2J\x07")), "rows", 0),
    # Names
    "a name of 255 bytes": Case(with_bytes(table(), "ü" * 125 + "a.csv"), "stored", 2),
    "no table under a name of 255 bytes": Case(with_bytes("x", "ü" * 125 + "a.csv"), "file"),
    "a name that is no text": Case(with_bytes(table(), b"hostile\xff\xfe.csv"), "stays"),
    "a name of two lines": Case(with_bytes("x", "hostile\n\x1b[2J.csv"), "file"),
    "a name like an option": Case(with_bytes(table(), "-rf $(reboot) ;.csv"), "stored", 2),
    "a name like a formula": Case(with_bytes("x", "=cmd|' !A0.csv"), "file"),
    "a name that runs backwards": Case(with_bytes("x", "hostile\u202evsc.csv"), "file"),
    # What is no plain file
    "a folder": Case(lambda drops: (drops / "hostile.csv").mkdir(), "left"),
    "a pipe": Case(lambda drops: os.mkfifo(drops / "hostile.csv"), "left"),
    "a socket": Case(with_socket, "left"),
    "a device": Case(with_device, "left"),
    "a link to itself": Case(with_link("hostile.csv"), "left"),
    "two links in a circle": Case(with_link("other.csv", beside=lambda drops: (drops / "other.csv").symlink_to("hostile.csv")), "left"),
    "sixty links in a row": Case(with_links_in_a_row, "left"),
    "a link that leads nowhere": Case(with_link("nowhere.csv"), "left"),
    "a link to the folder": Case(with_link("."), "left"),
    "a link out": Case(with_link("../../lab.toml"), "left"),
    "a link to a device": Case(with_link("/dev/zero"), "left"),
    "a link to a pipe": Case(with_link("pipe", beside=lambda drops: os.mkfifo(drops / "pipe")), "left"),
    "a link to another file": Case(with_link("data.txt", beside=with_bytes(table(), "data.txt")), "stored", 2),
    "a link to a hidden file": Case(with_link(".data.csv", beside=with_bytes(table(), ".data.csv")), "stored", 2),
    "one file under two names": Case(with_two_names, "stored", 2),
    "a time before all others": Case(with_time(-(2**33)), "stored", 2),
    "a time after all others": Case(with_time(10**10), "stored", 2),
}  # fmt: skip


# Rounds


def drop_good(bench: Bench, name: str, age: int) -> None:
    """A good file of two rows, that is taken in before or behind others by its age."""
    path = bench.drop_tests(f"{name}.csv", lot_rows(name, MONDAY, [[9.0, 9.5]]))
    moment = time.time() - 1000 - age
    os.utime(path, (moment, moment))


def do_round(forked: Forked, bench: Bench) -> list[dict[str, Any]]:
    """The entries of one round, which ends well, says nothing beside them, and needs little more memory than the program itself."""
    status, out, err, peak = forked.ask(
        do="measure", arguments=["run", "--json", "--lab", str(bench.folder)], most=ASKED_AT_MOST, seconds=SECONDS
    )
    assert (status in (0, 1), err) == (True, ""), (status, err[-2000:])
    assert peak < MOST_BYTES
    files: list[dict[str, Any]] = json.loads(out)["files"]
    assert status == any(file["refused"] or file["state"] == "refused" for file in files)
    for file in files:
        assert (file["reason"] or "x").isprintable()
        assert not LAST_RESORT.search(file["reason"] or ""), file["reason"]
        assert len(file["reason"] or "") < 1000
    return files


def contents(bench: Bench) -> Counter[object]:
    """How often the bytes of each drop are in the lab; what a link leads to is not counted."""
    found: Counter[object] = Counter()
    for place in ("drops", "filed", "refused"):
        for path in (bench.folder / place).rglob("*"):
            seen = path.lstat()
            if stat.S_ISREG(seen.st_mode):
                # A large one is known by its number and time: it is moved by its name alone, and reading it takes long.
                found[(seen.st_ino, seen.st_mtime_ns) if seen.st_size >= HUGE else path.read_bytes()] += 1
    return found


def readings(bench: Bench) -> dict[str, int]:
    """How many readings there are of each lot."""
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        rows = connection.execute(
            text("SELECT lot.lot, count(*) FROM reading JOIN lot ON lot.id = reading.lot_id GROUP BY lot.lot")
        )
        return {str(name): int(count) for name, count in rows}


def assert_told_once(bench: Bench, case: Case, entries: list[dict[str, Any]]) -> None:
    (entry,) = (one for one in entries if one["state"] != "seen")
    if case.fate in ("file", "stays"):
        assert (entry["state"], entry["stored"]) == ("refused", 0)
        assert entry["reason"]
        return
    assert entry["state"] == "stored"
    assert (entry["refused"] > 0) == (case.fate == "rows")
    if entry["refused"]:
        (report,) = (bench.folder / "refused").glob("*.csv")
        assert report.stat().st_size < 50_000_000


@pytest.mark.parametrize("name", CASES)
def test_a_hostile_file_stops_no_neighbour_loses_no_byte_and_is_told_in_a_line(
    name: str, lab: Bench, forked: Forked
) -> None:
    case, drops = CASES[name], lab.folder / "drops" / "tests"
    case.make(drops)
    drop_good(lab, "before", 20_000_000)
    drop_good(lab, "behind", 0)
    before = contents(lab)

    entries = do_round(forked, lab)

    good = [entry for entry in entries if entry["name"] in ("before.csv", "behind.csv")]
    hostile = [entry for entry in entries if entry not in good]
    assert [(entry["state"], entry["stored"]) for entry in good] == [("stored", 2)] * 2
    assert contents(lab) >= before
    kept = readings(lab)
    assert (kept.pop("before"), kept.pop("behind")) == (2, 2)
    if case.stored is not None:
        assert sum(kept.values()) == case.stored
    if case.fate == "left":
        assert hostile == []
        assert os.path.lexists(drops / "hostile.csv")
    else:
        assert_told_once(lab, case, hostile)


def test_one_round_with_every_hostile_file_takes_in_all_good_ones_between_them_and_the_next_finds_nothing_new(
    lab: Bench, forked: Forked
) -> None:
    sources = LAB_TOML.split("[[source]]", 1)[0]
    began = time.time() - 10_000
    for number, (name, case) in enumerate(CASES.items()):
        drops = lab.folder / "drops" / str(number)
        drops.mkdir()
        sources += f'[[source]]\nkind = "tests"\nfolder = "drops/{number}"\n'
        case.make(drops)
        for path in drops.iterdir() if "a time" not in name else ():
            if stat.S_ISREG(path.lstat().st_mode):
                os.utime(path, (began + 2 * number, began + 2 * number))
        good = lab.drop_tests("good.csv", lot_rows(f"good {number}", MONDAY, [[9.0, 9.5]]))
        os.utime(good, (began + 2 * number + 1, began + 2 * number + 1))
        good.rename(drops / "good.csv")
    lab.declare(sources)
    before = contents(lab)

    entries = do_round(forked, lab)

    assert [entry["state"] for entry in entries if entry["name"] == "good.csv"] == ["stored"] * len(CASES)
    kept = readings(lab)
    assert [kept[f"good {number}"] for number in range(len(CASES))] == [2] * len(CASES)
    assert contents(lab) >= before
    assert [entry["state"] for entry in do_round(forked, lab)] == ["refused"]
    assert contents(lab) >= before


def test_zeros_behind_the_entries_of_a_chamber_log_cost_one_row(lab: Bench, forked: Forked) -> None:
    path = lab.drop_climate("log.csv", MONDAY, 24)
    os.truncate(path, HUGE)

    (entry,) = do_round(forked, lab)

    assert (entry["state"], entry["stored"], entry["refused"]) == ("stored", 49, 1)


# Files that do not hold still


def change_at_random(path: Path, until: threading.Event, rng: random.Random) -> None:
    """Grow, shrink, replace and take away a file without a pause, as a faulty export may."""

    def good() -> str:
        rows = lot_rows(f"restless {rng.randrange(1_000)}", MONDAY, [[9.0] * 40] * 20)
        return csv_text(TEST_COLUMNS, [[row.get(column, "") for column in TEST_COLUMNS] for row in rows])

    def replace(drops: Path) -> None:
        (drops / "next").write_text(good())
        (drops / "next").replace(path)

    def link(drops: Path) -> None:
        path.unlink()
        path.symlink_to("restless.csv")

    def grow(_: Path) -> None:
        with path.open("a") as file:
            file.write(good())

    changes: list[Make] = [
        replace,
        link,
        lambda _: path.unlink(),
        lambda _: path.write_text(good()),
        lambda _: os.truncate(path, rng.randrange(4_000)),
        lambda _: path.open("a").close(),
        grow,
    ]
    while not until.is_set():
        # What is gone or a link to itself can't be opened; the next change mends that.
        with suppress(OSError):
            rng.choice(changes)(path.parent)
        time.sleep(rng.choice((0, 0.001, 0.01)))


def test_a_file_that_grows_shrinks_and_vanishes_under_rounds_disturbs_no_neighbour(lab: Bench, forked: Forked) -> None:
    path, end = lab.folder / "drops" / "tests" / "restless.csv", threading.Event()
    restless = threading.Thread(target=change_at_random, args=(path, end, random.Random(3)))
    restless.start()
    try:
        for number in range(8):
            drop_good(lab, f"good {number}", 0)
            entries = do_round(forked, lab)
            assert [(one["state"], one["stored"]) for one in entries if one["name"] != path.name] == [("stored", 2)]
    finally:
        end.set()
        restless.join()

    path.unlink(missing_ok=True)
    path.write_text(table())
    states = {entry["name"]: entry["state"] for entry in do_round(forked, lab)}

    assert states[path.name] == "stored"
    assert readings(lab)["H0"] == 2


# Memory


def test_a_file_for_which_the_memory_does_not_suffice_is_put_aside_and_its_neighbours_go_on(lab: Bench) -> None:
    """No such file is known: a round is given less than an honest one of some size needs."""
    # What an earlier round left free would be had beside what is given.
    forked = Forked(cold=True)
    drop_good(lab, "before", 20_000_000)
    large = lab.drop("large.csv", table(lots=60_000))
    os.utime(large, (time.time() - 5_000, time.time() - 5_000))
    drop_good(lab, "behind", 0)
    before = contents(lab)

    status, out, err, _ = forked.ask(
        do="measure", arguments=["run", "--json", "--lab", str(lab.folder)], most=SCARCE, seconds=SECONDS
    )
    forked.end()

    assert (status, err) == (1, "")
    files = json.loads(out)["files"]
    assert [(entry["name"], entry["stored"]) for entry in files] == [
        ("before.csv", 2),
        ("large.csv", 0),
        ("behind.csv", 2),
    ]
    assert files[1]["reason"] == "large.csv: needs more memory than there is; split it, then drop the parts"
    assert readings(lab) == {"before": 2, "behind": 2}
    assert contents(lab) >= before


@pytest.mark.parametrize("most", [40 << 20, 110 << 20, 140 << 20])
def test_a_round_without_enough_memory_ends_with_one_line_and_loses_nothing(lab: Bench, most: int) -> None:
    """Memory may end anywhere in a round, not only where a file is read."""
    drop_good(lab, "before", 20_000_000)
    lab.drop("large.csv", table(lots=60_000))
    before = contents(lab)
    forked = Forked(cold=True)

    status, _, err, _ = forked.ask(
        do="measure", arguments=["run", "--json", "--lab", str(lab.folder)], most=most, seconds=SECONDS
    )
    forked.end()

    assert (status, err) in ((1, ""), (3, f"{NO_MEMORY}\n"))
    assert contents(lab) >= before
