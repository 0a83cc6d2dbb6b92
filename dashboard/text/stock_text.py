"""The words of the stock: what is known of a lot's date, how a film changes, and the output of the commands."""

from __future__ import annotations

from dashboard.text.formatting import amount, chance_text, characteristic, counted, day, percent, signed
from dashboard.text.shelf_text import WORDS, keep_until, state
from dashboard.text.terminal_text import table
from ingest.common.number_format import LEAST_DIGITS
from ingest.common.text import capitalised, printable
from ingest.documents.stock import AgeingDocument, FilmAge, ShelfCounts, ShelfLotDay, StockDocument
from ingest.evaluation.alert_text import dated_lots

__all__ = [
    "NO_STOCK",
    "WORDS",
    "advice",
    "ageing",
    "bench_sentence",
    "change_sentence",
    "headline",
    "keep_until",
    "level",
    "life_sentence",
    "near_date",
    "quantity",
    "state",
    "stock",
]

NO_STOCK = "No lot is in stock: put a count into drops/stock, or tests into drops/tests, then run lotdrift run."


def level(row: ShelfLotDay) -> str:
    """The level of the last test, with the digits of its stream."""
    unit, digits = row["characteristic_unit"] or "", row.get("digits", LEAST_DIGITS)
    return amount(row["level"], unit, row.get("bound", 0), digits)


def quantity(row: ShelfLotDay) -> str:
    """How much of a lot there is."""
    return "not counted" if row["quantity"] is None else f"{row['quantity']:,.12g} {row['unit']}".strip()


def headline(document: StockDocument) -> str:
    """What to know of the shelf."""
    if not document["lots"]:
        return "No lot in stock."
    first = document["test_first"]
    if first:
        total = sum(row["quantity"] or 0 for row in first)
        units = {row["unit"] for row in first if row["quantity"]}
        amounts = f": {total:,.12g} {units.pop()}" if len(units) == 1 and total else ""
        return f"Test {counted(len(first), 'lot')} on the shelf first{amounts}."
    if document["passed"]:
        return f"{counted(document['passed'], 'lot')} in stock past the date."
    if document["unsighted"]:
        return f"{counted(document['unsighted'], 'lot')} in stock beyond what the tests show."
    return f"{counted(document['lots'], 'lot')} in stock; none needs a test now."


def near_date(counts: ShelfCounts) -> str:
    """The lots in stock past their date, near it or beyond what the tests show; empty where there is none."""
    near = dated_lots(counts["passed"], counts["due"], f"by {day(counts['by'])}")
    unsighted = f"{counted(counts['unsighted'], 'lot')} beyond what the tests show" if counts["unsighted"] else ""
    return " and ".join(part for part in (near, unsighted) if part)


def advice(document: StockDocument) -> str:
    """What to do about the shelf."""
    if not document["lots"]:
        return NO_STOCK
    dated = near_date(document)
    silent = (
        document["lots"]
        - document["dated"]
        - document["words"].get("beyond_sight", 0)
        - document["words"].get("passed", 0)
    )
    rest = f" No date can be stated for {counted(silent, 'lot')}." if silent else ""
    sentence = f"{capitalised(dated)}: test a lot again before you use it." if dated else "No lot comes near its date."
    return sentence + rest


def change_sentence(film: FilmAge) -> str:
    """How the level changes a month."""
    slope, low, high = film["change_percent_per_month"], film["change_low"], film["change_high"]
    if slope is None or low is None or high is None:
        return f"{film['why']}."
    unit = film["change_unit"]
    digits = ".1f" if unit == "%" else ".3g"
    ends = f"{signed(low, digits)} to {signed(high, digits)}"
    return (
        f"{signed(slope, digits)} {unit} a month ({ends}), from {counted(film['lots'], 'lot')} tested more than once."
    )


def life_sentence(film: FilmAge) -> str:
    """The shelf life of the film, never without its rule."""
    if film["life_months"] is None:
        return "none stated"
    rule = f"{percent(film['coverage'])} of lots, {percent(film['confidence'])} confidence, {counted(film['life_lots'], 'lot')}"
    since = "manufacture" if film["life_since"] == "made" else "receipt"
    beyond = "at least " if film["life_word"] == "beyond_sight" else ""
    return f"{beyond}{film['life_months']:.1f} months after {since} ({rule})"


def bench_sentence(film: FilmAge) -> str:
    """Whether ageing can be separated from a drift of the bench, and what was taken out."""
    parts = [film["bench"]]
    if film["tests_under_finding"]:
        parts.append(f"{counted(film['tests_under_finding'], 'test')} under a bench finding: its size is taken out.")
    if film["humidity_removed"]:
        parts.append("The effect of humidity at the test is taken out.")
    if film["bounded_tests"]:
        parts.append(f"{counted(film['bounded_tests'], 'test')} out of range used as bounds.")
    if film["is_bent"]:
        parts.append("The ageing is not a straight line: nothing is stated beyond the ages tested.")
    return " ".join(parts)


# The output of the commands


def stock(document: StockDocument) -> str:
    """The shelf, one row a lot."""
    lines = [f"{headline(document)} {advice(document)}"]
    if document["source"] != "counts" and document["lots"]:
        lines.append("No count is stored: every tested lot is taken as held.")
    if document["test_first"]:
        lines += ["", "Test first:", _lots(document["test_first"], document)]
    if document["rows"]:
        lines += ["", "By date:", _lots(document["rows"], document)]
    return "\n".join([*lines, "", document["caution"]])


def _lots(rows: list[ShelfLotDay], document: StockDocument) -> str:
    heads = (
        "lot",
        "product",
        "characteristic",
        "quantity",
        "keep until",
        "expected",
        "over today",
        f"over by {document['by']}",
        "last test",
        "state",
    )
    return table(
        heads,
        [
            [
                f"{row['supplier']} {row['lot']}",
                row["product"],
                characteristic(row["characteristic"] or "–"),
                quantity(row),
                keep_until(row),
                day(row["expected_on"]),
                chance_text(row["chance_today"]),
                chance_text(row["chance_by"]),
                f"{level(row)}, {day(row['tested_on'])}",
                state(row),
            ]
            for row in rows
        ],
    )


def ageing(document: AgeingDocument) -> str:
    """How a product ages, one film a supplier."""
    parts = [text for film in document["films"] for text in _film(film)]
    return "\n".join([*(printable(text) for text in parts), document["caution"]])


def _film(film: FilmAge) -> list[str]:
    mean = film["mean_line"]
    lines = [
        f"{film['supplier']} {film['product']}, {characteristic(film['characteristic'])}: {WORDS[film['word']]}",
        f"  Change: {change_sentence(film)}",
        f"  Shelf life of the film: {life_sentence(film)}",
    ]
    if film["life_expected_months"] is not None:
        lines.append(f"  Mean of the lots meets the limit after {film['life_expected_months']:.1f} months.")
    if mean is not None and mean["months"] is not None and film["word"] == "dated":
        lines.append(f"  Mean line (no promise about a lot): {mean['months']:.1f} months, {mean['model']}")
    if film["keep_months"] is not None:
        lines.append(f"  Supplier's claim: {film['keep_months']:g} months")
    lines.append(f"  {bench_sentence(film)}")
    return [*lines, *(f"  For a better date: {one}" for one in film["missing"])]
