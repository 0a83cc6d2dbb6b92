"""The words beside flagged lots cover neither lots nor each other."""

from __future__ import annotations

from itertools import pairwise

from dashboard.charts.flags import CHART_WIDTHS, LETTER, LINE, LabelPlace, Spot, label_places

WORDS = "MB-030 beyond three sigma, drift, nine on one side"
HEIGHT = 300.0


def box(spot: Spot, words: str, place: LabelPlace, width: int) -> tuple[float, float, float, float]:
    long = LETTER * len(words)
    left = spot.x * width - {"left": 0.0, "center": long / 2, "right": long}[place.side]
    return left, left + long, spot.y - place.below - LINE / 2, spot.y - place.below + LINE / 2


def test_words_stand_clear_of_all_lots_and_inside_the_chart() -> None:
    # A drift from the middle on: right above a lot there are the later ones.
    lots = [Spot(share / 50, 90 + (0 if share < 25 else 5 * (share - 25))) for share in range(50)]
    flagged = [(lots[27], WORDS), (lots[33], WORDS), (lots[44], WORDS)]

    places = label_places(flagged, lots, HEIGHT)

    for width in CHART_WIDTHS:
        boxes = [box(spot, words, place, width) for (spot, words), place in zip(flagged, places, strict=True)]
        for left, right, bottom, top in boxes:
            assert 0 <= left < right <= width
            assert 0 <= bottom < top <= HEIGHT
            assert not [lot for lot in lots if left < lot.x * width < right and bottom < lot.y < top]
        for one, other in pairwise(sorted(boxes, key=lambda each: each[2])):
            assert one[3] <= other[2] or one[1] <= other[0] or other[1] <= one[0]


def test_a_lot_alone_has_its_words_right_above_it() -> None:
    assert label_places([(Spot(0.1, 100.0), "L1 drift")], [Spot(0.1, 100.0)], HEIGHT) == [LabelPlace(-30, "left")]
    # At the top there is room below only, and at the right end the words end over the lot.
    assert label_places([(Spot(1.0, 295.0), "L1 drift")], [Spot(1.0, 295.0)], HEIGHT) == [LabelPlace(30, "right")]
