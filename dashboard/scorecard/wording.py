"""The figures of a scorecard in words: what stands in the PDF, in the HTML and on the page, written once."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from dashboard.text.formatting import amount, characteristic, counted, day, percent, room_to_limit
from ingest.common.number_format import SPOKEN_UNITS
from ingest.quarter.notices import ANSWER_DAYS
from ingest.quarter.supplier_scores import SPARE
from spc.vocabulary.enums import Direction

__all__ = [
    "CAUTION",
    "COUNTS",
    "WHAT_COUNTS",
    "chance_moves",
    "drawn_up",
    "events",
    "facts",
    "lowest_score",
    "move",
    "notice_lines",
    "notices",
    "part_cells",
    "part_heads",
    "place",
    "reasons",
    "score",
    "share",
    "signed",
    "stream_title",
    "summary",
    "told_direction",
    "weight_cells",
    "what_counts",
]

Document = Any
Telling = Callable[[float], str]

CAUTION = (
    "This page marks lots and releases none: decisions are for the people your procedure authorises, by the text of "
    "the standard and the edition you work to. A result holds for the humidity, face and bag size that were tested."
)
WHAT_COUNTS = (
    "A lot counts once, by its first valid test. Tests whose chamber log does not show the conditioning, results that a "
    "bench finding explains (set aside), and repeats of a lot that was judged before are shown and count against "
    "nobody. Check standards are no suppliers.",
    "Level is the mean of the lot levels, geometric on a log scale, with a 95 % interval (Student); its change against "
    "the quarter before is compared by Welch's interval. Lots are taken as independent.",
    "The share of conforming lots is pooled in part with that of all suppliers of the quarter (beta-binomial model, "
    "Gelman et al. 2013): few lots say little, and say so. Undecided lots take no part. Every lot weighs the same, "
    "whatever its size: common practice where no weights are agreed.",
    "Places are ranges: suppliers whose ranges overlap are tied as far as their lots can tell.",
)
# The parts of the score, each with its head in a table and what it is a share of.
PARTS = {
    "conforming": ("conforming lots", "lots that conform, of those decided"),
    "drift": ("steady streams", "streams without a drift towards a limit or a wider scatter"),
    "room": (
        "lots with room",
        f"lots that conform and keep {100 * SPARE:.0f} % of the limit clear (that figure is common practice)",
    ),
    "response": ("answers in time", f"notices answered within {ANSWER_DAYS} days; open ones count once they are older"),
}
# Keys of the counts of lots, in the order in which they are told.
COUNTS = (
    ("lots", "lots tested"),
    ("pass", "conform"),
    ("fail", "fail"),
    ("undecided", "undecided"),
    ("invalid", "not valid"),
    ("unlimited", "no limit"),
    ("set_aside", "set aside"),
    ("retested", "repeats"),
)
DIRECTIONS = {
    Direction.NEARER: "nearer the limit",
    Direction.AWAY: "farther from the limit",
    Direction.MOVED: "moved",
    Direction.UNCLEAR: "no clear change",
    Direction.NOT_COMPARED: "not compared",
}
EVENT_WORDS = {
    "limit": "limit breach", "point": "lot out of the usual", "pattern": "run pattern", "drift": "drift",
    "spread": "wider scatter", "forecast": "likely breach",
}  # fmt: skip
EVENT_PLURALS = {
    "limit": "limit breaches",
    "point": "lots out of the usual",
    "spread": "wider scatters",
    "forecast": "likely breaches",
}


def summary(card: Document) -> str:
    """The card in a sentence or two."""
    counts, streams = card["counts"], card["streams"]
    said = f"{counted(counts['lots'], 'lot')} tested in {counted(len(streams), 'stream')}: {counts['pass']} conform"
    said += f", {counts['fail']} fail" if counts["fail"] else ", none fails"
    left = [f"{counts[key]} {words}" for key, words in COUNTS[3:] if counts[key]]
    said += f" ({', '.join(left)})." if left else "."
    nearer = sum(row["direction"] == Direction.NEARER for row in streams)
    away = sum(row["direction"] == Direction.AWAY for row in streams)
    if nearer or away:
        said += (
            f" Against {card['earlier_quarter']}, {counted(nearer, 'stream')} moved nearer the limit, {away} farther."
        )
    return said


def what_counts(document: Document) -> list[str]:
    """What counts, and how; with the weights of the score in force."""
    weights = document["weights"]
    parts = [f"{_whole(weights[part])} % for {told}" for part, (_, told) in PARTS.items() if weights[part]]
    source = (
        "These weights are common practice where none are agreed; others are declared under [scorecard] in lab.toml."
        if weights["usual"]
        else "These weights are declared by the laboratory under [scorecard] in lab.toml."
    )
    score_line = (
        f"The score, from 0 to 100, is the weighted mean of shares that are each pooled in part: {'; '.join(parts)}. A part "
        f"in which no supplier has anything to count is left out; a supplier without any in a part is taken as usual among the others there. The place follows from the score with its uncertainty. {source}"
    )
    return [*WHAT_COUNTS, score_line]


def score(standing: Document) -> str:
    """The score with its interval."""
    if not standing["placed"]:
        return "–"
    return f"{_whole(standing['score'])} ({_whole(standing['score_low'])} to {_whole(standing['score_high'])})"


def part_heads() -> list[str]:
    """Heads of the parts of the score."""
    return [head for head, _ in PARTS.values()]


def weight_cells(document: Document) -> list[str]:
    """The weight of each part, in their order."""
    return [f"{_whole(document['weights'][part])} %" for part in PARTS]


def part_cells(standing: Document) -> list[str]:
    """How a supplier stands in each part: 8 of 9, pooled 87 %."""
    return [_part(part) for part in standing["parts"]]


def _part(part: Document) -> str:
    if part["share"] is None:
        return f"{part['good']} of {part['decided']}" if part["decided"] else "–"
    if not part["decided"]:
        return f"none, usual {percent(part['share'])}"
    return f"{part['good']} of {part['decided']}, pooled {percent(part['share'])}"


def notices(found: Document) -> str:
    """The notices of a quarter: 2 asked, 1 answered after 10 days on average, 1 open for 23 days; 1 action worked."""
    if not found["asked"]:
        return "none"
    said = [counted(found["asked"], "notice")]
    if found["answered"]:
        mean = f"{found['mean_days_to_answer']:.0f}"
        said.append(f"{found['answered']} answered after {mean} {'day' if mean == '1' else 'days'}{_average(found)}")
    if found["open"]:
        longest = counted(found["longest_days_open"], "day")
        said.append(f"{found['open']} open, {'for' if found['open'] == 1 else 'the longest for'} {longest}")
    answers = (
        ("worked", "worked"),
        ("not_yet_shown", "not yet shown to have worked"),
        ("did_not_work", "did not work"),
    )
    said += [f"{counted(found[key], 'action')} {told}" for key, told in answers if found[key]]
    return ", ".join(said)


def _average(found: Document) -> str:
    return " on average" if found["answered"] > 1 else ""


def notice_lines(found: Document) -> list[str]:
    """Each notice of a quarter in a line."""
    return [_notice_line(one) for one in found["list"]]


def _notice_line(one: Document) -> str:
    stand = (
        f"open for {counted(one['days_open'], 'day')}"
        if one["answered_on"] is None
        else f"answered {day(one['answered_on'])}, after {counted(one['days_to_answer'], 'day')}"
    )
    shown = f"; action {one['answer']}, from {counted(one['lots'], 'lot')} after it" if one["answer"] else ""
    return f"{stream_title(one)}: asked {day(one['asked_on'])}, {stand}{shown}"


def place(standing: Document) -> str:
    """The place by the score as a range: "1 to 4 of 9, tied"; words where there is none."""
    if not standing["placed"]:
        return "nothing to weigh" if standing["decided"] else "no decided lot"
    first, last = standing["place_first"], standing["place_last"]
    if first == last:
        return f"{first} of {standing['placed']}"
    return f"{first} to {last} of {standing['placed']}, tied"


def share(standing: Document) -> str:
    """The pooled share of conforming lots with its interval."""
    if not standing["placed"]:
        return "–"
    return f"{percent(standing['share'])} ({_whole(standing['share_low'])} to {_whole(standing['share_high'])} %)"


def _whole(value: float) -> str:
    return f"{100 * value:.0f}"


def drawn_up(card: Document) -> str:
    """When it was drawn up, and what changed since the quarter ended."""
    said = f"Drawn up from the store as of {day(card['drawn_up_at'])}."
    if not card["finished"]:
        return f"{said} The quarter is not over: figures will change."
    corrected = card["corrected_since"]
    changed = f"{counted(corrected, 'reading')} corrected" if corrected else "no reading was corrected"
    return f"{said}{_since_first(card)} Since the quarter ended {changed}."


def _since_first(card: Document) -> str:
    """What changed since a finished quarter was first drawn up; this may be the first time."""
    change = card["since_first_drawn_up"]
    if card["first_drawn_up_at"] == card["drawn_up_at"] or change is None:
        return ""
    words = (
        ("readings_corrected", "reading corrected", "readings corrected"),
        ("lots_added", "lot of a stream added", "lots of streams added"),
        ("lots_gone", "lot of a stream gone", "lots of streams gone"),
        ("verdicts_changed", "verdict changed", "verdicts changed"),
    )
    parts = [counted(change[key], one, many) for key, one, many in words if change[key]]
    parts += ["figures moved, though no reading, lot or verdict did"] if change["other_figures"] else []
    return (
        f" First drawn up as of {day(card['first_drawn_up_at'])}; since then {', '.join(parts) or 'nothing changed'}."
    )


def stream_title(row: Document) -> str:
    """Product and characteristic."""
    return f"{row['product']} · {characteristic(row['characteristic'])}"


def told_direction(row: Document) -> str:
    """The direction of a stream in words."""
    return DIRECTIONS[Direction(row["direction"])]


def facts(row: Document, card: Document) -> list[tuple[str, str]]:
    """What is told of a stream, as pairs of a name and its figures."""
    return [
        ("lots", _lots(row)),
        ("level", _level(row, "level")),
        (f"in {card['earlier_quarter']}", _level(row, "earlier_level")),
        ("change", _change(row)),
        ("limit", room_to_limit(row)),
        ("room to it", _room(row)),
        ("scatter of lots", _spread(row, "lot")),
        ("of bags", _spread(row, "bag")),
        ("of readings", _spread(row, "reading")),
        ("Ppk now", _ppk(row)),
        ("outlook now", _outlook(row)),
        ("events", events(row)),
        *([("notices", _stream_notices(row))] if row["notices"] else []),
    ]


def _lots(row: Document) -> str:
    parts = [f"{row[key]} {words}" for key, words in COUNTS[1:] if row[key]]
    return f"{row['lots']}: {', '.join(parts)}"


def _span(row: Document, key: str, told: Telling, unit: str = "") -> str:
    """A value with its interval: 14.2 nJ (13.1 to 15.4)."""
    value, low, high = row[key], row[f"{key}_low"], row[f"{key}_high"]
    if value is None:
        return "–"
    said = f"{told(value)} {unit}".strip()
    return f"{said}, no interval" if low is None else f"{said} ({told(low)} to {told(high)})"


def _spoken(unit: str) -> str:
    return SPOKEN_UNITS.get(unit, unit)


def _level(row: Document, key: str) -> str:
    """A level with its interval, the unit named once."""
    return _span(row, key, amount, _spoken(row["unit"]))


def _change(row: Document) -> str:
    if row["change_low"] is None:
        return "not compared: too few lots in one of the quarters"
    return f"{_moved_by(row)}: {told_direction(row)}"


def signed(value: float, digits: str) -> str:
    """A number with its sign, the minus as it is printed."""
    return f"{value:+{digits}}".replace("-", "−")


def _moved_by(row: Document) -> str:
    digits = ".1f" if row["change_in"] == "%" else ".3g"
    return _span(row, "change", lambda value: signed(value, digits), _spoken(row["change_in"]))


def _room(row: Document) -> str:
    if row["room"] is None:
        return "–"
    if row["room_in"] != "times":
        return _span(row, "room", amount, _spoken(row["unit"])) + _before(row, "earlier_room", amount)
    passed = "passed; " if row["room"] < 1 else ""
    thing, other = ("the limit", "level") if row["limit_side"] == "upper" else ("the level", "limit")
    return (
        f"{passed}{thing} is {_span(row, 'room', amount, f'times the {other}')}{_before(row, 'earlier_room', amount)}"
    )


def _before(row: Document, key: str, told: Telling) -> str:
    """What a figure was in the quarter before."""
    return "" if row[key] is None else f"; before {_span(row, key, told)}"


def _spread(row: Document, name: str) -> str:
    digits: Telling = (lambda value: f"{value:.1f}") if row["spread_in"] == "%" else amount
    said = _span(row, f"{name}_spread", digits, _spoken(row["spread_in"]))
    was, low, high = (row[key] for key in _spread_keys(name))
    if was is None or row[f"{name}_spread"] is None:
        return said
    clear = "" if low is None or low <= 1 <= high else ": wider" if low > 1 else ": narrower"
    return f"{said}{_before(row, f'earlier_{name}_spread', digits)}{clear}"


def _spread_keys(name: str) -> tuple[str, str, str]:
    return f"earlier_{name}_spread", f"{name}_spread_ratio_low", f"{name}_spread_ratio_high"


def _ppk(row: Document) -> str:
    if row["ppk"] is None:
        return f"withheld: {row['ppk_why']}" if row["ppk_why"] else "withheld"
    upper = "" if row["ppk_upper"] is None else f" to {row['ppk_upper']:.2f}"
    return f"{row['ppk']:.2f} ({row['ppk_lower']:.2f}{upper})"


def _outlook(row: Document) -> str:
    change = row["change_percent_per_month"]
    moving = "no trend known" if change is None else f"{signed(change, '.1f')} % a month"
    if row["breach_probability"] is None:
        return moving
    return f"{moving}; chance of a breaching lot {percent(row['breach_probability'])}"


def events(row: Document) -> str:
    """The alerts of a stream by kind, and those that the bench explains."""
    parts = [_event(kind, count) for kind, count in row["events"].items() if count]
    if row["explained_by_bench"]:
        parts.append(f"{row['explained_by_bench']} explained by the bench")
    return ", ".join(parts) or "none"


def _stream_notices(row: Document) -> str:
    mean = row["mean_days_to_answer"]
    said = [counted(row["notices"], "notice")]
    said += [] if mean is None else [f"answered after {mean:.0f} days"]
    said += [f"{row['notices_open']} open"] if row["notices_open"] else []
    return ", ".join([*said, *([f"{row['actions_worked']} worked"] if row["actions_worked"] else [])])


def _event(kind: str, count: int) -> str:
    return counted(count, EVENT_WORDS[kind], EVENT_PLURALS.get(kind))


def reasons(found: Sequence[Document]) -> list[str]:
    """Why to talk to a supplier, a line a stream."""
    by_stream: dict[str, list[str]] = {}
    for reason in found:
        by_stream.setdefault(stream_title(reason), []).append(_reason(reason))
    return [f"{title}: {', '.join(parts)}" for title, parts in by_stream.items()]


def _reason(reason: Document) -> str:
    if reason["what"] == "fail":
        return counted(reason["count"], "lot outside the limit", "lots outside the limit")
    return "level nearer the limit" if reason["what"] == "nearer" else _event(reason["what"], reason["count"])


def chance_moves(overview: Document) -> str:
    """How many moves chance alone would show."""
    if not overview["compared"]:
        return "No stream had enough lots in both quarters to be compared."
    by_chance = overview["compared"] * 0.05
    return (
        f"{counted(overview['compared'], 'stream')} of {overview['streams']} could be compared with "
        f"{overview['earlier_quarter']}; about {by_chance:.1f} of them would show a move by chance alone."
    )


def lowest_score(overview: Document) -> float:
    """Where the scores' common axis begins: just below the lowest interval."""
    lows = [row["standing"]["score_low"] for row in overview["rows"] if row["standing"]["placed"]]
    return max(0.0, min(lows, default=0.5) - 0.02)


def move(row: Document) -> tuple[str, str]:
    """Which way a level moved, and by how much."""
    return told_direction(row), _moved_by(row)
