"""A verdict states what must be known beside it: bags outside the limit, the worst bag, and the sign of bounded values."""

from __future__ import annotations

import io
import math
from datetime import timedelta

import pypdf
import pytest
from support.demolab import demo_lab
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows
from support.page_text import words

from dashboard.notice import notice, wording
from dashboard.notice.pdf import as_pdf
from dashboard.pages import board, retest
from dashboard.pages import lot as lot_page
from dashboard.queries import lot_document, stored_documents, stream_document
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import scorecard
from dashboard.scorecard.svg_chart import chart
from dashboard.scorecard.wording import bag_facts
from dashboard.text import lot_text
from dashboard.text.verdict.verdict_text import bags_text, level_text, verdict_text

BOTH_STORES = True
ENERGY_LIMITS = 'upper_limit = [ { value = 50.0, document = "older edition" }, { value = 20.0, from = 2018-10-01 } ]'


@pytest.fixture(scope="module")
def lab_reader(tmp_path_factory: pytest.TempPathFactory) -> LabReader:
    return LabReader(demo_lab(tmp_path_factory.getbasetemp()))


def test_a_lot_that_passes_on_its_mean_says_how_many_bags_are_over_the_limit_everywhere(lab_reader: LabReader) -> None:
    names = ("Brackenfoil", "BF-110", "shielding_energy")
    with lab_reader.reading() as connection:
        lot = lot_document.lot(connection, lab_reader.lab, names[0], "BF04281")
        stream = stream_document.stream(connection, lab_reader.lab, *names)
        alerts = stored_documents.alerts(connection, lab_reader.lab)
        (drift,) = [one for one in alerts if one["kind"] == "drift" and one["product"] == "BF-110"]
        paper = notice.document(connection, lab_reader.lab, drift["id"])
        (card,) = scorecard.documents(connection, lab_reader.lab, "2026-Q4", names[0])
    (session,) = [one for one in lot["sessions"] if one["characteristic"] == names[2]]
    # By hand: the geometric mean of each bag's readings against "under 20 nJ".
    bags: dict[int, list[float]] = {}
    for reading in session["readings"]:
        bags.setdefault(reading["specimen"], []).append(math.log(reading["value"]))
    means = [math.exp(sum(logs) / len(logs)) for logs in bags.values()]
    count = session["bag_count"]
    assert count is not None
    assert session["verdict"] == "pass"
    assert (count["bags"], count["outside"], count["undecided"]) == (6, sum(mean >= 20.0 for mean in means), 0)
    assert count["outside"] == 1
    assert session["bags_outside"] == sorted(bag for bag, mean in zip(bags, means, strict=True) if mean >= 20.0)
    assert count["worst"] == pytest.approx(max(means), rel=1e-12)
    assert session["outside_control_limits"]
    (point,) = [one for one in stream["points"] if one["lot"] == "BF04281"]
    (listed,) = [one for one in paper["lots"] if one["lot"] == "BF04281"]
    assert point["bag_count"] == listed["bag_count"] == count
    fact = "1 of 6 bags outside, worst bag 22.2 nJ"
    headline = lot_text.headline(lot["sessions"])
    assert fact in headline
    assert "level outside the control limits" in headline
    assert any(fact in row[-1] for row in wording.lot_rows(paper))
    (row,) = [one for one in card["streams"] if (one["product"], one["characteristic"]) == names[1:]]
    assert f"BF04281 pass, {fact}" in bag_facts(row)
    assert verdict_text("pass", "mean", count, True, (None, 20.0), {"unit": "nJ"}) == (
        f"pass on the mean; {fact} (limit under 20.0 nJ); level outside the control limits"
    )


def test_an_undecided_lot_is_an_alert_to_look_at_and_keeps_the_sign_of_its_values(bench: Bench) -> None:
    bench.declare(LAB_TOML)
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 13)
    for week in range(12):
        values: list[list[object]] = [[10.0 + 0.1 * ((7 * week + bag) % 5)] for bag in range(6)]
        if week == 11:
            values[5] = [">19"]  # a torn seam: the mean may lie on either side of the limit
            values[4] = [19.5]
        bench.drop_tests(f"wk{week:02}.csv", lot_rows(f"L{week}", MONDAY + timedelta(weeks=week), values))
    bench.run()
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        alerts = stored_documents.alerts(connection, reader.lab)
        lot = lot_document.lot(connection, reader.lab, "Alder Film", "L11")
        (row,) = stored_documents.board(connection, reader.lab)
        stream = stream_document.stream(connection, reader.lab, "Alder Film", "MB-10", "shielding_energy")
        (card,) = scorecard.documents(connection, reader.lab, "2026-Q1", "Alder Film")
    (session,) = lot["sessions"]
    assert session["verdict"] == "undecided"
    (alert,) = [one for one in alerts if one["kind"] == "limit"]
    assert (alert["grade"], alert["lot"], alert["evidence"]["form"]) == ("look", "L11", "undecided")
    # The lots before scatter by a few hundredths of a nJ: all values of the stream have five digits.
    assert "a lot undecided against the limit of 20.000 nJ: readings beyond the range of the meter" in alert["message"]
    assert row["state"] == "look"
    # The level is open above, and so is the worst bag: neither is printed as a plain number.
    span = session["level_range"]
    assert span is not None
    assert span["high"] is None
    assert level_text(session["level"], span, {"unit": "nJ"}).endswith("nJ or more")
    assert alert["evidence"]["level_bound"] == 1
    # Nothing is put in its place on any surface: the point shows the known end, and the mean of the quarter is that of the other lots.
    (point,) = [one for one in stream["points"] if one["lot"] == "L11"]
    assert (session["level"], point["level"], point["bound"]) == (None, None, 1)
    assert point["shown"] == pytest.approx(span["low"], rel=1e-9)
    (figures,) = card["streams"]
    assert (figures["level_lots"], len(figures["lot_list"])) == (11, 12)
    assert [one["level"] for one in figures["lot_list"] if one["lot"] == "L11"] == [None]
    # The chart of the card draws the lot at its known end: the one diamond among the discs of the others.
    drawn = chart(figures, card)
    assert (drawn.count("<polygon"), drawn.count("<circle")) == (1, 11)
    assert session["bag_count"] == {"bags": 6, "outside": 0, "undecided": 1, "worst": 19.0, "worst_bound": 1}
    assert bags_text(session["bag_count"], {"unit": "nJ"}) == "1 of 6 bags undecided, worst bag > 19.0 nJ"


@pytest.mark.parametrize(
    ("limit", "values", "level", "bags"),
    [
        ("upper", [[">21"]] * 4 + [[5.0], [5.2]], "13.1 nJ or more", "4 of 6 bags outside"),
        ("lower", [["<19"]] * 4 + [[80.0], [75.0]], "30.352 nJ or less", "4 of 6 bags outside"),
    ],
)
def test_a_lot_whose_mean_is_open_while_most_bags_are_outside_is_somebodys_business(
    bench: Bench, limit: str, values: list[list[object]], level: str, bags: str
) -> None:
    bench.declare(
        LAB_TOML if limit == "upper" else LAB_TOML.replace(ENERGY_LIMITS, "lower_limit = [ { value = 20.0 } ]")
    )
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 13)
    near = 10.0 if limit == "upper" else 40.0
    for week in range(12):
        plain: list[list[object]] = [[near + 0.1 * ((7 * week + bag) % 5)] for bag in range(6)]
        tested = MONDAY + timedelta(weeks=week)
        bench.drop_tests(f"wk{week:02}.csv", lot_rows(f"L{week}", tested, values if week == 11 else plain))
    # A repeat of two bags leaves the mean open too: the notice lists it beside the first test.
    bench.drop_tests("again.csv", lot_rows("L11", MONDAY + timedelta(weeks=11, days=2), [values[0], values[4]]))
    bench.run()
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        (alert,) = [one for one in stored_documents.alerts(connection, reader.lab) if one["kind"] == "limit"]
        paper = notice.document(connection, reader.lab, alert["id"])
        (row,) = stored_documents.board(connection, reader.lab)
    bound = 1 if limit == "upper" else -1
    assert (alert["grade"], alert["lot"], row["state"]) == ("look", "L11", "look")
    assert alert["message"].endswith(f"readings beyond the range of the meter leave it open; {bags}")
    # The board starts with this lot; before, it had "Nothing to do here".
    board_text = " ".join(words(board.layout(reader)))
    assert f"Start with Alder Film MB-10, shielding energy: a lot is undecided, {bags}" in board_text
    assert "Nothing to do here" not in board_text
    assert "undecided" in words(retest.layout(reader))
    lot_text = " ".join(words(lot_page.layout(reader, supplier="Alder Film", lot="L11")))
    assert f"({level}, limit " in lot_text
    assert bags in lot_text
    assert "Hold the lot." in lot_text
    # The notice: the same level as a bound in its document, in the rows of its tables and on paper, and no difference from it.
    (listed,) = paper["lots"]
    assert (listed["level"], listed["bound"], listed["verdict"]) == (None, bound, "undecided")
    open_end, known_end = ("high", "low") if limit == "upper" else ("low", "high")
    assert listed["level_range"] is not None
    assert listed["level_range"][open_end] is None  # type: ignore[literal-required]
    assert listed["level_range"][known_end] == pytest.approx(listed["shown"], rel=1e-9)  # type: ignore[literal-required]
    assert (paper["difference"], paper["difference_percent"]) == (None, None)
    assert paper["evidence"]["latest_bound"] == bound
    assert wording.lot_rows(paper)[0][4] == level
    assert wording.lot_rows(paper)[0][-1].startswith(f"undecided; {bags}")
    sign = ">" if limit == "upper" else "<"
    assert f"{sign} {level.split(' or ')[0]}, lot L11" in dict(wording.changed(paper))["lot of this notice"]
    assert "difference" not in dict(wording.changed(paper))
    (again,) = wording.retests(paper)
    assert f"nJ or {'more' if limit == 'upper' else 'less'} (2 bags" in again
    pages = pypdf.PdfReader(io.BytesIO(as_pdf(paper))).pages
    printed = " ".join(" ".join(page.extract_text() for page in pages).split())
    assert level in printed
    assert again in printed


def test_a_limit_that_changes_counts_the_bags_anew(bench: Bench) -> None:
    bench.declare(LAB_TOML)
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 61)
    bench.drop_tests("wk.csv", lot_rows("L0", MONDAY, [[12.0], [14.0], [16.0]]))
    bench.run()
    bench.declare(LAB_TOML.replace("value = 20.0", "value = 15.0"))
    bench.run()
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        (session,) = lot_document.lot(connection, reader.lab, "Alder Film", "L0")["sessions"]
    assert session["bag_count"] == {"bags": 3, "outside": 1, "undecided": 0, "worst": 16.0, "worst_bound": 0}
