"""One palette: the style sheet of the dashboard repeats it, and no other file names a colour."""

from __future__ import annotations

import re
from dataclasses import asdict
from importlib.resources import files
from itertools import chain
from pathlib import Path

import pytest

from dashboard.paper import palette
from dashboard.paper.palette import DARK, FIGURE, LIGHT

DASHBOARD = Path(str(files("dashboard")))
HEX = re.compile(r"#[0-9a-fA-F]{6}\b")


def rules(css: str) -> dict[str, str]:
    return dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6})", css))


def test_the_style_sheet_of_the_dashboard_has_the_colours_of_the_palette() -> None:
    light, _, dark = (
        (DASHBOARD / "assets" / "lotdrift.css").read_text().partition("@media screen and (prefers-color-scheme: dark)")
    )

    for css, scheme in ((light, LIGHT), (dark.partition("\n}\n")[0], DARK)):
        assert {name: rules(css)[name] for name in asdict(scheme)} == asdict(scheme)
    assert {name: rules(light)[f"fig-{name}"] for name in asdict(FIGURE)} == asdict(FIGURE)


def test_colours_are_named_in_the_palette_and_in_the_style_sheet_alone() -> None:
    sources = chain.from_iterable(DASHBOARD.rglob(f"*.{kind}") for kind in ("py", "typ", "html", "css"))
    named = {path.name for path in sources if HEX.search(path.read_text(encoding="utf-8"))}

    assert named == {"palette.py", "lotdrift.css"}


def luminance(colour: str) -> float:
    # WCAG 2.2, relative luminance; from memory.
    parts = [part / 255 for part in bytes.fromhex(colour[1:])]
    red, green, blue = (part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize("scheme", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_marks_stand_out_from_their_ground(scheme: palette.Scheme) -> None:
    # WCAG 2.2, success criteria 1.4.3 (text, 4.5:1) and 1.4.11 (graphics, 3:1).
    for name in ("ink", "quiet", "accent", "act", "look", "steady", "bench"):
        assert contrast(getattr(scheme, name), scheme.sheet) >= 4.5, name
    for name, colour in asdict(FIGURE).items():
        assert contrast(colour, scheme.sheet) >= 3, name
