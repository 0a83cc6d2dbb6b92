"""The notice to a supplier as PDF."""

from __future__ import annotations

from dashboard.notice import wording
from dashboard.notice.svg_chart import chart
from dashboard.paper import typeset
from dashboard.text.formatting import day
from ingest.documents.notice import NoticeDocument

__all__ = ["as_pdf"]

# More lots than fit the second page: the newest are listed, the rest counted.
MOST_LISTED = 34


def as_pdf(notice: NoticeDocument) -> bytes:
    """The paper of one notice."""
    rows, title = wording.lot_rows(notice), wording.title(notice)
    data = {
        "lab": notice["lab"],
        "document_title": f"Notice to {notice['supplier']}: {title}",
        "heading": f"Notice of {day(notice['drawn_up_at'])}",
        "foot_left": f"Data as of {day(notice['drawn_up_at'])}. Alert {notice['alert']}.",
        "foot_right": f"Notice to {notice['supplier']}",
        "supplier": notice["supplier"],
        "title": title,
        "headline": wording.headline(notice),
        "answer": wording.answer(notice),
        "changed": wording.changed(notice),
        "measured": wording.measured(notice),
        "chart": chart(notice, title),
        "legend": wording.legend(notice),
        "rows": rows[-MOST_LISTED:],
        "earlier": max(len(rows) - MOST_LISTED, 0),
        "validity": wording.validity(notice),
        "agreement": wording.AGREEMENT,
        "retests": wording.retests(notice),
        "bench": wording.bench(notice),
        "requests": wording.requests(notice),
        "restrictions": wording.restrictions(notice),
    }
    return typeset.as_pdf("dashboard.notice", "notice.typ", data, notice["drawn_up_at"])
