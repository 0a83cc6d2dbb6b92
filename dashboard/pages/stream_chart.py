"""What a stream's picture shows, as it stands in the address.

So far back from the last lot, or between two days; and whether the second look at the declared humidity stands beside.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import Any
from urllib.parse import urlencode

from dash import dcc, html

from dashboard.components.entry_form import field
from dashboard.components.html_parts import filter_links
from ingest.common.errors import CallError
from ingest.common.instants import checked_day

__all__ = ["Asked", "choices", "looks", "matters", "span", "told_adjusted"]

Document = Any

SPANS = {"all": None, "two years": 730, "one year": 365, "half a year": 183}


@dataclass(frozen=True, slots=True)
class Asked:
    """What the address of a stream's page asks for: the stream by `names`, a usual span, two days, the second look."""

    names: dict[str, str]
    show: str = "all"
    since: str = ""
    until: str = ""
    beside: str = ""

    def address(self, **other: str) -> str:
        """The same page with other answers; "" leaves one out."""
        own = {"show": self.show, "since": self.since, "until": self.until, "beside": self.beside, **other}
        return f"/stream?{urlencode({**self.names, **{name: value for name, value in own.items() if value}})}"


def choices(asked: Asked) -> list[Any]:
    """Links to the usual spans, and a plain form for two days of one's own."""
    by_days = bool(asked.since or asked.until)
    chosen = "" if by_days else asked.show if asked.show in SPANS else "all"
    links = ((name, asked.address(show=name, since="", until=""), name == chosen) for name in SPANS)
    kept = {**asked.names, **({"beside": asked.beside} if asked.beside else {})}
    form = html.Form(
        [
            *[dcc.Input(type="hidden", name=name, value=value) for name, value in kept.items()],
            field("first day", "since", asked.since, placeholder="2026-03-18"),
            field("last day", "until", asked.until, placeholder="2026-09-30"),
            html.Button("Show", type="submit"),
        ],
        method="get",
        action="/stream",
        className="choose",
    )
    return [filter_links(links, "Time shown"), html.Details([html.Summary("Between two days"), form], open=by_days)]


def matters(document: Document) -> bool:
    """Whether humidity within its tolerance moves the stream plainly enough for a second look."""
    found = document.get("humidity")
    return bool(found and found["matters"])


def told_adjusted(document: Document) -> str:
    """The humidity of the second look in words."""
    return f"at {document['humidity']['adjusted_to']:g} % RH"


def looks(asked: Asked, document: Document) -> list[html.Component]:
    """Links to the levels as measured, and to those with the second look beside them; none where humidity matters not."""
    if not matters(document):
        return []
    beside = f"beside them what they would be {told_adjusted(document)}"
    links = [
        ("levels as measured", asked.address(beside=""), not asked.beside),
        (beside, asked.address(beside="humidity"), bool(asked.beside)),
    ]
    return [filter_links(links, "Levels shown")]


def span(asked: Asked, document: Document) -> tuple[str, str] | None:
    """The first and last moment shown, with a little air, up to the end of the outlook where no last day is asked for.

    Raises
    ------
    CallError
        Where a day can't be read, or the first does not come before the last.
    """
    if not document["points"]:
        return None
    first, last = (datetime.fromisoformat(document["points"][place]["tested_at"]) for place in (0, -1))
    days = SPANS.get(asked.show)
    begin = _moment(asked.since, last) if asked.since else first if days is None else last - timedelta(days=days)
    end = _moment(asked.until, last) + timedelta(days=1) if asked.until else _end(document, last)
    if end <= begin:
        raise CallError(f"stream: the first day shown, {begin:%Y-%m-%d}, has to come before the last, {end:%Y-%m-%d}")
    air = (end - begin) / 40
    return (begin - air).isoformat(), (end + air).isoformat()


def _end(document: Document, last: datetime) -> datetime:
    """The end of the outlook; without one a day after the last lot."""
    fan = document["forecast"]["fan"] if document["forecast"] else []
    return datetime.fromisoformat(fan[-1]["tested_at"]) if fan else last + timedelta(days=1)


def _moment(text: str, like: datetime) -> datetime:
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise CallError(f'stream: "{text}" is not a day; write it as 2026-03-18') from error
    return datetime.combine(checked_day("stream", day), time(), like.tzinfo)
