"""How long the browser takes to draw a page after the server's answer, beside the least: the same elements as one text.

    PYTHONPATH=.:tests python tests/bench/bench_drawing.py [LAB] [ROUNDS]

Each page is opened from page Find without loading anything again. The time runs from the server's answer until its first
heading stands and the browser has laid the page out; figures come later. The floor is the time in which the browser makes
and lays out the same elements from one text of HTML. Without LAB a demo lab is made.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Page
from support.browser import LOTS, PAGES, served, started
from support.demolab import demo_lab

# The page from which the others are opened.
START = PAGES["find"]
TIMED = {name: where for name, where in {**PAGES, **LOTS}.items() if where != START}
OPEN = """where => new Promise(done => {
  const main = document.getElementById("page");
  const before = main.firstElementChild;
  const fetched = window.fetch;
  let answered = 0;
  window.fetch = function () {
    return fetched.apply(this, arguments).then(answer => { answered = performance.now(); return answer; });
  };
  const look = () => {
    if (main.firstElementChild === before || !main.querySelector("h1")) return requestAnimationFrame(look);
    main.getBoundingClientRect();
    window.fetch = fetched;
    done(performance.now() - answered);
  };
  window.history.pushState({}, "", where);
  window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  requestAnimationFrame(look);
})"""
FLOOR = """() => {
  const text = document.getElementById("page").innerHTML;
  const begun = performance.now();
  const place = document.createElement("main");
  place.innerHTML = text;
  document.body.append(place);
  place.getBoundingClientRect();
  const taken = performance.now() - begun;
  place.remove();
  return taken;
}"""


def timed(page: Page, where: str, rounds: int) -> tuple[float, float, int]:
    """Medians of the page and of its floor in milliseconds, and how many elements it has."""
    drawn, floor = [], []
    for _ in range(rounds):
        page.evaluate(OPEN, START)
        drawn.append(page.evaluate(OPEN, where))
        floor.append(page.evaluate(FLOOR))
    elements = page.evaluate("document.querySelectorAll('#page *').length")
    return statistics.median(drawn), statistics.median(floor), elements


def main() -> None:
    with tempfile.TemporaryDirectory() as made:
        folder = Path(sys.argv[1]) if len(sys.argv) > 1 else demo_lab(Path(made))
        rounds = int(sys.argv[2]) if len(sys.argv) > 2 else 7
        with served(folder) as address, started() as browser:
            page = browser.new_page(viewport={"width": 1440, "height": 900})
            page.goto(address + LOTS["lot with captures"])
            page.locator("#page .figure .main-svg").first.wait_for()  # The library of the figures is loaded.
            for name, where in TIMED.items():
                drawn, floor, elements = timed(page, where, rounds)
                print(f"{name}: {elements} elements, {drawn:.0f} ms, {drawn / floor:.1f} x the floor of {floor:.1f} ms")


if __name__ == "__main__":
    main()
