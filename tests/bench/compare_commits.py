"""Compare what two commits make of the same feeds: JSON documents, scorecards and alerts of two labs.

    python tests/bench/compare_commits.py BEFORE [AFTER] [--figures]

Each commit runs through its command line only, on copies of the same two lab folders: the demo
and a messy one with refused, repeated, corrected and bounded readings, a humid week and a gap in a log. Without AFTER the
present work tree is compared, uncommitted changes included. `--figures` compares numbers, dates and names of states and leaves sentences out:
for commits that reword messages. Exit status 1 where anything differs.
"""

from __future__ import annotations

import argparse
import csv
import json
import math
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from itertools import zip_longest
from pathlib import Path
from typing import Any

import openpyxl

ROOT = Path(__file__).resolve().parents[2]

LAB_TOML = """
[lab]
name = "Skerry Point, messy bench (invented)"
timezone = "Europe/Lisbon"

[conditioning.dry]
humidity_percent = 12.0
humidity_tolerance = 3.0
temperature_c = 23.0
temperature_tolerance_c = 3.0
hours = 48
longest_gap_minutes = 60

[[characteristic]]
name = "shielding_energy"
unit = "nJ"
scale = "log"
guard_percent = 5
upper_limit = [ { value = 20.0 } ]

[[characteristic]]
name = "surface_resistance"
unit = "ohm"
scale = "log"
judged = "worst"
lower_limit = [ { value = 1e4 } ]
upper_limit = [ { value = 1e11 } ]

[[source]]
kind = "tests"
folder = "drops/tests"

[[source]]
kind = "climate"
folder = "drops/climate"
"""
TESTS = ("tested_at", "chamber", "instrument", "operator", "supplier", "product", "lot", "specimen", "reading")
TESTS += ("characteristic", "value", "unit")
END = datetime(2026, 11, 20, 12, tzinfo=UTC)
# A sentence has blanks and is longer than any name, date or state of the two labs.
SENTENCE = re.compile(r"\S+(\s+\S+){3,}")
# The commands print figures with all digits; an order of summation may differ in the last ones.
DIGITS = 1e-9


def main() -> int:
    """Compare, print each difference in a line, count them."""
    call = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    call.add_argument("before")
    call.add_argument("after", nargs="?")
    call.add_argument("--figures", action="store_true", help="leave sentences out")
    options = call.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        labs = {"demo": demo(here / "feeds-demo"), "messy": messy(here / "feeds-messy")}
        made = []
        for side, revision in (("before", options.before), ("after", options.after)):
            with checkout(revision) as tree:
                made.append({name: gathered(tree, lab, here / side / name) for name, lab in labs.items()})
    differences = list(compared(*made, "", options.figures))
    for line in differences[:200]:
        print(line)
    print(f"{len(differences)} differences in {sum(map(len, made[0].values()))} documents")
    return 1 if differences else 0


@contextmanager
def checkout(revision: str | None) -> Iterator[Path]:
    """A work tree of a commit, or the present one."""
    if revision is None:
        yield ROOT
        return
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        subprocess.run(["git", "-C", ROOT, "worktree", "add", "--quiet", "--detach", tree, revision], check=True)
        try:
            yield tree
        finally:
            subprocess.run(["git", "-C", ROOT, "worktree", "remove", "--force", tree], check=True)


def demo(folder: Path) -> Path:
    """The demo's feeds, not yet taken in."""
    sys.path.insert(0, str(ROOT))
    import sample_feeds

    return sample_feeds.copy_to(folder, datetime.now(UTC))  # noqa: TID251  (a script, not the product)


def messy(folder: Path) -> Path:
    """Three invented suppliers over a year of weekly lots, with most of what goes wrong on a bench."""
    drops = folder / "drops"
    for kind in ("tests", "climate"):
        (drops / kind).mkdir(parents=True)
    (folder / "lab.toml").write_text(LAB_TOML, encoding="utf-8")
    draw = random.Random(20261120)
    rows = [row for week in range(52) for row in week_of_lots(draw, week)]
    half = len(rows) // 2
    written(drops / "tests" / "a-first.csv", TESTS, rows[:half])
    written(drops / "tests" / "b-second.csv", TESTS, rows[half - 50 :])
    written(drops / "tests" / "c-corrections.csv", TESTS, [[*row[:10], "1.5e8", "ohm"] for row in rows[41::800]])
    (drops / "tests" / "d-broken.csv").write_bytes(b"tested_at,lot\n2026-01-01,\xff\n")
    written(
        drops / "climate" / "log.csv", ("logged_at", "chamber", "humidity_percent", "temperature_c"), chamber_log(draw)
    )
    for order, path in enumerate(sorted(drops.rglob("*.csv"))):
        os.utime(path, (END.timestamp() + order,) * 2)
    return folder


def week_of_lots(draw: random.Random, week: int) -> Iterator[list[Any]]:
    """One lot of each product: six bags, six discharges and one resistance a bag."""
    for number, supplier in enumerate(("Corbel & Sons", "Haarmoor", "Ünter-Lee")):
        for product in ("P-1", "P-2"):
            rise = 1.01 ** max(0, week - 30) if number == 0 else 1.0
            level = 9.0 * rise * draw.lognormvariate(0, 0.06)
            at = END - timedelta(weeks=51 - week) + timedelta(hours=number, minutes=10 * int(product[-1]))
            lot = [at.isoformat(), "north", "tester 1", "Op", supplier, product, f"{supplier[:2]}{week:03d}{product}"]
            for bag in range(1, 7):
                for reading in range(1, 7):
                    sound = f"{level * draw.lognormvariate(0, 0.1):.4g}"
                    value = draw.choices([sound, "<0.5", "-3"], [0.996, 0.002, 0.002])[0]
                    unit = draw.choices(["nJ", "nJ/m"], [0.999, 0.001])[0]
                    yield [*lot, bag, reading, "shielding_energy", value, unit]
                ohms = 10 ** draw.gauss(8 + number, 0.3)
                yield [*lot, bag, 1, "surface_resistance", f"{ohms:.3g}" if ohms < 6e9 else ">1E10", "ohm"]


def chamber_log(draw: random.Random) -> Iterator[list[Any]]:
    """Half-hourly entries with one gap and four humid days."""
    for minute in range(0, 53 * 7 * 24 * 60, 30):
        at = END - timedelta(weeks=52) + timedelta(minutes=minute)
        humid = 17.5 if 200_000 < minute < 206_000 else draw.gauss(12, 0.5)
        if not 100_000 < minute < 100_400:
            yield [at.isoformat(), "north", f"{humid:.2f}", f"{draw.gauss(23, 0.3):.2f}"]


def written(path: Path, columns: tuple[str, ...], rows: Iterable[list[Any]]) -> None:
    """A drop as an instrument writes it."""
    with path.open("w", newline="", encoding="utf-8") as file:
        csv.writer(file).writerows([columns, *rows])


def gathered(tree: Path, feeds: Path, lab: Path) -> dict[str, Any]:
    """Every document that a commit makes of a lab, by its commands, all called in one process of that commit."""
    shutil.copytree(feeds, lab)
    out = lab.with_suffix(".json")
    call = [sys.executable, __file__, "--gather", str(lab), str(out)]
    subprocess.run(call, cwd=tree, env={**os.environ, "PYTHONPATH": str(tree)}, check=True)
    documents = without_moments(json.loads(out.read_text(encoding="utf-8")), datetime.now(UTC) - timedelta(hours=2))  # noqa: TID251
    assert isinstance(documents, dict)
    for path in sorted((lab / "cards").rglob("*")):
        if path.suffix == ".csv":
            documents[path.name] = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
        elif path.suffix == ".xlsx":
            book = openpyxl.load_workbook(path, data_only=True)
            sheets = {s.title: [[str(v) for v in r] for r in s.iter_rows(values_only=True)] for s in book}
            documents[path.name] = without_moments(sheets, datetime.now(UTC) - timedelta(hours=2))  # noqa: TID251
    return documents


def gather(lab: str, out: str) -> None:
    """Call the commands of the commit that this process was started with."""
    documents: dict[str, Any] = {"run": command(lab, "run")}
    documents["board"] = command(lab, "board")
    documents["alerts"] = command(lab, "alerts", "--all")
    lots = set()
    for row in documents["board"]:
        stream = (row["supplier"], row["product"], row["characteristic"])
        documents["stream " + " ".join(stream)] = points = command(lab, "stream", *stream)
        lots |= {(row["supplier"], point["lot"]) for point in points["points"][-2:]}
    for supplier, lot in sorted(lots):
        documents[f"lot {supplier} {lot}"] = command(lab, "lot", supplier, lot)
    last = max(row["last_tested_at"] for row in documents["board"])
    day = datetime.fromisoformat(last) - timedelta(days=91)
    quarter = f"{day.year}-Q{(day.month + 2) // 3}"
    documents["scorecard"] = command(lab, "scorecard", quarter, "--out", f"{lab}/cards")
    Path(out).write_text(json.dumps(documents), encoding="utf-8")


def command(lab: str, *words: str) -> Any:
    """The JSON document of one command."""
    from click.testing import CliRunner

    from dashboard.cli import main as lotdrift

    ended = CliRunner().invoke(lotdrift, [words[0], "--lab", lab, "--json", *words[1:]])
    if ended.exit_code not in (0, 1):
        raise SystemExit(f"{' '.join(words)} ended with {ended.exit_code}: {ended.output}")
    return json.loads(ended.stdout)


def without_moments(part: Any, since: datetime) -> Any:
    """The same document, each time stamp of the last two hours and each folder of this run replaced by a word."""
    if isinstance(part, dict):
        return {key: without_moments(value, since) for key, value in part.items()}
    if isinstance(part, list):
        return [without_moments(value, since) for value in part]
    if isinstance(part, str):
        if re.fullmatch(r"\d{4}-\d\d-\d\dT[\d:.]+([+-]\d\d:\d\d|Z)", part) and datetime.fromisoformat(part) > since:
            return "a moment ago"
        return re.sub(r"\S*/(before|after)/", "", part)
    return part


def compared(one: Any, other: Any, where: str, figures: bool) -> Iterator[str]:
    """A line for each difference."""
    for place, before, after in pairs(one, other, where):
        if isinstance(before, float) and isinstance(after, float):
            same = math.isclose(before, after, rel_tol=DIGITS)
        else:
            same = before == after
        reworded = figures and all(isinstance(part, str) and SENTENCE.search(part) for part in (before, after))
        if not same and not reworded:
            yield f"{place}: {before!r} before, {after!r} after"


def pairs(one: Any, other: Any, where: str) -> Iterator[tuple[str, Any, Any]]:
    """Every leaf of two documents with its place; what only one of them has stands beside the word `absent`."""
    if isinstance(one, dict) and isinstance(other, dict):
        for key in sorted({*one, *other}, key=str):
            yield from pairs(one.get(key, "absent"), other.get(key, "absent"), f"{where}/{key}")
    elif isinstance(one, list) and isinstance(other, list):
        for index, (before, after) in enumerate(zip_longest(one, other, fillvalue="absent")):
            yield from pairs(before, after, f"{where}[{index}]")
    else:
        yield where, one, other


if __name__ == "__main__":
    if sys.argv[1:2] == ["--gather"]:
        gather(*sys.argv[2:])
    else:
        sys.exit(main())
