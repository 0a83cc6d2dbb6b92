"""Self-contained HTML pages: one file with its style, no script and no outside reference.

Pages are Jinja templates with autoescape, so a name from a file is text wherever it stands. Control characters in names are
replaced as well.
"""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from dashboard.paper.palette import DARK, LIGHT
from dashboard.text.formatting import day
from ingest.common.text import printable

__all__ = ["render"]


def render(template: str, **values: object) -> str:
    """Return the page of a template, named by its path in `dashboard/`."""
    return _environment().get_template(template).render(values)


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("dashboard", ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_without_controls,
    )
    environment.globals |= {"light": LIGHT, "dark": DARK}
    environment.filters["day"] = day
    return environment


def _without_controls(value: object) -> object:
    return printable(value) if isinstance(value, str) and not isinstance(value, Markup) else value
