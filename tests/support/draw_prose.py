"""Draws docstrings, comments and page strings at random, to be graded by hand.

    PYTHONPATH=tests python -m support.draw_prose SEED [COUNT]

28 of each by default. A page string is one of at least four words in the pages, their parts and their texts; the values that
are put in stand as {}. The grades of each draw stand in tests/bench/RESULTS.md.
"""

from __future__ import annotations

import ast
import random
import sys
from collections.abc import Iterator

from support.prose import ROOT, Place, places_in

__all__ = ["drawn"]

SOURCE = ("spc", "ingest", "dashboard")
SHOWN = ("dashboard/pages", "dashboard/components", "dashboard/text", "dashboard/scorecard", "dashboard/notice")


def drawn(seed: int, count: int) -> dict[str, list[Place]]:
    """So many places of each kind."""
    files = [path for folder in SOURCE for path in sorted((ROOT / folder).rglob("*.py"))]
    kinds: dict[str, list[Place]] = {"docstring": [], "comment": [], "page string": []}
    for path in files:
        name, text = path.relative_to(ROOT).as_posix(), path.read_text(encoding="utf-8")
        for place in places_in(name, text):
            if place.kind in kinds and len(place.text.split()) > 3:
                kinds[place.kind].append(place)
        if name.startswith(SHOWN):
            kinds["page string"] += page_strings(name, text)
    chance = random.Random(seed)
    return {kind: chance.sample(places, count) for kind, places in kinds.items()}


def page_strings(file: str, text: str) -> Iterator[Place]:
    """Strings of a file that are no docstring, a formatted one as a whole."""
    tree = ast.parse(text)
    skipped = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.JoinedStr):
            skipped |= {id(inner) for inner in ast.walk(node) if inner is not node}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.JoinedStr):
            shown = "".join(str(part.value) if isinstance(part, ast.Constant) else "{}" for part in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            shown = node.value
        else:
            continue
        if len(shown.split()) > 3:
            yield Place(file, node.lineno, "page string", shown)


def main(seed: int, count: int) -> None:
    """Print the draw, the first paragraph of a docstring."""
    for kind, places in drawn(seed, count).items():
        sys.stdout.write(f"\n{kind}\n")
        for place in places:
            said = " ".join(place.text.strip().split("\n\n")[0].split())
            sys.stdout.write(f"  {place.file}:{place.line}: {said}\n")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 28)
