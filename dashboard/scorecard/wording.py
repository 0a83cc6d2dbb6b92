"""The figures of a scorecard in words, for the PDF, the HTML file, the workbook and the page."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Literal, TypedDict, cast

from dashboard.text.bench.bench_mark_text import as_read_and_without, faults
from dashboard.text.formatting import (
    amount,
    chance_text,
    characteristic,
    counted,
    day,
    digits_of,
    in_unit,
    listed,
    percent,
    room_to_limit,
    signed,
)
from dashboard.text.verdict.verdict_text import bags_text
from ingest.common.number_format import printed_unit
from ingest.documents.scorecard import (
    CardStream,
    NoticeCounts,
    NoticeList,
    Overview,
    OverviewRow,
    Reason,
    Scorecard,
    ScorePartName,
    StoppedProduct,
    SupplierStanding,
)
from ingest.quarter.notices import ANSWER_DAYS
from ingest.quarter.supplier_scores import FAR, SPARE, VERY_FAR
from spc.vocabulary.enums import Direction

__all__ = [
    "CAUTION",
    "CHART_LEGEND",
    "COUNTS",
    "NOBODY",
    "PARTS",
    "REASON_WORDS",
    "alert_lines",
    "bag_facts",
    "bench_marks",
    "chance_moves",
    "drawn_up",
    "events",
    "facts",
    "level_of",
    "lowest_score",
    "move",
    "notice_lines",
    "notices",
    "order",
    "overview_counts",
    "overview_heads",
    "part_cells",
    "part_heads",
    "place",
    "purchasing_line",
    "reasons",
    "score",
    "share",
    "stopped",
    "stream_summary",
    "stream_title",
    "summary",
    "weight_cells",
    "what_counts",
]

Format = Callable[[float], str]
CountName = Literal["lots", "pass", "fail", "undecided", "invalid", "unlimited", "set_aside", "retested"]


class HasStream(TypedDict):
    """Any document about a product and a characteristic."""

    product: str
    characteristic: str


CAUTION = (
    "This scorecard marks lots and does not release them. The people whom your procedure authorises decide, by the text of "
    "the standard and the edition you work to. A result applies to the humidity, face and bag size tested."
)
WHAT_COUNTS = (
    "A lot counts once, by its first valid test. Three kinds of tests are shown and count against nobody: tests without "
    "documented conditioning, lots whose alert a bench finding explains (set aside), and repeats of a lot that was judged "
    "before. Check standards are not counted. A lot that was tested while the bench was off and raised no alert counts as "
    "read; a mark states its level without the bench.",
    "The level is the mean of the lot means, geometric on a log scale, with a 95 % interval (Student). The change against the "
    "quarter before has Welch's interval. Lots are taken as independent.",
    "The estimate of the share of conforming lots lies between the supplier's own share and that of all suppliers of the "
    "quarter, nearer to its own the more lots it has (beta-binomial model, Gelman et al. 2013). Undecided lots are left out. "
    "Every lot has the same weight, whatever its size: common practice unless other weights are agreed.",
    "Places are ranges. Suppliers whose ranges overlap can't be told apart by their lots.",
)
# The parts of the score, each with its head in a table and its definition.
PARTS: dict[ScorePartName, tuple[str, str]] = {
    "conforming": ("conforming lots", "conforming lots, of those decided"),
    "drift": ("steady streams", "streams without a drift towards a limit or above-normal variation"),
    "room": (
        f"lots with {100 * SPARE:.0f} % margin",
        f"conforming lots with a margin of {100 * SPARE:.0f} % to the limit (the figure is common practice)",
    ),
    "response": (
        "answers in time",
        f"notices answered within {ANSWER_DAYS} days whose action has not failed; open ones count once they are older",
    ),
}
# Keys of the counts of lots, in the order in which they are given.
COUNTS: tuple[tuple[CountName, str], ...] = (
    ("lots", "lots tested"),
    ("pass", "conform"),
    ("fail", "fail"),
    ("undecided", "undecided"),
    ("invalid", "not valid"),
    ("unlimited", "no limit"),
    ("set_aside", "set aside"),
    ("retested", "repeats"),
)
CHART_LEGEND = (
    "In the charts a disc is a lot that conforms, a filled diamond one that fails, an open diamond one undecided, an open square "
    "one that does not count; a mark with a short line is the known end of a level that readings out of range leave open. The "
    "line is the mean of the quarter, the band its 95 % interval."
)
NOBODY = "None: no lot failed, and no level moved nearer its limit."
DIRECTIONS = {
    Direction.NEARER: "nearer the limit",
    Direction.AWAY: "farther from the limit",
    Direction.MOVED: "changed",
    Direction.UNCLEAR: "no clear change",
    Direction.NOT_COMPARED: "not compared",
}
# Of each kind of alert: one, and several.
EVENTS = {
    "limit": ("failed lot", "failed lots"),
    "point": ("outlier", "outliers"),
    "pattern": ("run pattern", "run patterns"),
    "drift": ("drift", "drifts"),
    "spread": ("lot with above-normal variation", "lots with above-normal variation"),
    "forecast": ("forecast of a failing lot", "forecasts of a failing lot"),
}


# One supplier


def summary(card: Scorecard) -> str:
    """The card in a sentence or two."""
    counts, streams = card["counts"], card["streams"]
    text = f"{counted(counts['lots'], 'lot')} tested in {counted(len(streams), 'stream')}: {counts['pass']} conform"
    text += f", {counts['fail']} fail" if counts["fail"] else ", none fails"
    others = [_count(counts[key], words) for key, words in COUNTS[3:] if counts[key]]
    text += f" ({', '.join(others)})." if others else "."
    text += stopped(card["stopped"])
    nearer, away = (
        sum(row["direction"] == direction for row in streams) for direction in (Direction.NEARER, Direction.AWAY)
    )
    if not (nearer or away):
        return text
    return (
        f"{text} Against {card['earlier_quarter']}, {counted(nearer, 'stream')} moved nearer the limit, {away} farther."
    )


def stopped(products: Sequence[StoppedProduct]) -> str:
    """The products of which no lot came any more; empty where there is none."""
    if not products:
        return ""
    last = [f"{one['product']} (last lot {one['last_lot']}, {day(one['last_tested_at'])})" for one in products]
    return f" No lot came of {listed(last)}."


def what_counts(document: Scorecard | Overview) -> list[str]:
    """How the figures are calculated, with the weights of the score in force."""
    weights = document["weights"]
    parts = [f"{_whole(weights[part])} % for {meaning}" for part, (_, meaning) in PARTS.items() if weights[part]]
    source = (
        "These weights are common practice where none are agreed; others are declared under [scorecard] in lab.toml."
        if weights["usual"]
        else "These weights are declared by the laboratory under [scorecard] in lab.toml."
    )
    by_size = (
        f"As the laboratory declares, a failing lot counts twice in the score from {FAR:g} times the limit or half of the bags "
        f"on, and three times from {VERY_FAR:g} times the limit on or with all bags outside."
    )
    return [
        *WHAT_COUNTS,
        *([by_size] if document["fails_by_size"] else []),
        f"The score, from 0 to 100, is the weighted mean of estimated shares: {'; '.join(parts)}. A part in which a supplier has "
        "nothing to count is left out of its score, and the other parts weigh the more: it neither helps nor costs. The weights "
        f"shown with a result are those applied. The place follows from the score and its uncertainty. {source}",
    ]


def score(standing: SupplierStanding) -> str:
    """The score with its interval."""
    if not standing["placed"]:
        return "–"
    return f"{_whole(standing['score'])} ({_whole(standing['score_low'])} to {_whole(standing['score_high'])})"


def part_heads() -> list[str]:
    """Heads of the parts of the score."""
    return [head for head, _ in PARTS.values()]


def weight_cells(document: Scorecard | Overview) -> list[str]:
    """The weight of each part as applied; a range where suppliers differ in what they have to count, words where it is left out."""
    if "standing" in document:
        standings = [cast("Scorecard", document)["standing"]]
    else:
        standings = [row["standing"] for row in document["rows"]]
    weights, cells = document["weights"], []
    for number, part in enumerate(PARTS):
        applied = [
            one["parts"][number]["weighs"] for one in standings if one["placed"] and one["parts"][number]["weighs"]
        ]
        if not applied:
            placed = any(one["placed"] for one in standings)
            cells.append("left out" if weights[part] and placed else f"{_whole(weights[part])} %")
            continue
        ends = list(dict.fromkeys(_whole(end) for end in (min(applied), max(applied))))
        cells.append(f"{' to '.join(ends)} %")
    return cells


def part_cells(standing: SupplierStanding) -> list[str]:
    """A supplier's result in each part: 8 of 9 (estimate 87 %), or a dash where the part is left out of its score.

    Lots are counted as lots: where a failing lot counts as more than one, the words say as how many.
    """
    cells, lots = [], next(part["decided"] for part in standing["parts"] if part["part"] == "room")
    for part in standing["parts"]:
        result = f"{part['good']} of {part['decided']}" if part["decided"] else "–"
        if part["part"] == "conforming" and part["decided"] > lots:
            failing = counted(lots - part["good"], "failing lot")
            result = f"{part['good']} of {lots}, {failing} counted as {part['decided'] - part['good']}"
        cells.append(result if part["share"] is None else f"{result} (estimate {percent(part['share'])})")
    return cells


def place(standing: SupplierStanding) -> str:
    """The place by the score as a range: "1 to 3 of 9, tied"; words where there is none."""
    first, last, placed = standing["place_first"], standing["place_last"], standing["placed"]
    if first is None or last is None:
        return "nothing to weigh" if standing["decided"] else "no decided lot"
    if first == last:
        return f"{first} of {placed}"
    return (
        f"not ranked (any place of {placed})" if last - first == placed - 1 else f"{first} to {last} of {placed}, tied"
    )


def share(standing: SupplierStanding) -> str:
    """The estimated share of conforming lots with its interval."""
    if not standing["placed"]:
        return "–"
    return f"{percent(standing['share'])} ({_whole(standing['share_low'])} to {_whole(standing['share_high'])} %)"


def _whole(value: float | None) -> str:
    return "–" if value is None else f"{100 * value:.0f}"


def drawn_up(card: Scorecard | Overview) -> str:
    """The date of the data, and the changes since the quarter ended."""
    text = f"Data as of {day(card['drawn_up_at'])}."
    if not card["finished"]:
        return f"{text} The quarter is not over: figures will change."
    change = card["since_first_drawn_up"]
    # Nothing can have changed since where this is the first issue.
    if change is not None and card["first_drawn_up_at"] != card["drawn_up_at"]:
        counts = (
            (change["readings_corrected"], "reading corrected", "readings corrected"),
            (change["lots_added"], "lot of a stream added", "lots of streams added"),
            (change["lots_gone"], "lot of a stream gone", "lots of streams gone"),
            (change["verdicts_changed"], "verdict changed", "verdicts changed"),
        )
        parts = [counted(count, one, many) for count, one, many in counts if count]
        parts += ["figures changed without a change of readings, lots or verdicts"] if change["other_figures"] else []
        began = "Taken from imported history on" if card["from_history"] else "First issued"
        text += f" {began} {day(card['first_drawn_up_at'])}; since then {', '.join(parts) or 'no changes'}."
    corrected = card["corrected_since"]
    changed = f"{counted(corrected, 'reading')} corrected" if corrected else "no reading corrected"
    return f"{text} Since the end of the quarter {changed}."


# Notices and alerts


def notices(found: NoticeCounts) -> str:
    """The notices of a quarter: 2 sent, 1 answered after 10 days on average, 1 open for 23 days; 1 action effective."""
    if not found["asked"]:
        return "none"
    parts = [counted(found["asked"], "notice")]
    if found["answered"]:
        mean = f"{found['mean_days_to_answer'] or 0:.0f}"
        average = " on average" if found["answered"] > 1 else ""
        parts.append(f"{found['answered']} answered after {mean} {'day' if mean == '1' else 'days'}{average}")
    if found["open"]:
        longest = counted(found["longest_days_open"] or 0, "day")
        parts.append(f"{found['open']} open, {'for' if found['open'] == 1 else 'the longest for'} {longest}")
    results = (
        (found["worked"], "effective"),
        (found["not_yet_shown"], "not verified yet"),
        (found["did_not_work"], "not effective"),
    )
    parts += [f"{counted(count, 'action')} {words}" for count, words in results if count]
    return ", ".join(parts)


def notice_lines(found: NoticeList) -> list[str]:
    """A line for each notice of a quarter."""
    lines = []
    for one in found["list"]:
        state = f"open for {counted(one['days_open'] or 0, 'day')}"
        if one["answered_on"] is not None:
            state = f"answered {day(one['answered_on'])}, after {counted(one['days_to_answer'] or 0, 'day')}"
        result = f"; action {one['answer']}, from {counted(one['lots'], 'lot')} after it" if one["answer"] else ""
        lines.append(f"{stream_title(one)}: asked {day(one['asked_on'])}, {state}{result}")
    return lines


def alert_lines(card: Scorecard) -> list[tuple[str, str, str]]:
    """Day, message and state of each alert of the quarter."""
    return [
        (
            day(alert["raised_at"]),
            alert["message"],
            "explained by the bench" if alert["held_under"] else str(alert["state"]),
        )
        for alert in card["alerts"]
    ]


def events(row: CardStream) -> str:
    """The alerts of a stream by kind, and those that the bench explains."""
    events = cast("Mapping[str, int]", row["events"])
    parts = [counted(count, *EVENTS[kind]) for kind, count in events.items() if count]
    if row["explained_by_bench"]:
        parts.append(f"{row['explained_by_bench']} explained by the bench")
    if row["lasting"]:
        parts.append(f"{counted(row['lasting'], 'move')} detected earlier and still there")
    return ", ".join(parts) or "none"


# One stream


def stream_title(row: HasStream) -> str:
    """Product and characteristic."""
    return f"{row['product']} · {characteristic(row['characteristic'])}"


def stream_summary(row: CardStream, card: Scorecard) -> str:
    """The verdict on a stream in a line: lots, level, change, limit."""
    change = f"not compared with {card['earlier_quarter']}"
    if row["change_low"] is not None:
        way, size = move(row)
        change = f"{size} against {card['earlier_quarter']}: {way}"
    level = level_of(row, in_unit(row, row["level"]))
    return f"{_lots(row)}. Level {level}, {change}. Limit {room_to_limit(row)}. Alerts: {events(row)}."


def level_of(row: CardStream, level: str, *, earlier: bool = False) -> str:
    """The level of a quarter with the lots that it leaves out: those of which readings out of range state a bound only."""
    lots, left = (row["earlier_lots"], row["earlier_open_lots"]) if earlier else (row["level_lots"], row["open_lots"])
    if not left:
        return level
    open_ones = f"{left} with readings beyond the range of the meter left out"
    return f"{level}, from {lots} of {counted(lots + left, 'lot')}, {open_ones}" if lots else f"not known: {open_ones}"


def facts(row: CardStream, card: Scorecard) -> list[tuple[str, str]]:
    """The figures of a stream, as pairs of a name and its words."""
    change = "not compared: too few lots in one of the quarters"
    if row["change_low"] is not None:
        way, size = move(row)
        change = f"{size}: {way}"
    return [
        ("lots", _lots(row)),
        ("level", level_of(row, _span(row, "level", _digits(row), row["unit"]))),
        (
            f"in {card['earlier_quarter']}",
            level_of(row, _span(row, "earlier_level", _digits(row), row["unit"]), earlier=True),
        ),
        ("change", change),
        ("limit", room_to_limit(row)),
        ("margin", _margin(row)),
        ("lot to lot", _variation(row, "lot")),
        ("bag to bag", _variation(row, "bag")),
        ("within a bag", _variation(row, "reading")),
        ("Ppk, latest", _ppk(row)),
        (f"forecast as of {day(row['forecast_as_of'])}", _forecast(row)),
        ("alerts", events(row)),
        *([("notices", _stream_notices(row))] if row["notices"] else []),
        *([("bags", bags)] if (bags := bag_facts(row)) else []),
        *([("our bench", bench)] if (bench := bench_marks(row)) else []),
    ]


def bag_facts(row: CardStream) -> str:
    """The lots of the quarter of which bags are outside the limit, whatever the verdict on the lot."""
    return "; ".join(
        f"{lot['lot']} {lot['verdict']}, {bags}"
        for lot in row["lot_list"]
        if lot["standing"] in ("pass", "fail", "undecided") and (bags := bags_text(lot["bag_count"], row))
    )


def bench_marks(row: CardStream) -> str:
    """The lots of the quarter that were tested while the bench was off: value as read and as it would be, by finding."""
    tests = [
        (
            f"{lot['lot']} {as_read_and_without(in_unit(row, lot['level']), lot['bench_findings'], row)}",
            lot["bench_findings"],
        )
        for lot in row["lot_list"]
        if lot["bench_findings"]
    ]
    return "; ".join(f"{fault}: {', '.join(fault.tests)}" for fault in faults(tests))


def _count(number: int, words: str) -> str:
    """A count with its words: "2 repeats", "1 repeat"; the other words have no singular of their own."""
    return f"{number} {words.removesuffix('s') if number == 1 and words == 'repeats' else words}"


def _lots(row: CardStream) -> str:
    parts = [_count(row[key], words) for key, words in COUNTS[1:] if row[key]]
    return f"{counted(row['lots'], 'lot')}: {', '.join(parts)}"


def _digits(row: CardStream) -> Format:
    """The form of a value with the digits of its stream."""
    return partial(amount, digits=digits_of(row))


def _span(row: CardStream, key: str, form: Format, unit: str = "") -> str:
    """A value with its interval, the unit named once: 14.2 nJ (13.1 to 15.4)."""
    value, low, high = _figure(row, key), _figure(row, f"{key}_low"), _figure(row, f"{key}_high")
    if value is None:
        return "–"
    text = f"{form(value)} {printed_unit(unit)}".strip()
    return f"{text}, no interval" if low is None or high is None else f"{text} ({form(low)} to {form(high)})"


def _figure(row: CardStream, key: str) -> float | None:
    """A figure by its name, which is put together from that of an estimate."""
    return cast("Mapping[str, float | None]", row)[key]


def move(row: CardStream) -> tuple[str, str]:
    """The direction and the size of the change of a level."""
    digits = ".1f" if row["change_in"] == "%" else ".3g"
    size = _span(row, "change", lambda value: signed(value, digits), row["change_in"])
    return DIRECTIONS[Direction(row["direction"])], size


def _margin(row: CardStream) -> str:
    """The distance to the limit: as a ratio on a log scale, else in the unit."""
    if row["room"] is None:
        return "–"
    if row["room_in"] != "times":
        return _span(row, "room", _digits(row), row["unit"]) + _before(row, "earlier_room", _digits(row))
    ratio = "limit ÷ level" if row["limit_side"] == "upper" else "level ÷ limit"
    passed = "limit passed; " if row["room"] < 1 else ""
    return f"{passed}{_span(row, 'room', _digits(row))}, {ratio}{_before(row, 'earlier_room', _digits(row))}"


def _before(row: CardStream, key: str, form: Format) -> str:
    """The value of the quarter before."""
    return "" if _figure(row, key) is None else f"; before {_span(row, key, form)}"


def _variation(row: CardStream, name: str) -> str:
    """A standard deviation, that of the quarter before, and whether it clearly changed."""
    form: Format = (lambda value: f"{value:.1f}") if row["spread_in"] == "%" else amount
    text = _span(row, f"{name}_spread", form, row["spread_in"])
    if _figure(row, f"earlier_{name}_spread") is None or _figure(row, f"{name}_spread") is None:
        return text
    low, high = _figure(row, f"{name}_spread_ratio_low"), _figure(row, f"{name}_spread_ratio_high")
    clear = "" if low is None or high is None or low <= 1 <= high else ": wider" if low > 1 else ": narrower"
    return f"{text}{_before(row, f'earlier_{name}_spread', form)}{clear}"


def _ppk(row: CardStream) -> str:
    if row["ppk"] is None or row["ppk_lower"] is None:
        return f"not given: {row['ppk_why']}" if row["ppk_why"] else "not given"
    upper = "" if row["ppk_upper"] is None else f" to {row['ppk_upper']:.2f}"
    return f"{row['ppk']:.2f} ({row['ppk_lower']:.2f}{upper})"


def _forecast(row: CardStream) -> str:
    change = row["change_percent_per_month"]
    trend = "no trend known" if change is None else f"{signed(change, '.1f')} % a month"
    if row["level_now"] is not None:
        trend = f"level {in_unit(row, row['level_now'], row['level_now_bound'])}, {trend}"
    if row["breach_probability"] is None:
        return trend
    return f"{trend}; chance of a failing lot {chance_text(row['breach_probability'])}"


def _stream_notices(row: CardStream) -> str:
    mean = row["mean_days_to_answer"]
    parts = [counted(row["notices"], "notice")]
    parts += [] if mean is None else [f"answered after {mean:.0f} days"]
    parts += [f"{row['notices_open']} open"] if row["notices_open"] else []
    return ", ".join([*parts, *([f"{row['actions_worked']} effective"] if row["actions_worked"] else [])])


# All suppliers


def reasons(found: Sequence[Reason]) -> list[str]:
    """The topics for a meeting with a supplier, a line a stream."""
    by_stream: dict[str, list[str]] = {}
    for reason in found:
        words = (
            "level nearer the limit" if reason["what"] == "nearer"
            else f"{counted(reason['count'], 'move')} detected earlier and still there" if reason["what"] == "lasting"
            else REASON_WORDS["likely"] if reason["what"] == "likely"
            else counted(reason["count"], *EVENTS["limit" if reason["what"] == "fail" else reason["what"]])
        )  # fmt: skip
        by_stream.setdefault(stream_title(reason), []).append(words)
    return [f"{title}: {', '.join(parts)}" for title, parts in by_stream.items()]


LINE_WORDS = {"worse": "getting worse", "better": "improving", "unchanged": "no clear change"}
REASON_WORDS = {
    "fail": "failed lots", "nearer": "level nearer the limit", "spread": "variation above normal",
    "likely": "a failing lot is likely", "forecast": "a failing lot was likely", "drift": "drift", "lasting": "a move that lasts",
}  # fmt: skip


def purchasing_line(row: OverviewRow) -> str:
    """One line a supplier: direction, the stream to begin with, and what to talk about."""
    line = row["line"]
    text = f"{row['supplier']}: {LINE_WORDS[line['direction']]}"
    if line["product"] is not None and line["characteristic"] is not None:
        about = ", ".join(REASON_WORDS[reason] for reason in line["reasons"]) or "its margin to the limit"
        text += f". Begin with {line['product']}, {characteristic(line['characteristic'])}: {about}"
    return f"{text}.{stopped(row['stopped'])}"


def order(overview: Overview) -> str:
    """In which order the suppliers stand, and whether it means anything."""
    if not overview["ranked"]:
        return "The lots of this quarter can't tell these suppliers apart: they stand in order of their names."
    return "Suppliers with the same range of places can't be told apart and stand in order of their names."


def _overview_columns(overview: Overview) -> list[tuple[CountName, str]]:
    """The counts that have a column, so that they add up to the lots: the rarer ones only where a supplier has some."""
    return [
        (key, words)
        for number, (key, words) in enumerate(COUNTS)
        if number < 5 or any(row["counts"][key] for row in overview["rows"])
    ]


def overview_heads(overview: Overview) -> list[str]:
    """The heads of the table of suppliers."""
    counts = [words.removesuffix(" tested") for _, words in _overview_columns(overview)]
    return ["supplier", "place", "score", "", *counts, "nearer the limit", "farther"]


def overview_counts(row: OverviewRow, overview: Overview) -> list[str]:
    """The counts of a supplier under these heads."""
    counts = [row["counts"][key] for key, _ in _overview_columns(overview)]
    return [str(number) for number in (*counts, row["nearer"], row["away"])]


def chance_moves(overview: Overview) -> str:
    """How many clear changes chance alone would show."""
    if not overview["compared"]:
        return "No stream had enough lots in both quarters to be compared."
    return (
        f"{counted(overview['compared'], 'stream')} of {overview['streams']} could be compared with "
        f"{overview['earlier_quarter']}; about {overview['moved_by_chance']:.1f} of them would show a change by chance alone."
    )


def lowest_score(overview: Overview) -> float:
    """The lower end of the scores' common axis: just below the lowest interval."""
    lows = [low for row in overview["rows"] if (low := row["standing"]["score_low"]) is not None]
    return max(0.0, min(lows, default=0.5) - 0.02)
