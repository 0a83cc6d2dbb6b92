"""An event of a load: put in, moved or taken out, and where the record of it came from."""

from __future__ import annotations

from typing_extensions import TypedDict

from ingest.documents.fields import Moment

__all__ = ["LoadEvent"]


class LoadEvent(TypedDict):
    """A row of the record of loads.

    `event` is `in`, `moved`, `out` or `planned`; `planned_at` is the time for which the test is planned, null without a plan. `by_form` tells what a person entered on a page from the rows of files; `source` is the form or the file with its line. `key` names the row.
    """

    key: str
    at: Moment
    load: str
    event: str
    chamber: str
    supplier: str
    product: str
    lot: str
    specimens: str
    laid: str
    planned_at: Moment | None
    by_form: bool
    source: str
