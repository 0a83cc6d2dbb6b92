"""Tests of weeks in which the bench was off stay marked: on chart, lot, notice, card and bundle, also after the finding closed."""

from __future__ import annotations

import csv
import io
import zipfile
from datetime import timedelta

import numpy as np
import pytest
from support.demolab import demo_lab
from support.labs import MONDAY, Bench, lot_rows

from dashboard.evidence import bundle_file, bundle_scope
from dashboard.notice import notice, wording
from dashboard.queries import bench_queries, lot_document, stored_documents, stream_document
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import scorecard
from dashboard.scorecard.wording import bench_marks
from dashboard.text.bench.bench_mark_text import mark_sentence
from dashboard.text.formatting import day, humidity
from ingest.alerts.bench_shares import weeks_off
from ingest.common.instants import from_microseconds, microseconds, weeks_to_us
from ingest.config.lab import load
from ingest.evaluation.humidity_effect import _document
from ingest.store.store import open_store
from spc.shared_shift.effect import Size
from spc.shared_shift.finding import Finding
from spc.stream.humidity_effect import humidity_sensitivity

MARKED = "BF04255"


@pytest.fixture(scope="module")
def lab_reader(tmp_path_factory: pytest.TempPathFactory) -> LabReader:
    return LabReader(demo_lab(tmp_path_factory.getbasetemp()))


def test_a_lot_of_the_weeks_in_which_the_tester_was_off_carries_the_closed_finding_on_every_surface(
    lab_reader: LabReader,
) -> None:
    names = ("Brackenfoil", "BF-110", "shielding_energy")
    with lab_reader.reading() as connection:
        findings = bench_queries.bench(connection, lab_reader.lab)["findings"]
        # The calibration that found the same tester off marks only the tests that the shared shift does not.
        (finding,) = [one for one in findings if one["message"].startswith("Shielding tester 1 read")]
        stream = stream_document.stream(connection, lab_reader.lab, *names)
        lot = lot_document.lot(connection, lab_reader.lab, names[0], MARKED)
        alerts = stored_documents.alerts(connection, lab_reader.lab)
        (drift,) = [one for one in alerts if one["kind"] == "drift" and one["product"] == "BF-110"]
        paper = notice.document(connection, lab_reader.lab, drift["id"])
        (card,) = scorecard.documents(connection, lab_reader.lab, "2026-Q3", names[0])
    assert finding["state"] == "closed"
    assert finding["off_until_at"] is not None
    (point,) = [one for one in stream["points"] if one["lot"] == MARKED]
    (session,) = [one for one in lot["sessions"] if one["characteristic"] == names[2]]
    (listed,) = [one for one in paper["lots"] if one["lot"] == MARKED]
    (row,) = [one for one in card["streams"] if one["product"] == "BF-110" and one["characteristic"] == names[2]]
    (counted,) = [one for one in row["lot_list"] if one["lot"] == MARKED]
    (mark,) = session["bench_findings"]
    assert point["bench_findings"] == listed["bench_findings"] == counted["bench_findings"] == [mark]
    assert mark["finding"] == finding["finding"]
    assert (mark["off_from_at"], mark["off_until_at"]) == (finding["off_from_at"], finding["off_until_at"])
    # The size is taken out: what is left is the level divided by 1 + size.
    assert session["level"] is not None
    assert mark["size"] is not None
    assert mark["level_without"] == pytest.approx(session["level"] / (1 + mark["size"] / 100), rel=1e-12)
    # The lots before and after those weeks carry nothing.
    weeks = [
        point["tested_at"]
        for point in stream["points"]
        if any(one["finding"] == finding["finding"] for one in point["bench_findings"])
    ]
    assert all(len(point["bench_findings"]) < 2 for point in stream["points"])
    assert weeks
    assert all(finding["off_from_at"] <= tested < finding["off_until_at"] for tested in weeks)
    # In words: the value as read and as it would be, the finding and its weeks.
    sentence = mark_sentence(session["bench_findings"], session["level"], session)
    assert "14.6 nJ as read and 13.0 nJ without it" in sentence
    weeks_in_words = f"from about {day(finding['off_from_at'])}, normal again from {day(finding['off_until_at'])}"
    assert f"12 % high {weeks_in_words} (finding {finding['finding']})" in sentence
    assert f"lot {MARKED} 14.6 nJ as read, 13.0 nJ without it" in " ".join(wording.bench(paper))
    assert "see “Our bench”" in wording.restrictions(paper)[-1]
    assert f"{MARKED} 14.6 nJ as read, 13.0 nJ without it" in bench_marks(row)
    # The bundle of the lot: the mark beside the session, and the finding among the alerts.
    out = io.BytesIO()
    with lab_reader.reading() as connection:
        bundle_file.write(connection, lab_reader.lab, bundle_scope.of_lot(connection, names[0], MARKED), out)
    with zipfile.ZipFile(out) as bundle:
        rows = {
            name: list(csv.DictReader(io.StringIO(bundle.read(name).decode("utf-8-sig"))))
            for name in ("sessions.csv", "alerts.csv")
        }
    (energy,) = [one for one in rows["sessions.csv"] if one["characteristic"] == names[2]]
    assert energy["bench_findings"] == mark["finding"]
    assert float(energy["level_without_bench"]) == mark["level_without"]
    assert mark["finding"] in {one["id"] for one in rows["alerts.csv"]}


def test_a_notice_lists_the_retest_the_lots_together_and_asks_nothing_of_what_improves(lab_reader: LabReader) -> None:
    with lab_reader.reading() as connection:
        alerts = stored_documents.alerts(connection, lab_reader.lab)
        papers = {
            (one["kind"], one["product"]): notice.document(connection, lab_reader.lab, one["id"])
            for one in alerts
            if one["kind"] in ("limit", "spread", "drift") and one["held_under"] is None and one["supplier"]
        }
    failed = papers["limit", "UM-9"]
    assert [one["lot"] for one in failed["retests"]] == ["UM08224"]
    assert "12.9 nJ" in wording.retests(failed)[0]
    assert "No test" not in wording.validity(failed)
    # No lot of the run is over its own control limit: the paper states what they show together.
    spread = papers["spread", "UM-9"]
    assert all(
        lot["bag_spread"] <= lot["bag_spread_upper"] for lot in spread["lots"] if lot["bag_spread_upper"] is not None
    )
    basis = spread["basis"]
    assert basis is not None
    degrees = np.array([lot["bags"] - 1 for lot in spread["lots"]])
    variance = np.array([lot["bag_spread"] for lot in spread["lots"]]) ** 2
    assert basis["value"] == pytest.approx(float(np.sqrt(degrees @ variance / degrees.sum())), rel=1e-12)
    assert basis["value"] > 1.3 * basis["value_before"]
    assert "lots together" in dict(wording.changed(spread))
    better = papers["drift", "QM-52"]
    assert not better["asks_for_answer"]
    assert wording.requests(better) == ()
    assert "ask for no answer" in wording.answer(better)
    assert wording.requests(failed)


def finding_at(since: float, size: float) -> Finding:
    return Finding(
        suspect_kind="chamber and quantity", suspect="C1", quantity="resistance",
        first_named=("chamber and quantity", "C1", "resistance"), direction=1 if size > 0 else -1, since=since, since_low=since,
        since_high=since, completed_at=since + 3, until=np.inf, until_high=np.inf, returned_at=np.inf,
        sizes={"resistance": Size(size, 0.02, size, 0.02, np.nan, np.nan)}, sigmas=2.0, sigmas_se=0.2, suppliers=3, agreeing=3,
        score=5.0, check_score=np.nan, apart=(), explained=(), alternatives=(), rivals=(),
    )  # fmt: skip


@pytest.mark.parametrize(("damp", "size", "returned"), [(range(20, 26), 0.24, True), (range(26, 40), -0.24, False)])
def test_a_finding_names_the_weeks_of_unusual_humidity_and_not_the_return_to_normal(
    bench: Bench, damp: range, size: float, returned: bool
) -> None:
    rows = []
    for week in range(32):
        start = MONDAY + timedelta(weeks=week)
        percent = 13.5 if week in damp else 12.0
        bench.drop_climate(f"log{week:02}.csv", start - timedelta(hours=60), 24 * 7 - 0.5, humidity=percent)
        values = [[1e9 * float(np.exp(-size * (week in damp)))]] * 3
        rows += lot_rows(f"L{week}", start, values, characteristic="surface_resistance", unit="ohm")
    bench.drop_tests("lots.csv", rows)
    bench.run()
    shift = microseconds(MONDAY + timedelta(weeks=26))
    with open_store(bench.folder).reading() as connection:
        off = weeks_off(connection, load(bench.folder), finding_at(shift / weeks_to_us(1.0), size))
    assert off.returned == returned
    first = from_microseconds(off.from_us)
    if returned:
        # The damp weeks were off: the levels rose when the chamber was dry again.
        assert off.until_us == shift
        assert timedelta(0) <= first - (MONDAY + timedelta(weeks=20)) <= timedelta(weeks=1)
    else:
        assert (off.from_us, off.until_us) == (shift, None)


def test_no_effect_of_humidity_and_an_effect_that_nobody_can_tell_are_two_sentences(lab_reader: LabReader) -> None:
    rng = np.random.default_rng(5)
    percent = rng.normal(12.0, 0.5, 120)
    groups = np.zeros(120)
    quiet = humidity_sensitivity(rng.normal(0.0, 0.05, 120), percent, groups)
    # Levels that rise and fall by turns, over humidity in pairs of equal values: no slope, and a wide interval.
    wild = humidity_sensitivity([-3.0, 3.0] * 10, np.repeat(percent[:10], 2), groups[:20])
    assert quiet is not None
    assert wild is not None
    documents = [_document(lab_reader.lab, "surface_resistance_outside", one) for one in (quiet, wild)]
    assert [(one["matters"], one["known"]) for one in documents] == [(False, True), (False, False)]
    said = [humidity({"humidity": one, "points": [], "unit": "ohm"}) for one in documents]  # type: ignore[typeddict-item]
    assert said[0].startswith("No effect of humidity")
    assert said[1].startswith("Cannot tell")
    assert "%" not in said[1]
