"""The colours of every page, chart, paper and mail. `assets/lotdrift.css` repeats them; a test keeps the two equal."""

from __future__ import annotations

from dataclasses import asdict, dataclass

__all__ = ["DARK", "FIGURE", "LIGHT", "Figures", "Scheme", "as_data"]


@dataclass(frozen=True, slots=True)
class Scheme:
    """The colours of text and marks on one ground.

    `accent` marks levels and links, `act` limits and failures, `look` what needs a look, `steady` what passes, `bench` what
    concerns our tester, meter or chamber.
    """

    sheet: str
    ink: str
    quiet: str
    hair: str
    accent: str
    act: str
    look: str
    steady: str
    bench: str


@dataclass(frozen=True, slots=True)
class Figures:
    """The colours of the interactive figures: each has a contrast of 3:1 against the light and the dark ground.

    `warm` marks what concerns our bench. The style sheet draws `limit` in ink, which no single colour does on both grounds.
    """

    accent: str
    edge: str
    grey: str
    warm: str
    limit: str


LIGHT = Scheme(
    sheet="#ffffff", ink="#16211f", quiet="#4c5b59", hair="#d3dad8", accent="#0c5566", act="#8c1230", look="#6f4e00",
    steady="#1d5f6b", bench="#54409b",
)  # fmt: skip
DARK = Scheme(
    sheet="#172124", ink="#e6edeb", quiet="#a6b6b3", hair="#2c3a3d", accent="#86d0dd", act="#ff8a80", look="#f2d681",
    steady="#8ccfd3", bench="#b3abff",
)  # fmt: skip
FIGURE = Figures(accent="#5c8796", edge="#cf4a63", grey="#7a8a87", warm="#8673d6", limit="#74827f")


def as_data() -> dict[str, str]:
    """The colours of paper, as a typst template reads them."""
    return asdict(LIGHT)
