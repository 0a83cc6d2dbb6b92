"""The words at the right end of the lines of a chart: each beside its line, moved apart where lines lie close together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from dashboard.charts.plotly_axes import Figure

__all__ = ["END_ROOM", "EndLabel", "add_end_labels"]

# Pixels to the right of the lines, and from one label to the next.
END_ROOM = 104
LABEL_HEIGHT = 15
# Pixels from the lines to their words, and of a letter at most: a power of ten that is cut reads as another one.
SHIFT, LETTER, STRONG_LETTER = 7, 5.5, 5.8


@dataclass(frozen=True, slots=True)
class EndLabel:
    """The words at the end of a line at `level`, in the unit; `strong` ones are what a reader looks for first."""

    level: float
    text: str
    strong: bool = False


def add_end_labels(figure: Figure, labels: Sequence[EndLabel], axis: str = "y") -> None:
    """Write the labels beside the right edge of an axis whose range is set already; labels outside it stay at its edge.

    The room beside the lines becomes as wide as the longest label needs.
    """
    layout = figure["layout"]
    needed = [SHIFT + len(one.text) * (STRONG_LETTER if one.strong else LETTER) for one in labels]
    layout["margin"]["r"] = math.ceil(max([layout["margin"]["r"], *needed]))
    scale = layout["yaxis" if axis == "y" else f"yaxis{axis[1:]}"]
    margin = layout["margin"]
    low, high = scale["range"]
    share = scale["domain"][1] - scale["domain"][0]
    pixels = share * (layout["height"] - margin["t"] - margin["b"]) / ((high - low) or 1.0)
    places = []
    for label in labels:
        is_log = scale.get("type") == "log"
        charted = math.log10(label.level) if is_log and label.level > 0 else low if is_log else label.level
        places.append((min(max(charted, low), high), label))
    places.sort(key=lambda place: place[0])
    wanted = [(charted - low) * pixels for charted, _ in places]
    for (charted, label), at, moved in zip(places, wanted, _apart(wanted, (high - low) * pixels), strict=True):
        layout["annotations"].append(
            {
                "x": 1, "xref": "x domain", "xanchor": "left", "xshift": SHIFT, "y": charted, "yref": axis, "yanchor": "middle",
                "yshift": round(moved - at, 1), "text": f"<b>{label.text}</b>" if label.strong else label.text,
                "showarrow": False, "font": {"size": 12},
            }
        )  # fmt: skip


def _apart(wanted: Sequence[float], height: float) -> list[float]:
    """Places from bottom to top, at least a label apart, as near to the wanted ones as a walk up and a walk down bring them."""
    places = list(wanted)
    for number in range(1, len(places)):
        places[number] = max(places[number], places[number - 1] + LABEL_HEIGHT)
    ceiling = height + LABEL_HEIGHT / 2
    for number in reversed(range(len(places))):
        places[number] = min(places[number], ceiling)
        ceiling = places[number] - LABEL_HEIGHT
    return places
