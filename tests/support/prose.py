"""Reads the words of the project (names, docstrings, comments, strings, documents, styles) for the test of its prose.

    PYTHONPATH=tests python -m support.prose

prints what the list in `tests/system/prose.toml` refuses, counted by room and word; `--all` prints every place.
"""

from __future__ import annotations

import ast
import io
import re
import sys
import tokenize
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from fnmatch import fnmatch
from functools import cache
from pathlib import Path

import tomli_w

__all__ = [
    "FOLDERS",
    "LEFT",
    "LIST",
    "Place",
    "Rule",
    "by_room",
    "hits",
    "lower_case_starts",
    "places_in",
    "project_places",
    "refused",
    "rules",
]

ROOT = Path(__file__).parents[2]
LIST = ROOT / "tests" / "system" / "prose.toml"
FOLDERS = ("spc", "ingest", "dashboard", "sample_feeds", "tests")
SUFFIXES = (".py", ".md", ".typ", ".html", ".js", ".css")
# The list itself is TOML and is not read; what a command prints is read where the command is written.
OUTPUT_BLOCK = re.compile(r"^```(?:console|text)$.*?^```$", re.MULTILINE | re.DOTALL)
DIRECTIVE = re.compile(r"#\s*(?:noqa|type:|fmt:|pragma|ruff:|mypy:|!)")
SHOWN = frozenset({"P", "H1", "H2", "H3", "Caption", "Summary", "empty"})


@dataclass(frozen=True, slots=True)
class Place:
    """One text or name of the project: `kind` is name, docstring, comment, string, screen or document."""

    file: str
    line: int
    kind: str
    text: str

    @property
    def room(self) -> str:
        """The folder two levels deep, or the file at the top."""
        parts = self.file.split("/")
        deep = 3 if parts[0] == "tests" else 2
        return "/".join(parts[: min(deep, len(parts) - 1)]) or self.file


@dataclass(frozen=True, slots=True)
class Rule:
    """One entry of the list. `names` are whole names, `parts` words within names, `prose` a pattern in text."""

    word: str
    use: str
    reason: str
    names: frozenset[str]
    parts: frozenset[str]
    prose: re.Pattern[str] | None
    allowed: dict[str, str]

    def refuses(self, place: Place) -> bool:
        """Whether the place holds the word, allowed there or not."""
        if place.kind != "name":
            return self.prose is not None and self.prose.search(place.text) is not None
        return place.text.strip("_") in self.names or not self.parts.isdisjoint(words_of(place.text))

    def allows(self, place: Place) -> bool:
        """Whether the list allows the word in this file."""
        return any(fnmatch(place.file, pattern) for pattern in self.allowed)


def rules() -> list[Rule]:
    """The list of refused words."""
    return [
        Rule(
            one["word"],
            one["use"],
            one["reason"],
            frozenset(one.get("names", ())),
            frozenset(one.get("parts", ())),
            re.compile(one["prose"], re.IGNORECASE) if "prose" in one else None,
            one.get("allowed", {}),
        )
        for one in tomllib.loads(LIST.read_text(encoding="utf-8"))["word"]
    ]


def words_of(name: str) -> set[str]:
    """The words of a name in snake case or camel case, in lower case."""
    return {word.lower() for word in re.findall(r"[A-Z]?[a-z]+|[A-Z]+(?![a-z])", name)}


def places_in(file: str, text: str) -> list[Place]:
    """Everything in a file that a person reads."""
    if file.endswith(".py"):
        return [*_python(file, text), *_comments(file, text)]
    without_output = OUTPUT_BLOCK.sub(lambda block: "\n" * block[0].count("\n"), text)
    return [Place(file, number, "document", line) for number, line in enumerate(without_output.split("\n"), 1) if line]


def _python(file: str, text: str) -> Iterator[Place]:
    tree = ast.parse(text)
    # A string that stands alone is a docstring, or describes the attribute above it.
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    yield Place(file, 1, "name", Path(file).stem)
    for node in ast.walk(tree):
        line = getattr(node, "lineno", 1)
        for name in _names(node):
            yield Place(file, line, "name", name)
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield Place(file, line, "docstring" if id(node) in docstrings else "string", node.value)
        if isinstance(node, ast.Call) and node.args and _called(node) in SHOWN:
            first = node.args[0]
            if isinstance(first, ast.Constant) and isinstance(first.value, str):
                yield Place(file, line, "screen", first.value)


def _called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def _names(node: ast.AST) -> Iterator[str]:
    """The names that a node gives to something; a name of another library that is only used is no name of ours."""
    if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)):
        yield node.name
    elif isinstance(node, ast.arg):
        yield node.arg
    elif isinstance(node, (ast.Name, ast.Attribute)) and isinstance(node.ctx, ast.Store):
        yield node.id if isinstance(node, ast.Name) else node.attr
    elif (isinstance(node, (ast.MatchAs, ast.MatchStar)) and node.name) or (
        isinstance(node, ast.ExceptHandler) and node.name
    ):
        yield node.name


def _comments(file: str, text: str) -> Iterator[Place]:
    """Comments; lines that follow each other are one."""
    block: list[str] = []
    first, last, column = 0, -2, -1
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type != tokenize.COMMENT or DIRECTIVE.match(token.string):
            continue
        line, here = token.start
        if block and (line != last + 1 or here != column):
            yield Place(file, first, "comment", " ".join(block))
            block = []
        if not block:
            first, column = line, here
        block.append(token.string.lstrip("#").strip())
        last = line
    if block:
        yield Place(file, first, "comment", " ".join(block))


@cache
def project_places() -> tuple[Place, ...]:
    """Everything that a person reads in the project."""
    files = [path for folder in FOLDERS for path in (ROOT / folder).rglob("*") if path.suffix in SUFFIXES]
    places: list[Place] = []
    for path in sorted([*ROOT.glob("*.md"), *files]):
        name = path.relative_to(ROOT).as_posix()
        # The test of the scan holds refused words as samples.
        if name == "tests/system/test_prose.py":
            continue
        places += places_in(name, path.read_text(encoding="utf-8"))
    return tuple(places)


def refused(rule: Rule, places: Iterable[Place]) -> list[Place]:
    """The places that hold the word where it is not allowed."""
    return [place for place in places if rule.refuses(place) and not rule.allows(place)]


def lower_case_starts(places: Iterable[Place]) -> list[Place]:
    """Docstrings, comments of more than one word and screen texts whose first sentence begins with a small letter.

    A text that begins with code, a number or a name that is written small is left alone.
    """
    small = frozenset(tomllib.loads(LIST.read_text(encoding="utf-8"))["written_small"]["names"])
    return [
        place
        for place in places
        if place.kind in ("docstring", "comment", "screen")
        and re.match(r"[a-z]", place.text.lstrip())
        and " " in place.text.strip()
        and not _is_code(place.text.split()[0])
        and place.text.split()[0].strip(".,:;").removesuffix("'s") not in small
    ]


def _is_code(word: str) -> bool:
    return re.search(r"[_()\[\]=/0-9]|[a-z]\.[a-z]|[a-z][A-Z]", word) is not None


LEFT = Path(__file__).parents[1] / "system" / "prose_left.toml"
CAPITAL = "small letter at the start"


def hits() -> dict[str, list[Place]]:
    """Every refused place of the project, by the word of its rule."""
    places = project_places()
    return {**{rule.word: refused(rule, places) for rule in rules()}, CAPITAL: lower_case_starts(places)}


def by_room(found: Mapping[str, Iterable[Place]]) -> dict[str, dict[str, int]]:
    """The number of refused places in each room, by word."""
    counts: dict[str, Counter[str]] = {}
    for word, group in found.items():
        for place in group:
            counts.setdefault(place.room, Counter())[word] += 1
    return {room: dict(sorted(counts[room].items())) for room in sorted(counts)}


def main(order: str) -> None:
    """Print the refused places by room; `--all` each of them; `--record` writes what is left to `prose_left.toml`."""
    found = hits()
    counts = by_room(found)
    if order == "--record":
        head = LEFT.read_text(encoding="utf-8").split("\n[", 1)[0].rstrip() if LEFT.exists() else ""
        LEFT.write_text(f"{head}\n\n{tomli_w.dumps(counts)}".lstrip(), encoding="utf-8")
        return
    for room, words in sorted(counts.items(), key=lambda item: -sum(item[1].values())):
        shown = ", ".join(f"{word} {count}" for word, count in Counter(words).most_common(8))
        sys.stdout.write(f"{sum(words.values()):5} {room}: {shown}\n")
    if order == "--all":
        for word, group in found.items():
            for place in group:
                text = " ".join(place.text.split())[:90]
                sys.stdout.write(f"{place.file}:{place.line}: {word}: {place.kind}: {text}\n")


if __name__ == "__main__":
    main(sys.argv[1] if len(sys.argv) > 1 else "")
