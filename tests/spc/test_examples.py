"""Every public function of the statistics has an example that runs; a library module that nothing reaches says so on top."""

import ast
import importlib
import inspect
import pkgutil
from pathlib import Path

import spc

ROOT = Path(spc.__file__).parents[1]


def public_functions():
    """Name and docstring of each function in the `__all__` of the module that defines it."""
    for found in pkgutil.walk_packages(spc.__path__, "spc."):
        module = importlib.import_module(found.name)
        for name in getattr(module, "__all__", ()):
            plain = inspect.unwrap(getattr(module, name))
            if inspect.isfunction(plain) and plain.__module__ == found.name:
                yield f"{found.name}.{name}", inspect.getdoc(plain) or ""


def test_every_public_function_has_an_example():
    functions = dict(public_functions())
    assert len(functions) > 200
    assert [name for name, text in functions.items() if ">>>" not in text] == []


def reached():
    """Modules that the rooms of the store import, directly or through other modules."""
    paths = {
        ".".join(path.relative_to(ROOT).with_suffix("").parts): path
        for package in ("spc", "ingest", "dashboard")
        for path in (ROOT / package).rglob("*.py")
    }
    wanted = [name for name in paths if not name.startswith("spc.")]
    seen = set(wanted)
    while wanted:
        for node in ast.walk(ast.parse(paths[wanted.pop()].read_text("utf-8"))):
            names = []
            if isinstance(node, ast.ImportFrom) and node.module:
                names = [node.module, f"{node.module}.__init__", *(f"{node.module}.{one.name}" for one in node.names)]
            elif isinstance(node, ast.Import):
                names = [one.name for one in node.names]
            new = {name for name in names if name in paths} - seen
            seen |= new
            wanted += new
    return seen


def test_a_module_that_no_round_and_no_page_reaches_says_that_it_is_library():
    seen = reached()
    modules = [one.name for one in pkgutil.walk_packages(spc.__path__, "spc.") if not one.ispkg]
    says = {
        name
        for name in modules
        if "Library only: no command or page uses this module yet."
        in (inspect.getdoc(importlib.import_module(name)) or "")
    }
    assert says == set(modules) - seen
