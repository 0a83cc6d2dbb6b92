"""The notice to a supplier as PDF: set by typst with the fonts that it brings.

Names from files reach the paper as data and are never markup. The time in the file is that of the store's last round.
"""

from __future__ import annotations

import json
from datetime import datetime
from importlib.resources import files
from typing import Any

from dashboard.notice import wording
from dashboard.notice.svg_chart import chart
from dashboard.text.formatting import day
from ingest.quarter.notices import ANSWER_DAYS

__all__ = ["as_pdf"]

Document = Any

# More lots than fit the second page: the newest are listed, the rest counted.
MOST_LISTED = 34


def as_pdf(notice: Document) -> bytes:
    """The paper of one notice."""
    import typst

    rows = wording.lot_rows(notice)
    data = {
        "lab": notice["lab"],
        "supplier": notice["supplier"],
        "title": wording.title(notice),
        "headline": wording.headline(notice),
        "alert": notice["alert"],
        "drawn_up": f"Drawn up from the store as of {day(notice['drawn_up_at'])}.",
        "day": day(notice["drawn_up_at"]),
        "measured": wording.measured(notice),
        "moved": wording.moved(notice),
        "chart": chart(notice, wording.title(notice)),
        "legend": wording.legend(notice),
        "answer": f"We ask for an answer within {ANSWER_DAYS} days of receipt: see “What we ask”.",
        "validity": wording.validity(notice),
        "rows": rows[-MOST_LISTED:],
        "earlier": max(len(rows) - MOST_LISTED, 0),
        "asked": list(wording.ASKED),
        "written": wording.WRITTEN,
        "not_said": list(wording.NOT_SAID),
    }
    return bytes(
        typst.compile(
            files("dashboard.notice").joinpath("notice.typ").read_bytes(),
            sys_inputs={"data": json.dumps(data)},
            ignore_system_fonts=True,
            timestamp=datetime.fromisoformat(notice["drawn_up_at"]).replace(microsecond=0),
        )
    )
