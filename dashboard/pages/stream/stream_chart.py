"""The view of a stream's chart, as the address says: the time shown, and levels adjusted to the declared humidity."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from dash import html

from dashboard.charts.limit_lines import end_of
from dashboard.charts.thinning import thinned
from dashboard.components.entry_form import field, hidden_field
from dashboard.components.html_parts import filter_links
from dashboard.text.urls import STREAM, with_query
from ingest.common.errors import CallError
from ingest.common.instants import checked_day
from ingest.documents.stream import Point, StreamDocument

__all__ = ["ChartView", "adjusted_words", "choices", "humidity_matters", "points_between", "span"]

SPANS = {"all": None, "two years": 730, "one year": 365, "half a year": 183}


@dataclass(frozen=True, slots=True)
class ChartView:
    """The view that an address asks for: the stream by `names`, a usual span or two dates, adjusted levels."""

    names: dict[str, str]
    show: str = "all"
    since: str = ""
    until: str = ""
    beside: str = ""

    def address(self, **other: str) -> str:
        """The same page with other values; "" leaves one out."""
        view = {"show": self.show, "since": self.since, "until": self.until, "beside": self.beside}
        return with_query(STREAM, {**self.names, **view, **other})


def choices(view: ChartView, document: StreamDocument) -> list[object]:
    """Links to the usual spans, a form for custom dates, and links to adjusted levels where humidity matters."""
    custom = bool(view.since or view.until)
    chosen = "" if custom else view.show if view.show in SPANS else "all"
    links = ((name, view.address(show=name, since="", until=""), name == chosen) for name in SPANS)
    kept = {**view.names, **({"beside": view.beside} if view.beside else {})}
    form = html.Form(
        [
            *[hidden_field(name, value) for name, value in kept.items()],
            field("first day", "since", view.since, placeholder="2026-03-18"),
            field("last day", "until", view.until, placeholder="2026-09-30"),
            html.Button("Show", type="submit"),
        ],
        method="get",
        action=STREAM,
        className="choose",
    )
    parts: list[object] = [
        filter_links(links, "Time shown"),
        html.Details([html.Summary("Custom dates"), form], open=custom),
    ]
    if humidity_matters(document):
        adjusted = f"with levels {adjusted_words(document)} beside them"
        levels = [
            ("levels as measured", view.address(beside=""), not view.beside),
            (adjusted, view.address(beside="humidity"), bool(view.beside)),
        ]
        parts.append(filter_links(levels, "Levels shown"))
    return parts


def humidity_matters(document: StreamDocument) -> bool:
    """Whether humidity within its tolerance has a clear effect on the stream."""
    effect = document.get("humidity")
    return bool(effect and effect["matters"])


def adjusted_words(document: StreamDocument) -> str:
    """The humidity to which levels are adjusted, in words; empty where its effect is not known."""
    effect = document["humidity"]
    return f"at {effect['adjusted_to']:g} % RH" if effect else ""


def span(view: ChartView, document: StreamDocument) -> tuple[str, str] | None:
    """The first and last moment shown, with a margin; without a last day up to the end of the forecast.

    Raises
    ------
    CallError
        If a day can't be read, or the first day is not before the last.
    """
    if not document["points"]:
        return None
    first, last = (datetime.fromisoformat(document["points"][place]["tested_at"]) for place in (0, -1))
    days = SPANS.get(view.show)
    begin = _moment(view.since, last) if view.since else first if days is None else last - timedelta(days=days)
    if view.until:
        end = _moment(view.until, last) + timedelta(days=1)
    else:
        shown = begin.isoformat(), last.isoformat()
        end = max(datetime.fromisoformat(end_of(document, shown)), last + timedelta(days=1))
    if end <= begin:
        raise CallError(f"stream: the first day, {begin:%Y-%m-%d}, must be before the last, {end:%Y-%m-%d}")
    margin = (end - begin) / 40
    return (begin - margin).isoformat(), (end + margin).isoformat()


def points_between(document: StreamDocument, shown: tuple[str, str] | None) -> list[Point]:
    """The points in the time shown and the neighbour at each end, of which a long history keeps every peak."""
    points = document["points"]
    if shown is not None:
        times = [point["tested_at"] for point in points]
        first, last = bisect_left(times, shown[0]), bisect_right(times, shown[1])
        points = points[max(0, first - 1) : last + 1]
    return thinned(points)


def _moment(text: str, like: datetime) -> datetime:
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise CallError(f'stream: "{text}" is not a day; write it as 2026-03-18') from error
    return datetime.combine(checked_day("stream", day), time(), like.tzinfo)
