"""A scorecard as one HTML file: no script, no outside reference, and it prints as it stands."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import Any

from dashboard.charts.sparkline import as_image_address
from dashboard.scorecard import wording
from dashboard.scorecard.svg_chart import chart, score_bar
from dashboard.text.formatting import day

__all__ = ["as_html", "overview_as_html"]

Document = Any

STYLE = """
body{font:15px/1.5 Georgia,"Libertinus Serif",serif;color:#1d2730;background:#fff;max-width:62rem;margin:2rem auto;padding:0 1rem}
h1{font-size:1.8rem;margin:.2rem 0}h2{font-size:1.2rem;margin:1.8rem 0 .6rem}h3{font-size:1rem;margin:0 0 .4rem}
.quiet,small,footer,dt,th{color:#566472}.counts{display:flex;flex-wrap:wrap;gap:.4rem 2rem;padding:.6rem 0;margin:1rem 0;
border-top:1px solid #dcd9d0;border-bottom:1px solid #dcd9d0}.counts b{display:block;font-size:1.5rem;font-weight:400}
section.stream{display:grid;grid-template-columns:minmax(0,24rem) minmax(16rem,1fr);gap:.4rem 1.5rem;margin:1.2rem 0;break-inside:avoid}
section.stream h3{grid-column:1/-1}section.stream img{width:100%}
dl{display:grid;grid-template-columns:8rem 1fr;gap:.15rem .6rem;margin:0;font-size:.85rem;align-content:start}dd{margin:0}
table{border-collapse:collapse;width:100%;font-size:.85rem}th,td{padding:.35rem .5rem;border-bottom:1px solid #dcd9d0;text-align:left}
th{font-weight:400;vertical-align:bottom}.n{text-align:right}.scroll{overflow-x:auto}footer{font-size:.8rem;margin-top:2rem}
@media(max-width:46rem){section.stream{grid-template-columns:1fr}}
@media print{body{margin:0;max-width:none;font-size:10pt}a{color:inherit}}
"""
OVERVIEW_HEADS = (
    "supplier", "place", "score", "", "lots", "conform", "fail", "undecided", "not valid", "nearer the limit",
    "farther",
)  # fmt: skip


def as_html(card: Document) -> bytes:
    """The page of one supplier."""
    counts = [(card["counts"][key], words) for key, words in wording.COUNTS]
    standing = card["standing"]
    body = [
        f"<p>{escape(wording.summary(card))}</p><div class=counts>",
        *[f"<span><b>{number}</b>{escape(words)}</span>" for number, words in counts],
        f"</div><p>Share of conforming lots: {escape(wording.share(standing))}. Score: "
        f"{escape(wording.score(standing))}. Place: {escape(wording.place(standing))}.</p>",
        _table(("part of the score", *wording.part_heads()), _part_rows(card, [("counted", standing)])),
        "<h2>Streams</h2>",
        *[_stream(row, card) for row in card["streams"]],
        "<p class=quiet>A disc is a lot that conforms, a filled diamond one that fails, an open diamond one undecided, an "
        "open square one that does not count. The line is the quarter's mean, the band its 95 % interval.</p>",
        "<h2>What stood out</h2>",
        _alerts(card["alerts"]),
        f"<h2>Notices to the supplier</h2><p>{escape(wording.notices(card['notices']))}</p>",
        f"<ul>{_items(wording.notice_lines(card['notices']))}</ul>",
    ]
    return _page(card, card["supplier"], body)


def _stream(row: Document, card: Document) -> str:
    title = escape(wording.stream_title(row), quote=True)
    facts = "".join(f"<dt>{escape(name)}</dt><dd>{escape(figure)}</dd>" for name, figure in wording.facts(row, card))
    picture = as_image_address(chart(row, card))
    return f'<section class=stream><h3>{title}</h3><img alt="{title}" src="{picture}"><dl>{facts}</dl></section>'


def _alerts(alerts: Sequence[Document]) -> str:
    if not alerts:
        return "<p>Nothing.</p>"
    items = [
        f"<li>{escape(day(alert['raised_at']))}: {escape(alert['message'])} "
        f"<small>{'explained by the bench' if alert['held_under'] else escape(alert['state'])}</small></li>"
        for alert in alerts
    ]
    return f"<ul>{''.join(items)}</ul>"


def _part_rows(document: Document, standings: Sequence[tuple[str, Document]]) -> list[list[str]]:
    """The weights of the score's parts, then how each supplier stands in them."""
    rows = [["weight", *wording.weight_cells(document)]]
    rows += [[name, *wording.part_cells(standing)] for name, standing in standings]
    return [[escape(cell) for cell in row] for row in rows]


def overview_as_html(overview: Document) -> bytes:
    """The page over all suppliers."""
    lowest = wording.lowest_score(overview)
    talk = [
        f"<h3>{escape(row['supplier'])}</h3><ul>{_items(wording.reasons(row['reasons']))}</ul>"
        for row in overview["rows"]
        if row["reasons"]
    ]
    body = [
        f"<p>{escape(wording.chance_moves(overview))}</p>",
        _table(OVERVIEW_HEADS, [_overview_row(row, lowest) for row in overview["rows"]]),
        "<h2>What the score is made of</h2>",
        _table(("supplier", *wording.part_heads(), "notices"), _overview_parts(overview)),
        "<h2>Whom to talk to, and about what</h2>",
        *(talk or ["<p>Nobody: no lot failed, and no level moved nearer its limit.</p>"]),
        "<h2>Who moved</h2>",
        _table(("supplier", "stream", "which way", "change"), [_moved(row) for row in overview["moved"]])
        if overview["moved"]
        else "<p>No level moved clearly.</p>",
    ]
    return _page(overview, "All suppliers", body)


def _overview_parts(overview: Document) -> list[list[str]]:
    rows = _part_rows(overview, [(row["supplier"], row["standing"]) for row in overview["rows"]])
    asked = ["", *(escape(wording.notices(row["notices"])) for row in overview["rows"])]
    return [[*row, cell] for row, cell in zip(rows, asked, strict=True)]


def _overview_row(row: Document, lowest: float) -> list[str]:
    standing, counts = row["standing"], row["counts"]
    bar = f'<img alt="" src="{as_image_address(score_bar(standing, lowest))}">' if standing["placed"] else ""
    numbers = [counts[key] for key in ("lots", "pass", "fail", "undecided", "invalid")] + [row["nearer"], row["away"]]
    words = [row["supplier"], wording.place(standing), wording.score(standing)]
    return [*(escape(word) for word in words), bar, *(str(number) for number in numbers)]


def _moved(row: Document) -> list[str]:
    return [escape(cell) for cell in (row["supplier"], wording.stream_title(row), *wording.move(row))]


def _table(heads: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """A table of cells that are markup already."""
    head = "".join(f"<th scope=col>{escape(name)}</th>" for name in heads)
    lines = "".join(f"<tr>{''.join(f'<td>{cell}</td>' for cell in row)}</tr>" for row in rows)
    return f"<div class=scroll><table><thead><tr>{head}</tr></thead><tbody>{lines}</tbody></table></div>"


def _items(lines: Iterable[str]) -> str:
    return "".join(f"<li>{escape(line)}</li>" for line in lines)


def _page(document: Document, title: str, body: Sequence[str]) -> bytes:
    page = (
        "<!doctype html><html lang=en><head><meta charset=utf-8><meta name=viewport content='width=device-width'>"
        f"<title>{escape(title)}, {document['quarter']}</title><style>{STYLE}</style></head><body>"
        f"<p class=quiet>{escape(document['lab'])}. Scorecard {document['quarter']}, {day(document['first_day'])} to "
        f"{day(document['last_day'])}.</p><h1>{escape(title)}</h1>{''.join(body)}<footer><h2>What counts, and how</h2>"
        f"<ul>{_items(wording.what_counts(document))}</ul><p><strong>{escape(wording.CAUTION)}</strong></p>"
        f"<p>{escape(wording.drawn_up(document))}</p></footer></body></html>"
    )
    return page.encode()
