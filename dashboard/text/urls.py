"""The addresses of all pages and files of the dashboard. Names travel as query values, so they stay text."""

from __future__ import annotations

from collections.abc import Mapping
from urllib.parse import urlencode

__all__ = [
    "ADD_FILE",
    "AGEING",
    "ALERTS",
    "ALIASES",
    "BAGS",
    "BENCH",
    "BOARD",
    "CASES",
    "COMPARE",
    "COMPARISON_FILE",
    "DIGEST",
    "EVIDENCE_FILE",
    "FIND",
    "GUIDE",
    "HISTORY",
    "HISTORY_FILE",
    "INSTRUMENTS",
    "LOADS",
    "LOT",
    "NOTICE_FILE",
    "READY",
    "REPORT_FILE",
    "RETESTS",
    "RULE",
    "SCORECARDS",
    "SCORECARD_FILE",
    "SHEET_FILE",
    "SHELF_LIST",
    "STOCK",
    "STOCK_FILE",
    "STREAM",
    "STREAM_FILE",
    "SUPPLIER",
    "WHAT_IF",
    "ageing_address",
    "alert_address",
    "bags_address",
    "case_address",
    "compare_address",
    "evidence_address",
    "lot_address",
    "notice_address",
    "on_dashboard",
    "report_address",
    "rule_address",
    "scorecard_address",
    "sheet_address",
    "stream_address",
    "stream_file_address",
    "with_query",
]

BOARD, ALERTS, STREAM, LOT, SUPPLIER = "/", "/alerts", "/stream", "/lot", "/supplier"
SCORECARDS, HISTORY, DIGEST, GUIDE = "/scorecards", "/history", "/digest", "/guide"
BENCH, RETESTS, CASES, FIND = "/bench", "/retest", "/cases", "/find"
ADD_FILE = "/add"
ALIASES = "/names"
RULE = "/rule"
READY, INSTRUMENTS, LOADS = "/ready", "/instruments", "/loads"
SCORECARD_FILE, EVIDENCE_FILE, NOTICE_FILE = "/scorecard-file", "/evidence-file", "/notice-file"
STREAM_FILE, HISTORY_FILE, SHEET_FILE = "/stream-file", "/history-file", "/sheet-file"
BAGS, COMPARE, WHAT_IF = "/bags", "/compare", "/what-if"
COMPARISON_FILE, REPORT_FILE = "/comparison-file", "/report-file"
STOCK, AGEING, STOCK_FILE, SHELF_LIST = "/stock", "/ageing", "/stock-file", "/shelf-list"


def with_query(path: str, query: Mapping[str, str | None]) -> str:
    """A path with those parts of the query that have a value."""
    values = {name: value for name, value in query.items() if value}
    # A name from a file may hold what UTF-8 can't write.
    return f"{path}?{urlencode(values, errors='replace')}" if values else path


def stream_address(supplier: str, product: str, characteristic: str) -> str:
    """The page of a stream."""
    return with_query(STREAM, {"supplier": supplier, "product": product, "characteristic": characteristic})


def ageing_address(product: str, characteristic: str) -> str:
    """The page on how a product ages."""
    return with_query(AGEING, {"product": product, "characteristic": characteristic})


def lot_address(supplier: str, lot: str) -> str:
    """The page of a lot."""
    return with_query(LOT, {"supplier": supplier, "lot": lot})


def bags_address(supplier: str = "", product: str = "", characteristic: str = "") -> str:
    """The page "How many bags", for a stream where one is named."""
    return with_query(BAGS, {"supplier": supplier, "product": product, "characteristic": characteristic})


def compare_address(path: str, query: Mapping[str, str | None]) -> str:
    """The page or the file of a comparison."""
    return with_query(path, query)


def report_address(supplier: str, lot: str, characteristic: str = "", number: str = "") -> str:
    """The file of a lot's test report: the issued one of this number, else a draft."""
    query = {"supplier": supplier, "lot": lot, "characteristic": characteristic, "number": number}
    return with_query(REPORT_FILE, query)


def alert_address(alert: str, most: str = "") -> str:
    """An alert on the page of alerts, whatever its state; with `most` as "all" among all there ever were."""
    return f"{with_query(ALERTS, {'show': 'all', 'most': most})}#alert-{alert}"


def case_address(case: str) -> str:
    """A case in full, by its id or that of one of its alerts."""
    return with_query(CASES, {"case": case})


def notice_address(alert: str) -> str:
    """The file of the notice about an alert."""
    return with_query(NOTICE_FILE, {"alert": alert})


def sheet_address(instrument: str, found_at: str) -> str:
    """The file of the sheet of an instrument that a calibration found off."""
    return with_query(SHEET_FILE, {"instrument": instrument, "found": found_at})


def stream_file_address(names: Mapping[str, str]) -> str:
    """The file with the figures of a stream, from its supplier, product and characteristic."""
    return with_query(STREAM_FILE, names)


def scorecard_address(quarter: str, supplier: str, form: str) -> str:
    """The file of a supplier's scorecard, or of that of all suppliers where `supplier` is empty."""
    return with_query(SCORECARD_FILE, {"quarter": quarter, "supplier": supplier, "form": form})


def evidence_address(*, supplier: str = "", lot: str = "", quarter: str = "") -> str:
    """The file of the evidence bundle of a lot (supplier, lot) or of a quarter (quarter, with or without a supplier)."""
    return with_query(EVIDENCE_FILE, {"supplier": supplier, "lot": lot, "quarter": quarter})


def on_dashboard(dashboard: str | None, path: str) -> str:
    """Where a reader of a mail sees a page: its address, or the command that serves the dashboard."""
    return f"{dashboard.rstrip('/')}{path}" if dashboard else "lotdrift serve"


def rule_address(characteristic: str, **query: str) -> str:
    """The page of the decision rules of a characteristic, or with a change in `query` its preview."""
    return with_query(RULE, {"characteristic": characteristic, **query})
