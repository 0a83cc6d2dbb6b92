"""A scorecard as CSV: a row a stream."""

from __future__ import annotations

from dashboard.text.csv_cells import csv_text
from ingest.documents.scorecard import CardStream, Scorecard

__all__ = ["COLUMNS", "as_csv", "stream_row"]

COLUMNS = (
    "supplier", "product", "characteristic", "quarter", "unit", "lots", "readings", "pass", "fail", "undecided", "invalid",
    "unlimited", "set_aside", "retested", "level", "level_low", "level_high", "level_lots", "earlier_level",
    "earlier_level_low", "earlier_level_high", "earlier_lots", "change", "change_low", "change_high", "change_in",
    "direction", "limit_lower", "limit_upper", "limit_side", "room", "room_low", "room_high", "earlier_room",
    "earlier_room_low", "earlier_room_high", "room_in", "lot_spread",
    "lot_spread_low", "lot_spread_high", "earlier_lot_spread", "earlier_lot_spread_low", "earlier_lot_spread_high", "bag_spread", "bag_spread_low", "bag_spread_high",
    "earlier_bag_spread", "earlier_bag_spread_low", "earlier_bag_spread_high", "reading_spread", "reading_spread_low", "reading_spread_high", "earlier_reading_spread", "earlier_reading_spread_low", "earlier_reading_spread_high",
    "spread_in", "ppk", "ppk_lower", "ppk_upper", "ppk_why", "level_now", "change_percent_per_month", "breach_probability",
    "forecast_as_of", "state", "alerts", "lasting", "explained_by_bench", "notices", "notices_open", "mean_days_to_answer", "actions_worked",
    "open_lots", "earlier_open_lots",
)  # fmt: skip


def as_csv(card: Scorecard) -> bytes:
    """A row a stream; levels and limits in the unit that the row names."""
    return csv_text(COLUMNS, (stream_row(row, card) for row in card["streams"])).encode()


def stream_row(row: CardStream, card: Scorecard) -> list[object]:
    """The cells under `COLUMNS`."""
    values: dict[str, object] = {**row, "quarter": card["quarter"]}
    return [values[name] for name in COLUMNS]
