"""`python -m mutants`: the mutation run over the files of `files.toml`."""

# Why no library: mutmut 3.8 runs here and is quick, but leaves out module constants, decorated functions and dropped calls
# (a lost fsync, a lost clearing of the session); cosmic-ray 8.7 leaves out dropped calls and swapped arguments, changes the
# work tree in place and draws no sample.

from __future__ import annotations

import difflib
import hashlib
import json
import random
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import click

from mutants.mutations import Mutation, mutations
from mutants.trials import FailingTestsError, bench

ROOT = Path(__file__).parents[2]
TABLE = Path(__file__).with_name("files.toml")
RESULTS = Path(".mutants") / "results.jsonl"


@dataclass(frozen=True, slots=True)
class Held:
    """A file of the product and what pytest is asked to run for it: files of tests, and `-k` with a choice of them."""

    root: Path
    file: str
    tests: list[str]
    choice: list[str]


def table(root: Path = ROOT, path: Path = TABLE, keyword: str = "") -> list[Held]:
    """The table of files; ClickException where a name fits no file or several."""
    groups = tomllib.loads(path.read_text(encoding="utf-8"))
    return [
        Held(root, only_path(root, file), [only_path(root, test) for test in tests], ["-k", keyword] if keyword else [])
        for group in groups.values()
        for file, tests in group.items()
    ]


def only_path(root: Path, end: str) -> str:
    """The one Python file whose path ends so."""
    paths = sorted(
        path.relative_to(root).as_posix()
        for path in root.rglob(Path(end).name)
        if path.relative_to(root).match(end) and not path.relative_to(root).parts[0].startswith(".")
    )
    if len(paths) != 1:
        raise click.ClickException(f"{end}: {', '.join(paths) or 'no such file'}; name one file by the end of its path")
    return paths[0]


@click.command()
@click.argument("files", nargs=-1)
@click.option("--count", type=int, help="How many changes of each file, drawn at random; all where it is left out.")
@click.option("--seed", type=int, default=1, show_default=True, help="Another number draws other changes.")
@click.option("--line", type=int, help="Changes of this line only.")
@click.option("--keyword", default="", help="Choose among the tests, as pytest -k does.")
@click.option("--root", type=click.Path(path_type=Path, exists=True), default=ROOT, help="Folder of the project.")
@click.option("--table", "listing", type=click.Path(path_type=Path, exists=True), default=TABLE, help="Table of files.")
def main(
    files: tuple[str, ...], count: int | None, seed: int, line: int | None, keyword: str, root: Path, listing: Path
) -> None:
    """Change one line at a time and tell which changes no test notices; FILES are of the table, all by default.

    Each result is kept in .mutants/results.jsonl, so a run that was stopped goes on where it was.
    """
    rows = table(root, listing, keyword)
    if files:
        wanted = {only_path(root, file) for file in files}
        missing = wanted - {row.file for row in rows}
        if missing:
            raise click.ClickException(f"{', '.join(sorted(missing))}: not in {listing.name}; add it with its tests")
        rows = [row for row in rows if row.file in wanted]
    survivors = [text for row in rows for text in _survivors(row, count, seed, line)]
    click.echo("\n" + "\n".join(survivors or ["No change survived."]))


def _survivors(held: Held, count: int | None, seed: int, line: int | None) -> Iterator[str]:
    """Try the changes of one file; the report of each survivor."""
    text = (held.root / held.file).read_text(encoding="utf-8")
    chosen = [one for one in mutations(text) if line is None or one.line <= line <= one.end_line]
    if count is not None:
        # A larger count draws the same and more.
        random.Random(seed).shuffle(chosen)
        chosen = sorted(chosen[:count], key=lambda one: one.line)
    fates = _earlier_fates(held.root)
    keys = {one: _key(held, text, one) for one in chosen}
    started = time.monotonic()
    rest = [one for one in chosen if keys[one] not in fates]
    if rest:
        for one, fate in _trials(held, rest):
            fates[keys[one]] = fate
            click.echo(f"{held.file}:{one.line} {one.kind} {fate}")
            with (held.root / RESULTS).open("a", encoding="utf-8") as file:
                file.write(json.dumps({"key": keys[one], "place": f"{held.file}:{one.line}", "fate": fate}) + "\n")
    survived = [one for one in chosen if fates[keys[one]] == "survived"]
    seconds = time.monotonic() - started
    by_clock = sum(fates[keys[one]].startswith("killed by the clock") for one in chosen)
    click.echo(
        f"{held.file}: {len(chosen)} changes, {len(survived)} survived, {by_clock} ended by the clock, {seconds:.0f} s"
    )
    for one in survived:
        yield f"{held.file}:{one.line} {one.kind} survived\n{difference(text, one)}"


def _trials(held: Held, chosen: list[Mutation]) -> Iterator[tuple[Mutation, str]]:
    with bench(held.root) as copy:
        try:
            baseline = copy.baseline(held.file, [*held.tests, *held.choice])
        except FailingTestsError as error:
            raise click.ClickException(str(error)) from None
        for one in chosen:
            lines = range(one.line, one.end_line + 1)
            yield one, copy.fate(held.file, one.text, lines, [*held.tests, *held.choice], baseline)


def difference(text: str, mutation: Mutation) -> str:
    """The lines that change, without the lines about."""
    lines = difflib.unified_diff(text.splitlines(), mutation.text.splitlines(), n=0, lineterm="")
    return "\n".join(line for line in lines if not line.startswith(("---", "+++", "@@")))


def _earlier_fates(root: Path) -> dict[str, str]:
    path = root / RESULTS
    path.parent.mkdir(exist_ok=True)
    lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
    return {entry["key"]: entry["fate"] for entry in map(json.loads, lines)}


def _key(held: Held, text: str, mutation: Mutation) -> str:
    """A result holds for this text of the file and of its tests."""
    digest = hashlib.sha256(text.encode())
    for test in held.tests:
        digest.update((held.root / test).read_bytes())
    digest.update(" ".join([*held.choice, mutation.text]).encode())
    return digest.hexdigest()[:24]


if __name__ == "__main__":
    main()
