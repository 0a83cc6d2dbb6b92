"""Pictures of every page at the width of a laptop and of a phone, to be looked at.

    PYTHONPATH=tests python tests/support/pictures.py [FOLDER]

They go to build/pictures, the phone's and the laptop's in light and dark; the one in the README is `sample_feeds/board.png`.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Browser
from support.browser import PAGES, PLAIN_PAGES, WIDTHS, drawn, served, started
from support.demolab import demo_lab

ROOT = Path(__file__).parents[2]
# Beside the pages of the tests: lots and streams of other kinds.
MORE = {
    "stream-resistance": "/stream?supplier=Tarnwick&product=TW-Rose&characteristic=surface_resistance_inside",
    "stream-step": "/stream?supplier=Quillmere&product=QM-31&characteristic=shielding_energy",
    "lot-fail": "/lot?supplier=Umberfold&lot=UM08224",
    "lot-bags-outside": "/lot?supplier=Brackenfoil&lot=BF07191",
    "lot-humid": "/lot?supplier=Brackenfoil&lot=BF04200",
    "lot-captures": "/lot?supplier=Quillmere&lot=QM01408",
    "one-supplier": "/scorecards?quarter=2026-Q3&supplier=Quillmere",
}


def main(out: Path) -> None:
    """Serve the demo lab and photograph it."""
    out.mkdir(parents=True, exist_ok=True)
    with (
        tempfile.TemporaryDirectory() as folder,
        served(demo_lab(Path(folder))) as address,
        started() as browser,
    ):
        for scheme in ("light", "dark"):
            for width in WIDTHS:
                take(browser, address, out, scheme, width)
        take_board(browser, address)


def take(browser: Browser, address: str, out: Path, scheme: str, width: int) -> None:
    """One picture a page."""
    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
    for name, where in {**PAGES, **MORE, **PLAIN_PAGES}.items():
        page.goto(address + where)
        if name not in PLAIN_PAGES:
            drawn(page)
        page.screenshot(path=out / f"{name.replace(' ', '-')}-{width}-{scheme}.png", full_page=True)
    page.close()


def take_board(browser: Browser, address: str) -> None:
    """The first screen of the board, for the README."""
    page = browser.new_page(viewport={"width": 1280, "height": 860}, color_scheme="light")
    page.goto(address)
    drawn(page)
    page.screenshot(path=ROOT / "sample_feeds" / "board.png")
    page.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path("build/pictures"))
