"""The colours of every page, chart, paper and mail. `assets/lotdrift.css` repeats them; a test keeps the two equal."""

from __future__ import annotations

from dataclasses import asdict, dataclass

__all__ = ["DARK", "FIGURE", "LIGHT", "Figures", "Scheme", "as_data"]


@dataclass(frozen=True, slots=True)
class Scheme:
    """The colours of text and marks on one ground.

    `accent` marks levels and links, `act` limits and failures, `look` what needs a look, `steady` what passes.
    """

    sheet: str
    ink: str
    quiet: str
    hair: str
    accent: str
    act: str
    look: str
    steady: str


@dataclass(frozen=True, slots=True)
class Figures:
    """The colours of the interactive figures: each has a contrast of 3:1 against the light and the dark ground."""

    accent: str
    edge: str
    grey: str
    warm: str


LIGHT = Scheme(
    sheet="#ffffff", ink="#1d2730", quiet="#566472", hair="#dcd9d0", accent="#1f4e79", act="#9b2c1f", look="#7a5200",
    steady="#2c6349",
)  # fmt: skip
DARK = Scheme(
    sheet="#1b2229", ink="#e6e9ec", quiet="#a7b3be", hair="#34404a", accent="#8fc1ef", act="#f0917f", look="#e6bd66",
    steady="#86c7a4",
)  # fmt: skip
FIGURE = Figures(accent="#3f7fb5", edge="#c9543c", grey="#7d8894", warm="#a8741c")


def as_data() -> dict[str, str]:
    """The colours of paper, as a typst template reads them."""
    return asdict(LIGHT)
