"""Counts the source of a commit: files a folder, imports between folders, helpers called once, `Any`, string keys, lines.

    PYTHONPATH=tests python -m support.counts [COMMIT ...]

Each commit is a column; without one, the working tree is counted. The table stands in tests/bench/RESULTS.md.
"""

from __future__ import annotations

import ast
import io
import subprocess
import sys
import tarfile
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

PACKAGES = ("spc", "ingest", "dashboard")
HERE = Path(__file__).parents[2]
# What reads rows of the database: here a cell has any type. The second line names the files of 0.4.0.
STORE = ("ingest/store/",)
STORE_FILES = ("ingest/store.py", "ingest/schema.py", "ingest/migrations.py", "ingest/server.py", "ingest/dialect.py")


@dataclass(frozen=True)
class Module:
    """One file of source: its path, its parsed text and its number of lines."""

    path: str
    tree: ast.Module
    lines: int

    @property
    def name(self) -> str:
        return self.path.removesuffix(".py").removesuffix("/__init__").replace("/", ".")


def modules(root: Path) -> list[Module]:
    """Every file of the three packages."""
    found = []
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*.py")):
            text = path.read_text("utf-8")
            found.append(Module(path.relative_to(root).as_posix(), ast.parse(text), text.count("\n")))
    return found


def room(path: str) -> str:
    """The room of a file: a folder of a package with its subfolders, or the package itself."""
    return "/".join(path.split("/")[:-1][:2])


def imported(module: Module, names: set[str]) -> Iterator[str]:
    """The modules of ours that a module imports, also inside functions."""
    for node in ast.walk(module.tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield from (one for one in (whole if whole in names else node.module,) if one in names)
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names if alias.name in names)


def floors(edges: set[tuple[str, str]]) -> tuple[int, int]:
    """The longest chain of imports, a circle counted as one step, and the nodes that stand in a circle."""
    nodes = sorted({end for edge in edges for end in edge})
    reach = {node: {b for a, b in edges if a == node} for node in nodes}
    for middle in nodes:
        for node in nodes:
            if middle in reach[node]:
                reach[node] |= reach[middle]
    circle = {node: frozenset({node} | {one for one in reach[node] if node in reach[one]}) for node in nodes}
    height: dict[frozenset[str], int] = {}

    def high(group: frozenset[str]) -> int:
        if group not in height:
            below = {circle[b] for a, b in edges if a in group} - {group}
            height[group] = 1 + max((high(one) for one in below), default=0)
        return height[group]

    return max(high(circle[node]) for node in nodes), sum(node in reach[node] for node in nodes)


def once_called(module: Module) -> int:
    """Private functions of a module that are named once beside their definition, and not by a decorator."""
    named = Counter(node.id for node in ast.walk(module.tree) if isinstance(node, ast.Name))
    named.update(node.attr for node in ast.walk(module.tree) if isinstance(node, ast.Attribute))
    private = [node for node in ast.walk(module.tree) if isinstance(node, ast.FunctionDef) and node.name[:1] == "_"]
    return sum(named[node.name] == 1 for node in private if node.name[:2] != "__" and not node.decorator_list)


def subscripts(module: Module) -> int:
    """Accesses by a string key, as in `row["lot"]`."""
    return sum(
        isinstance(node, ast.Subscript) and isinstance(node.slice, ast.Constant) and isinstance(node.slice.value, str)
        for node in ast.walk(module.tree)
    )


def uses_of_any(module: Module) -> int:
    """Each `Any` in an annotation or a cast."""
    return sum(isinstance(node, ast.Name) and node.id == "Any" for node in ast.walk(module.tree))


def is_above_store(path: str) -> bool:
    return not path.startswith(("spc/", *STORE)) and path not in STORE_FILES


def figures(root: Path) -> dict[str, str]:
    """The counts of one tree, by their name."""
    found = modules(root)
    names = {module.name for module in found}
    edges = {(module.name, other) for module in found for other in imported(module, names) if other != module.name}
    room_of = {module.name: room(module.path) for module in found}
    arrows = {(room_of[a], room_of[b]) for a, b in edges if room_of[a] != room_of[b]}
    in_folder = Counter(module.path.rpartition("/")[0] for module in found if not module.path.endswith("__init__.py"))
    lengths = [node.end_lineno - node.lineno + 1 for module in found for node in ast.walk(module.tree)
               if isinstance(node, ast.FunctionDef) and node.end_lineno]  # fmt: skip
    tests = [path.read_text("utf-8").count("\n") for path in (root / "tests").rglob("*.py")]
    many = {folder: count for folder, count in in_folder.items() if count > 15}
    module_floors, module_circles = floors(edges)
    room_floors, room_circles = floors(arrows)
    longest = in_folder.most_common(1)[0]
    return {
        "files of source": f"{len(found):,}",
        "folders": f"{len(in_folder)}",
        "rooms": f"{len(set(room_of.values()))}",
        "files in the fullest folder": f"{longest[1]} ({longest[0]})",
        "folders with more than 15 files": f"{len(many)}",
        "imports between files": f"{len(edges):,}",
        "files in a circle of imports": f"{module_circles}",
        "longest chain of imports, files": f"{module_floors}",
        "arrows between rooms": f"{len(arrows)}",
        "rooms in a circle of imports": f"{room_circles}",
        "floors (longest chain of rooms)": f"{room_floors}",
        "functions": f"{len(lengths):,}",
        "private functions with one call site": f"{sum(map(once_called, found)):,}",
        "`Any` above the store": f"{sum(uses_of_any(one) for one in found if is_above_store(one.path))}",
        "`Any` in the store": f"{sum(uses_of_any(one) for one in found if not is_above_store(one.path))}",
        "accesses by a string key": f"{sum(map(subscripts, found)):,}",
        "lines of source": f"{sum(module.lines for module in found):,}",
        "lines of tests": f"{sum(tests):,}",
    }


def at_commit(commit: str) -> dict[str, str]:
    """The counts of a commit, from its archive."""
    packed = subprocess.run(
        ["git", "archive", commit, *PACKAGES, "tests"], cwd=HERE, check=True, capture_output=True
    ).stdout
    with tempfile.TemporaryDirectory() as place:
        with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
            archive.extractall(place, filter="data")
        return figures(Path(place))


def main(commits: list[str]) -> None:
    columns = {commit: at_commit(commit) for commit in commits} if commits else {"working tree": figures(HERE)}
    lines = [f"| count | {' | '.join(columns)} |", f"| --- |{' --- |' * len(columns)}"]
    lines += [
        f"| {name} | {' | '.join(column[name] for column in columns.values())} |"
        for name in next(iter(columns.values()))
    ]
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main(sys.argv[1:])
