"""Self-contained HTML pages: one file with its style, no script and no outside reference.

Pages are Jinja templates with autoescape, so a name from a file is text wherever it stands. Control characters in names are
replaced as well.
"""

from __future__ import annotations

import re
from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from dashboard.paper.palette import DARK, LIGHT
from dashboard.text.formatting import day
from dashboard.text.no_break import unbroken
from ingest.common.text import printable

__all__ = ["render", "render_paper"]

TAG = re.compile(r"(<[^>]*>)")
# Elements whose text is no prose.
AS_WRITTEN = ("style", "svg", "code", "pre")


def render(template: str, **values: object) -> str:
    """Return the page of a template, named by its path in `dashboard/`."""
    return _environment().get_template(template).render(values)


def render_paper(template: str, **values: object) -> str:
    """The same for a page that is only read: its quantities do not break across lines.

    Values in the attributes of a page stay as they are, so that a form would send back what it was given.
    """
    parts, left_alone = TAG.split(render(template, **values)), ""
    for place, part in enumerate(parts):
        if part.startswith("<"):
            name = part.strip("</> ").partition(" ")[0]
            left_alone = name if name in AS_WRITTEN and not part.startswith("</") else left_alone * (name != left_alone)
        elif not left_alone:
            parts[place] = unbroken(part)
    return "".join(parts)


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
