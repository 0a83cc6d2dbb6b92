"""The tables of the store and the meaning of their rows.

Times are integers of UTC microseconds. Values are in the unit that `lab.toml` declares for their characteristic. Entries by
people are kept in `act` only and are never changed; sessions, points and alerts can be derived again.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    UniqueConstraint,
)
from sqlalchemy import Text as AnyText

__all__ = [
    "SCHEMA_VERSION",
    "account",
    "act",
    "alert",
    "bench_part",
    "calibration",
    "capture",
    "capture_match",
    "captured_lot",
    "case_alert",
    "chamber_state",
    "climate",
    "conformity",
    "delivery",
    "drawn_quarter",
    "drop",
    "earlier_calibration",
    "earlier_capture",
    "earlier_climate",
    "earlier_count",
    "earlier_event",
    "earlier_value",
    "evaluation",
    "film_age",
    "label",
    "load_event",
    "lot",
    "lot_source",
    "mark",
    "meta",
    "metadata",
    "neighbour",
    "own_score",
    "point",
    "reading",
    "refusal",
    "retest",
    "round_",
    "search_name",
    "session",
    "session_chamber",
    "session_instrument",
    "shelf_lot",
    "sister",
    "stale_capture",
    "stale_climate",
    "stale_instrument",
    "stale_load",
    "stale_lot",
    "stale_stock",
    "stock_count",
    "stream",
    "watched",
]

# A higher number needs a step in `ingest/store/migrations.py`.
SCHEMA_VERSION = 7

# Both databases sort texts by code point; row numbers may exceed 32 bits.
Text = AnyText().with_variant(AnyText(collation="C"), "postgresql")
Number = BigInteger().with_variant(Integer, "sqlite")

metadata = MetaData()

meta = Table("meta", metadata, Column("key", Text, primary_key=True), Column("value", Text, nullable=False))

# One row for each file that was read. The same digest again is `seen`; `run` prints the counts. `settled` is 0 from the
# commit of the rows until the report is written and the file archived.
drop = Table(
    "drop",
    metadata,
    Column("id", Number, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("name", Text, nullable=False),
    Column("folder", Text, nullable=False),
    Column("digest", LargeBinary, nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("modified_ns", BigInteger, nullable=False),
    Column("taken_us", BigInteger, nullable=False),
    Column("state", Text, nullable=False),
    Column("reason", Text, nullable=False, server_default=""),
    Column("stored", Integer, nullable=False, server_default="0"),
    Column("duplicate", Integer, nullable=False, server_default="0"),
    Column("corrected", Integer, nullable=False, server_default="0"),
    Column("refused", Integer, nullable=False, server_default="0"),
    # The header of the file, as a JSON list, for the report of its refused rows.
    Column("header", Text, nullable=False, server_default="[]"),
    Column("put_as", Text, nullable=False, server_default=""),
    Column("settled", SmallInteger, nullable=False, server_default="0"),
    Index("drop_by_digest", "digest"),
    Index("drop_by_name", "name"),
    Index("drop_unsettled", "settled"),
)

stream = Table(
    "stream",
    metadata,
    Column("id", Number, primary_key=True),
    Column("supplier", Text, nullable=False),
    Column("product", Text, nullable=False),
    Column("characteristic", Text, nullable=False),
    # 1 if sessions changed since the last evaluation.
    Column("stale", SmallInteger, nullable=False, server_default="1"),
    UniqueConstraint("supplier", "product", "characteristic"),
)

lot = Table(
    "lot",
    metadata,
    Column("id", Number, primary_key=True),
    Column("supplier", Text, nullable=False),
    Column("product", Text, nullable=False),
    Column("lot", Text, nullable=False),
    Column("received_on", Text, nullable=False, server_default=""),
    Column("made_on", Text, nullable=False, server_default=""),
    UniqueConstraint("supplier", "product", "lot"),
)

# The names of chambers, instruments, operators, loads and storages.
label = Table(
    "label",
    metadata,
    Column("id", Number, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("text", Text, nullable=False),
    UniqueConstraint("kind", "text"),
)

# Stored in the order of its key, so that the readings of a lot are adjacent and no second index is needed.
reading = Table(
    "reading",
    metadata,
    Column("stream_id", Number, ForeignKey("stream.id"), primary_key=True),
    Column("lot_id", Number, ForeignKey("lot.id"), primary_key=True),
    Column("tested_us", BigInteger, primary_key=True),
    Column("specimen", BigInteger, primary_key=True),
    Column("reading", BigInteger, primary_key=True),
    Column("value", Float, nullable=False),
    Column("bound", SmallInteger, nullable=False),
    Column("written", Text, nullable=False),
    Column("chamber_id", Number, nullable=False),
    Column("instrument_id", Number, nullable=False),
    Column("operator_id", Number, nullable=False),
    Column("load_id", Number, nullable=False),
    Column("drop_id", Number, ForeignKey("drop.id"), nullable=False),
    Column("line", Integer, nullable=False),
    Column("notes", Text, nullable=False, server_default=""),
    sqlite_with_rowid=False,
)

# Readings before a correction.
earlier_value = Table(
    "earlier_value",
    metadata,
    Column("id", Number, primary_key=True),
    Column("stream_id", Number, nullable=False),
    Column("lot_id", Number, nullable=False),
    Column("tested_us", BigInteger, nullable=False),
    Column("specimen", BigInteger, nullable=False),
    Column("reading", BigInteger, nullable=False),
    Column("value", Float, nullable=False),
    Column("bound", SmallInteger, nullable=False),
    Column("written", Text, nullable=False),
    Column("drop_id", Number, nullable=False),
    Column("line", Integer, nullable=False),
    Column("replaced_by_drop_id", Number, nullable=False),
    Column("replaced_us", BigInteger, nullable=False),
    Index("earlier_value_by_lot", "stream_id", "lot_id"),
)

refusal = Table(
    "refusal",
    metadata,
    Column("id", Number, primary_key=True),
    Column("drop_id", Number, ForeignKey("drop.id"), nullable=False),
    Column("line", Integer, nullable=False),
    Column("reason", Text, nullable=False),
    # The cells of the row, unchanged, as a JSON list.
    Column("cells", Text, nullable=False),
    Index("refusal_by_drop", "drop_id"),
)

climate = Table(
    "climate",
    metadata,
    Column("chamber_id", Number, ForeignKey("label.id"), primary_key=True),
    Column("logged_us", BigInteger, primary_key=True),
    Column("humidity_percent", Float, nullable=False),
    Column("temperature_c", Float, nullable=False),
    Column("drop_id", Number, nullable=False),
    Column("line", Integer, nullable=False),
    sqlite_with_rowid=False,
)

# Log entries before a correction.
earlier_climate = Table(
    "earlier_climate",
    metadata,
    Column("id", Number, primary_key=True),
    Column("chamber_id", Number, nullable=False),
    Column("logged_us", BigInteger, nullable=False),
    Column("humidity_percent", Float, nullable=False),
    Column("temperature_c", Float, nullable=False),
    Column("drop_id", Number, nullable=False),
    Column("line", Integer, nullable=False),
    Column("replaced_by_drop_id", Number, nullable=False),
    Column("replaced_us", BigInteger, nullable=False),
    Index("earlier_climate_by_time", "chamber_id", "logged_us"),
)

# One row for each count of a lot on a day in a storage. `is_counted` is 0 where the file gives no quantity. The rows of the
# latest day hold; a lot with quantity 0 is gone.
# What went into which chamber when, and out. A row without a lot (`lot_id` 0) is about the whole load. `event` and `laid` are places in
# `ingest.parsing.rows.load_rows`. `planned_us` is the time for which its test is planned, 0 without a plan.
load_event = Table(
    "load_event",
    metadata,
    Column("load_id", Number, primary_key=True),
    Column("at_us", BigInteger, primary_key=True),
    Column("event", BigInteger, primary_key=True),
    Column("lot_id", Number, primary_key=True),
    Column("chamber_id", Number, nullable=False),
    Column("laid", SmallInteger, nullable=False),
    Column("specimens", Text, nullable=False, server_default=""),
    Column("drop_id", Number, nullable=False),
    Column("line", Integer, nullable=False),
    Column("planned_us", BigInteger, nullable=False, server_default="0"),
    Index("load_event_by_lot", "lot_id"),
    Index("load_event_by_time", "at_us"),
    sqlite_with_rowid=False,
)

# Events of loads before a correction.
earlier_event = Table(
    "earlier_event",
    metadata,
    Column("id", Number, primary_key=True),
    Column("load_id", Number, nullable=False),
    Column("at_us", BigInteger, nullable=False),
    Column("event", BigInteger, nullable=False),
    Column("lot_id", Number, nullable=False),
    Column("chamber_id", Number, nullable=False),
    Column("laid", SmallInteger, nullable=False),
    Column("drop_id", Number, nullable=False),
    Column("line", Integer, nullable=False),
    Column("replaced_by_drop_id", Number, nullable=False),
    Column("replaced_us", BigInteger, nullable=False),
    Column("specimens", Text, nullable=False, server_default=""),
    Column("planned_us", BigInteger, nullable=False, server_default="0"),
)

# Loads with new events: their sessions are judged again.
stale_load = Table("stale_load", metadata, Column("load_id", Number, primary_key=True), sqlite_with_rowid=False)

# Calibrations of instruments: deviations and expanded uncertainty in percent, as texts, "" where not written.
calibration = Table(
    "calibration",
    metadata,
    Column("instrument_id", Number, primary_key=True),
    Column("done_us", BigInteger, primary_key=True),
    *[Column(name, Text, nullable=False) for name in ("due_on", "as_found", "as_left", "uncertainty", "certificate")],
    Column("drop_id", Number, nullable=False),
    Column("line", Integer, nullable=False),
    sqlite_with_rowid=False,
)

# Calibrations before a correction.
earlier_calibration = Table(
    "earlier_calibration",
    metadata,
    Column("id", Number, primary_key=True),
    Column("instrument_id", Number, nullable=False),
    Column("done_us", BigInteger, nullable=False),
    *[Column(name, Text, nullable=False) for name in ("due_on", "as_found", "as_left", "uncertainty", "certificate")],
    Column("drop_id", Number, nullable=False),
    Column("line", Integer, nullable=False),
    Column("replaced_by_drop_id", Number, nullable=False),
    Column("replaced_us", BigInteger, nullable=False),
)

# Instruments with new calibrations: the bench state of their sessions is derived again.
stale_instrument = Table(
    "stale_instrument", metadata, Column("instrument_id", Number, primary_key=True), sqlite_with_rowid=False
)

# The lots that captures name, which need not be tested yet.
captured_lot = Table(
    "captured_lot",
    metadata,
    Column("id", Number, primary_key=True),
    Column("supplier", Text, nullable=False),
    Column("lot", Text, nullable=False),
    UniqueConstraint("supplier", "lot"),
)

# The figures of each captured discharge (`ingest.parsing.rows.capture_rows`); its samples stay in the filed file. `day` is that of the test in days
# since 1970, -1 where the capture does not name it. `number` counts the captures of the file, `line` is that of the first sample. `digest`
# is that of the samples; `settings` are those that the figures were computed with.
capture = Table(
    "capture",
    metadata,
    Column("captured_lot_id", Number, primary_key=True),
    Column("day", BigInteger, primary_key=True),
    Column("specimen", BigInteger, primary_key=True),
    Column("reading", BigInteger, primary_key=True),
    Column("number", Integer, nullable=False),
    Column("line", Integer, nullable=False),
    Column("name", Text, nullable=False),
    Column("quantity", Text, nullable=False),
    Column("samples", Integer, nullable=False),
    Column("energy", Float),
    Column("bound", SmallInteger, nullable=False),
    *[Column(name, Float) for name in ("sd", "peak", "charge", "centroid", "rise", "decay")],
    *[Column(name, Text, nullable=False) for name in ("marks", "trace", "digest", "settings")],
    Column("drop_id", Number, nullable=False),
    Index("capture_by_drop", "drop_id"),
    sqlite_with_rowid=False,
)

# Captures before a correction.
earlier_capture = Table(
    "earlier_capture",
    metadata,
    Column("id", Number, primary_key=True),
    Column("captured_lot_id", Number, nullable=False),
    *[Column(name, BigInteger, nullable=False) for name in ("day", "specimen", "reading")],
    Column("energy", Float),
    Column("bound", SmallInteger, nullable=False),
    *[Column(name, Text, nullable=False) for name in ("digest", "settings")],
    Column("drop_id", Number, nullable=False),
    Column("line", Integer, nullable=False),
    Column("replaced_by_drop_id", Number, nullable=False),
    Column("replaced_us", BigInteger, nullable=False),
)

# Lots with new captures: their readings are looked for again.
stale_capture = Table(
    "stale_capture", metadata, Column("captured_lot_id", Number, primary_key=True), sqlite_with_rowid=False
)

# The reading of each capture; null where there is none. `fitting_readings` counts the readings that it may belong to: one, or it belongs to none.
# `log_ratio` is ln(recorded / recomputed), null where one of the two is a bound; `noise` its relative standard uncertainty.
capture_match = Table(
    "capture_match",
    metadata,
    Column("captured_lot_id", Number, primary_key=True),
    Column("day", BigInteger, primary_key=True),
    Column("specimen", BigInteger, primary_key=True),
    Column("reading", BigInteger, primary_key=True),
    Column("fitting_readings", Integer, nullable=False),
    Column("stream_id", Number),
    Column("lot_id", Number),
    Column("tested_us", BigInteger),
    Column("instrument_id", Number),
    Column("tested_day", BigInteger),
    Column("log_ratio", Float),
    Column("noise", Float),
    Index("capture_match_by_lot", "lot_id", "stream_id"),
    Index("capture_match_by_day", "instrument_id", "tested_day"),
    Index("capture_match_by_count", "fitting_readings"),
    sqlite_with_rowid=False,
)

stock_count = Table(
    "stock_count",
    metadata,
    Column("lot_id", Number, primary_key=True),
    Column("counted_day", BigInteger, primary_key=True),
    Column("storage_id", Number, primary_key=True),
    Column("quantity", Float, nullable=False),
    Column("is_counted", SmallInteger, nullable=False),
    Column("unit", Text, nullable=False),
    Column("opened_on", Text, nullable=False),
    Column("drop_id", Number, nullable=False),
    Column("line", Integer, nullable=False),
    Index("stock_count_by_day", "counted_day"),
    sqlite_with_rowid=False,
)

# Counts before a correction.
earlier_count = Table(
    "earlier_count",
    metadata,
    Column("id", Number, primary_key=True),
    Column("lot_id", Number, nullable=False),
    Column("counted_day", BigInteger, nullable=False),
    Column("storage_id", Number, nullable=False),
    Column("quantity", Float, nullable=False),
    Column("is_counted", SmallInteger, nullable=False),
    Column("unit", Text, nullable=False),
    Column("opened_on", Text, nullable=False),
    Column("drop_id", Number, nullable=False),
    Column("line", Integer, nullable=False),
    Column("replaced_by_drop_id", Number, nullable=False),
    Column("replaced_us", BigInteger, nullable=False),
    Index("earlier_count_by_lot", "lot_id"),
)

# Lots whose counts changed, for the round that derives the shelf.
stale_stock = Table("stale_stock", metadata, Column("lot_id", Number, primary_key=True), sqlite_with_rowid=False)

# How the lots of a stream age: the document of the film's page, and the law of the slopes for the chances by a day, as JSON.
film_age = Table(
    "film_age",
    metadata,
    Column("stream_id", Number, primary_key=True),
    Column("document", Text, nullable=False),
    Column("law", Text, nullable=False),
)

# One row for each lot on the shelf and characteristic. Days count from 1970, null where there is none: the last day to keep
# the lot, the day on which the mean line meets the limit, and the days on which the chance of being over it reaches 1 and
# 99 %. `is_open` is 1 for an opened package. `leads` is 1 for the characteristic with the earliest date of the lot; `level` and `tested_day` are those of the last
# valid test. `quantity` is null where nothing was counted.
shelf_lot = Table(
    "shelf_lot",
    metadata,
    Column("lot_id", Number, primary_key=True),
    Column("stream_id", Number, primary_key=True),
    Column("leads", SmallInteger, nullable=False),
    Column("is_open", SmallInteger, nullable=False),
    Column("word", Text, nullable=False),
    Column("keep_day", Integer),
    Column("expected_day", Integer),
    Column("first_day", Integer),
    Column("last_day", Integer),
    Column("tested_day", Integer),
    Column("level", Float),
    Column("quantity", Float),
    Column("unit", Text, nullable=False),
    Column("document", Text, nullable=False),
    Index("shelf_lot_by_date", "leads", "keep_day", "lot_id", "word"),
    Index("shelf_lot_by_chance", "leads", "first_day", "last_day"),
    Index("shelf_lot_by_word", "leads", "word"),
    Index("shelf_lot_by_stream", "stream_id"),
    sqlite_with_rowid=False,
)

# Lots whose readings changed and whose sessions must be summarised again. Written with the readings and deleted with the
# sessions, so that a killed round leaves the work recorded.
stale_lot = Table(
    "stale_lot",
    metadata,
    Column("stream_id", Number, primary_key=True),
    Column("lot_id", Number, primary_key=True),
    sqlite_with_rowid=False,
)

# Time spans with new climate entries: sessions that need them are judged again.
stale_climate = Table(
    "stale_climate",
    metadata,
    Column("id", Number, primary_key=True),
    Column("chamber_id", Number, nullable=False),
    Column("from_us", BigInteger, nullable=False),
    Column("to_us", BigInteger, nullable=False),
)

# One row for each session. The evaluation reads these and never the readings; the summary columns are those of
# spc.stream.session_summary.
session = Table(
    "session",
    metadata,
    Column("id", Number, primary_key=True),
    Column("stream_id", Number, ForeignKey("stream.id"), nullable=False),
    Column("lot_id", Number, ForeignKey("lot.id"), nullable=False),
    Column("started_us", BigInteger, nullable=False),
    Column("ended_us", BigInteger, nullable=False),
    Column("chamber_id", Number, nullable=False),
    Column("instrument_id", Number, nullable=False),
    Column("load_id", Number, nullable=False),
    *[Column(name, Integer, nullable=False) for name in ("bags", "readings", "below", "above", "reading_df")],
    *[
        Column(name, Float)
        for name in (
            "level",
            "level_low",
            "level_high",
            "bag_variance",
            "reading_variance",
            "readings_per_bag",
            "weighted_mean",
            "sum_squares_bags",
            "sum_squares_readings",
            "sum_squared_sizes",
            "smallest",
            "largest",
        )
    ],
    Column("smallest_bound", SmallInteger, nullable=False),
    Column("largest_bound", SmallInteger, nullable=False),
    Column("conditioning", Text, nullable=False),
    Column("hours", Float),
    Column("humidity_min", Float),
    Column("humidity_max", Float),
    Column("humidity_mean", Float),
    Column("excursion_us", BigInteger),
    # Set by the evaluation, in the unit of the characteristic: level, worst reading, the value compared with the limit, and
    # the verdict.
    Column("level_unit", Float),
    Column("worst", Float),
    Column("judged", Float),
    Column("verdict", Text),
    # Part of the summary: the certain bounds of the extremes where a bounded reading lies beyond them.
    Column("smallest_high", Float),
    Column("largest_low", Float),
    # Part of the judgement of the conditioning: whose hours were counted ("specimen" or "chamber"), when the load went in, and the door
    # openings that the rule allows.
    Column("clock", Text, nullable=False, server_default="chamber"),
    Column("loaded_us", BigInteger),
    Column("doors", Integer, nullable=False, server_default="0"),
    # State of the instrument that day (`ingest.sessions.bench_state`).
    Column("bench", Text, nullable=False, server_default="unchecked"),
    UniqueConstraint("stream_id", "lot_id", "started_us", "instrument_id"),
    Index("session_by_chamber", "chamber_id", "started_us"),
    Index("session_by_time", "started_us"),
    Index("session_by_load", "load_id"),
    Index("session_by_lot", "lot_id"),
    Index("session_by_instrument", "instrument_id", "started_us"),
)


def _used_by_session(kind: str) -> Table:
    return Table(
        f"session_{kind}",
        metadata,
        Column("session_id", Number, primary_key=True),
        Column(f"{kind}_id", Number, primary_key=True),
        Column("started_us", BigInteger, nullable=False),
        Column("ended_us", BigInteger, nullable=False),
        Index(f"session_{kind}_by_{kind}", f"{kind}_id", "started_us"),
        sqlite_with_rowid=False,
    )


# The chambers of a session that used several, with the times of their readings: each must show the conditioning. A session
# in one chamber has no row here.
session_chamber = _used_by_session("chamber")

# As above, of instruments: each must have been right. Readings of a check standard on several instruments are several sessions.
session_instrument = _used_by_session("instrument")

# One row for each point of a stream's chart, as evaluated.
point = Table(
    "point",
    metadata,
    Column("stream_id", Number, ForeignKey("stream.id"), primary_key=True),
    Column("session_id", Number, primary_key=True),
    Column("ordinal", Integer, nullable=False),
    Column("tested_us", BigInteger, nullable=False),
    Column("z", Float),
    Column("document", Text, nullable=False),
    Index("point_by_time", "tested_us"),
    sqlite_with_rowid=False,
)

# Reference scores: each lot standardised by the past of its stream. The search for shared shifts reads them. Later lots
# never change a row, so a round starts at the first new one.
own_score = Table(
    "own_score",
    metadata,
    Column("stream_id", Number, primary_key=True),
    Column("session_id", Number, primary_key=True),
    Column("tested_us", BigInteger, nullable=False),
    Column("score", Float, nullable=False),
    Column("sigma", Float, nullable=False),
    Index("own_score_by_time", "tested_us"),
    sqlite_with_rowid=False,
)

# One row for each stream: the documents of the board and of the stream's page, as JSON.
evaluation = Table(
    "evaluation",
    metadata,
    Column("stream_id", Number, ForeignKey("stream.id"), primary_key=True),
    Column("board", Text, nullable=False),
    Column("sketch", Text, nullable=False),
    Column("document", Text, nullable=False),
)

# Sessions with a suspected unit or typing error (spc.stream.unit_errors), derived by the evaluation. `settled` is empty,
# "stands" or "set aside", by the last entry of a person.
mark = Table(
    "mark",
    metadata,
    Column("session_id", Number, primary_key=True),
    Column("stream_id", Number, nullable=False),
    Column("share", Text, nullable=False),
    Column("slip", Text, nullable=False),
    Column("power", Integer, nullable=False),
    Column("low", Float, nullable=False),
    Column("high", Float, nullable=False),
    Column("settled", Text, nullable=False),
    Index("mark_by_stream", "stream_id"),
    sqlite_with_rowid=False,
)

# The detector state and the cached results of a stream, as JSON; results are keyed by the digest of their inputs.
watched = Table(
    "watched",
    metadata,
    Column("stream_id", Number, primary_key=True),
    Column("said", Text, nullable=False),
)

# Lag sums of a stream by quarter (spc.detection.pooled_prior): the number of pairs of lots one, two and three
# places apart, and the sum of their absolute differences on the charted scale.
neighbour = Table(
    "neighbour",
    metadata,
    Column("stream_id", Number, primary_key=True),
    Column("block", Integer, primary_key=True),
    *[Column(f"{name}_{apart}", Float, nullable=False) for name in ("pairs", "apart") for apart in (1, 2, 3)],
    sqlite_with_rowid=False,
)

# The pooled autocorrelation of a characteristic, as JSON: from which week on, the correlation, and its weight in lots.
sister = Table(
    "sister",
    metadata,
    Column("characteristic", Text, primary_key=True),
    Column("said", Text, nullable=False),
)

# The bench part of the uncertainty by characteristic, from the sessions of its conditioned check standards, as JSON: the
# streams, and from which session on which variance with which degrees of freedom.
bench_part = Table(
    "bench_part",
    metadata,
    Column("characteristic", Text, primary_key=True),
    Column("document", Text, nullable=False),
)

# One row for each session: uncertainty, chance of conformity and acceptance limits, as JSON; derived with the verdict.
conformity = Table(
    "conformity",
    metadata,
    Column("session_id", Number, primary_key=True),
    Column("stream_id", Number, nullable=False),
    Column("document", Text, nullable=False),
    Index("conformity_by_stream", "stream_id"),
    sqlite_with_rowid=False,
)

# Derived from the points; the responses of people are in `act`.
alert = Table(
    "alert",
    metadata,
    Column("id", Text, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("grade", Text, nullable=False),
    Column("stream_id", Number),
    Column("supplier", Text),
    Column("product", Text),
    Column("characteristic", Text),
    Column("lot", Text),
    Column("raised_us", BigInteger, nullable=False),
    Column("message", Text, nullable=False),
    Column("evidence", Text, nullable=False),
    Column("state", Text, nullable=False),
    # The shared-shift alert to which this one is attributed.
    Column("held_under", Text),
    Index("alert_by_stream", "stream_id"),
    Index("alert_by_state", "state"),
)

# The bags of each test against the limits of its day: how many are certainly outside, how many are open, the worst. Derived.
bag_count = Table(
    "bag_count",
    metadata,
    Column("session_id", Number, primary_key=True),
    Column("stream_id", Number, nullable=False),
    Column("limit_lower", Float),
    Column("limit_upper", Float),
    *[Column(name, Integer, nullable=False) for name in ("bags", "outside", "undecided")],
    Column("worst", Float),
    Column("worst_bound", SmallInteger, nullable=False),
    Index("bag_count_by_stream", "stream_id"),
)

# Tests of weeks in which a source on the bench was off, by finding: what it added to the level (in percent on a log scale,
# else in the unit), and the level in the unit with all findings taken out. Derived; kept also after the finding is closed.
bench_share = Table(
    "bench_share",
    metadata,
    Column("session_id", Number, primary_key=True),
    Column("alert", Text, primary_key=True),
    Column("stream_id", Number, nullable=False),
    Column("size", Float, nullable=False),
    Column("size_unit", Text, nullable=False),
    Column("level_without", Float),
    Index("bench_share_by_stream", "stream_id"),
    sqlite_with_rowid=False,
)

# The case of each alert, derived with the alerts of its stream: alerts whose time overlaps have one cause. The case is named
# after its first alert; what people entered about it is in `act`.
case_alert = Table(
    "case_alert",
    metadata,
    Column("alert", Text, primary_key=True),
    Column("case_id", Text, nullable=False),
    Column("stream_id", Number),
    Index("case_alert_by_case", "case_id"),
    Index("case_alert_by_stream", "stream_id"),
    sqlite_with_rowid=False,
)

# Lots to test again, derived with the evaluation of their stream. `since_us` is the first test that left the lot without a
# result that counts, `last_us` the newest one.
retest = Table(
    "retest",
    metadata,
    Column("stream_id", Number, primary_key=True),
    Column("lot_id", Number, primary_key=True),
    Column("session_id", Number, nullable=False),
    Column("reason", Text, nullable=False),
    Column("since_us", BigInteger, nullable=False),
    Column("last_us", BigInteger, nullable=False),
    Column("sessions", Integer, nullable=False),
    sqlite_with_rowid=False,
)

# The names that people search for: lots, products, suppliers, files and operators, folded for comparison; `words` is the name
# with those that belong to it. Added by the round for what is new.
search_name = Table(
    "search_name",
    metadata,
    Column("kind", Text, primary_key=True),
    Column("supplier", Text, primary_key=True),
    Column("product", Text, primary_key=True),
    Column("name", Text, primary_key=True),
    Column("source_id", Number, primary_key=True),
    Column("folded", Text, nullable=False),
    Column("words", Text, nullable=False),
    Index("search_name_by_folded", "folded"),
    sqlite_with_rowid=False,
)

# The lots of each file and of each operator: `kind` is file or operator, `source_id` the number of the drop or the label.
lot_source = Table(
    "lot_source",
    metadata,
    Column("kind", Text, primary_key=True),
    Column("source_id", Number, primary_key=True),
    Column("lot_id", Number, primary_key=True),
    sqlite_with_rowid=False,
)

# The last break of each chamber's log, derived by the round: state `valid` where the log shows none. `back_us` and
# `valid_from_us` are null while the chamber is still out of tolerance.
chamber_state = Table(
    "chamber_state",
    metadata,
    Column("chamber_id", Number, primary_key=True),
    Column("state", Text, nullable=False),
    Column("hours", Float, nullable=False),
    Column("last_us", BigInteger, nullable=False),
    Column("began_us", BigInteger),
    Column("back_us", BigInteger),
    Column("valid_from_us", BigInteger),
    sqlite_with_rowid=False,
)

# One row for each alert (or weekly summary) and each channel, from the round that first recorded it; never deleted once it
# may have been sent. State `claimed`: being sent, and perhaps sent. `message` is the id of the message.
delivery = Table(
    "delivery",
    metadata,
    Column("about", Text, primary_key=True),
    Column("channel", Text, primary_key=True),
    Column("state", Text, nullable=False),
    Column("message", Text),
    Column("noted_us", BigInteger, nullable=False),
    Column("tries", Integer, nullable=False, server_default="0"),
    Column("next_us", BigInteger, nullable=False, server_default="0"),
    Column("sent_us", BigInteger),
    Column("reason", Text, nullable=False, server_default=""),
    Index("delivery_by_state", "state"),
    sqlite_with_rowid=False,
)

# The audit log: who entered what, when, about which subject and why. Rows are added, never changed.
act = Table(
    "act",
    metadata,
    Column("id", Number, primary_key=True),
    Column("at_us", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("body", Text, nullable=False, server_default="{}"),
    # The alert as it was when the entry was made, as JSON; "" for other subjects. A case outlives its alerts by it.
    Column("about", Text, nullable=False, server_default=""),
    Index("act_by_subject", "subject"),
)

# One row for each finished quarter whose scorecards were issued, with the data at that time. Written once, never changed.
drawn_quarter = Table(
    "drawn_quarter",
    metadata,
    Column("quarter", Text, primary_key=True),
    Column("drawn_us", BigInteger, nullable=False),
    Column("digest", Text, nullable=False),
    Column("lots", Text, nullable=False),
)

round_ = Table(
    "round",
    metadata,
    Column("id", Number, primary_key=True),
    Column("started_us", BigInteger, nullable=False),
    Column("ended_us", BigInteger),
    Column("files", Integer, nullable=False, server_default="0"),
    Column("stored", Integer, nullable=False, server_default="0"),
    Column("refused", Integer, nullable=False, server_default="0"),
    Column("evaluated", Integer, nullable=False, server_default="0"),
    Column("raised", Integer, nullable=False, server_default="0"),
)

# The users of the dashboard. Closed accounts are kept, because the audit log names them.
account = Table(
    "account",
    metadata,
    Column("name", Text, primary_key=True),
    Column("role", Text, nullable=False),
    Column("hash", Text, nullable=False),
    Column("made_us", BigInteger, nullable=False),
    Column("closed_us", BigInteger),
)

# Foreign keys only document the SQLite schema: a server would check three for each of a million readings.
for _table in metadata.tables.values():
    for _reference in _table.foreign_key_constraints:
        _reference.ddl_if(dialect="sqlite")
