"""The notice to a supplier: its own figures and nobody else's, refused where no supplier is concerned, sent to nobody."""

from __future__ import annotations

import io
import re
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pypdf
import pytest
from click.testing import CliRunner
from numpy.testing import assert_allclose
from support.demolab import copy_of, demo_lab
from support.labs import MONDAY, Bench, lot_rows

from dashboard.cli import main
from dashboard.notice import notice, wording
from dashboard.notice.pdf import as_pdf
from dashboard.notice.svg_chart import chart
from dashboard.queries import lot_document, stored_documents, stream_document
from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import make_app
from ingest.common.errors import CallError
from ingest.store.store import open_store

MARKUP = "<script>x</script> & #panic[*x*] $y$ \\ @z"


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> LabReader:
    return LabReader(copy_of(demo_lab(tmp_path_factory.getbasetemp()), tmp_path_factory.mktemp("notices") / "lab"))


def alerts(desk: LabReader) -> list[dict[str, Any]]:
    with desk.reading() as connection:
        return stored_documents.alerts(connection, desk.lab, closed_too=True)


def of_kind(desk: LabReader, kind: str, product: str | None = None) -> dict[str, Any]:
    """An alert of a kind about a stream; no supplier is asked about the lab's own stock."""
    of_streams = [one for one in alerts(desk) if not one["id"].startswith("stock")]
    return next(one for one in of_streams if one["kind"] == kind and product in (None, one["product"]))


def drawn(desk: LabReader, alert: str) -> dict[str, Any]:
    with desk.reading() as connection:
        return notice.document(connection, desk.lab, alert)


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages).split())


def test_no_notice_holds_a_name_or_a_lot_of_another_supplier(desk: LabReader) -> None:
    with desk.reading() as connection:
        lots = pd.DataFrame(
            connection.exec_driver_sql("SELECT DISTINCT supplier, lot FROM lot"), columns=["supplier", "lot"]
        )
    asked = [
        one
        for one in alerts(desk)
        if one["kind"] not in ("bench", "climate", "feed")
        and not one["held_under"]
        and not one["id"].startswith("stock")
    ]

    assert len({one["supplier"] for one in asked}) >= 3
    for alert in asked:
        document = drawn(desk, alert["id"])
        said = text_of(as_pdf(document)) + chart(document, wording.title(document))
        foreign = lots[lots["supplier"] != alert["supplier"]]
        found = [name for name in {*foreign["supplier"], *foreign["lot"]} if name in said]
        assert found == []
        assert alert["supplier"] in said


def test_the_picture_has_the_lots_of_its_own_stream_only(desk: LabReader) -> None:
    alert = of_kind(desk, "drift", "BF-110")
    document = drawn(desk, alert["id"])
    with desk.reading() as connection:
        stream = stream_document.stream(connection, desk.lab, "Brackenfoil", "BF-110", "shielding_energy")
    own = {(point["tested_at"], point["shown"]) for point in stream["points"] if point["state"] == "valid"}

    assert {(point["tested_at"], point["shown"]) for point in document["points"]} <= own
    svg = chart(document, "t")
    assert svg.count("<circle") + svg.count("<polygon") == len(document["points"])


def test_the_lots_are_those_since_the_estimated_start_with_the_levels_of_their_readings(desk: LabReader) -> None:
    alert = of_kind(desk, "drift", "BF-110")
    document = drawn(desk, alert["id"])
    since = datetime.fromisoformat(alert["evidence"]["since_at"])
    lot = document["lots"][-1]
    with desk.reading() as connection:
        readings = lot_document.lot(connection, desk.lab, "Brackenfoil", lot["lot"])["sessions"]
    energy = next(one for one in readings if one["characteristic"] == "shielding_energy")["readings"]
    frame = pd.DataFrame(energy).assign(log=lambda rows: np.log(rows["value"]))

    # By hand: the geometric mean of the bags' geometric means, and the highest reading.
    assert_allclose(lot["shown"], np.exp(frame.groupby("specimen")["log"].mean().mean()), rtol=1e-12)
    assert (lot["worst"], lot["bags"], lot["n"]) == (frame["value"].max(), frame["specimen"].nunique(), len(frame))
    assert all(datetime.fromisoformat(one["tested_at"]) >= since for one in document["lots"])
    assert lot["lot"] == alert["evidence"]["latest_lot"]


def test_the_paper_says_what_how_since_when_how_much_and_what_is_asked(desk: LabReader) -> None:
    alert = of_kind(desk, "drift", "BF-110")
    evidence = alert["evidence"]
    pdf = as_pdf(drawn(desk, alert["id"]))
    said = text_of(pdf)
    usual, latest = float(f"{evidence['usual']:.3g}"), float(f"{evidence['latest_level']:.3g}")

    for words in (
        "shielding energy, in nJ",
        "12 ± 3 % RH, 23 ± 3 °C, 48 h without a break up to the test",
        "% RH in the required hours up to the test, as in the table",
        "6 bags, 36 readings",
        "under 20.0 nJ (2018 edition)",
        "about 15 May 2026 (between 20 Nov 2025 and 15 May 2026)",
        f"+{latest - usual:.2f} nJ (+72 %)",
        "+6.5 % a month",
        "No test of this product and characteristic in that time was left out.",
        "These requests are common practice. Existing agreements take precedence.",
        "Please segregate remaining stock of these lots, and of material made with them, until we have spoken.",
        "Please answer within 14 days",
        "It is not a certificate.",
        "This notice does not reject, return or release any lot.",
    ):
        assert words in said
    # The figures above by hand from the evidence, and the difference as a reader finds it from the two printed levels.
    assert latest - usual == pytest.approx(evidence["latest_level"] - evidence["usual"], abs=0.06)
    assert f"{100 * (evidence['latest_level'] / evidence['usual'] - 1):+.0f}" == "+72"
    assert len(pypdf.PdfReader(io.BytesIO(pdf)).pages) == 2
    about = pypdf.PdfReader(io.BytesIO(pdf)).metadata
    assert about is not None
    assert (about.title, about.author) == (
        "Notice to Brackenfoil: BF-110, shielding energy", "Skerrywell static-control bench (invented)"
    )  # fmt: skip


@pytest.mark.parametrize("kind", ["limit", "spread", "point", "forecast"])
def test_every_kind_of_a_suppliers_alert_has_its_paper(desk: LabReader, kind: str) -> None:
    document = drawn(desk, of_kind(desk, kind)["id"])
    said = text_of(as_pdf(document))

    assert wording.headline(document) in said
    assert document["lots"]
    for lot in document["lots"]:
        assert lot["lot"] in said


def test_the_same_store_gives_the_same_bytes(desk: LabReader) -> None:
    alert = of_kind(desk, "drift", "BF-110")["id"]

    assert as_pdf(drawn(desk, alert)) == as_pdf(drawn(desk, alert))


def test_the_command_and_the_download_give_the_same_file_and_nothing_is_sent(desk: LabReader, tmp_path: Path) -> None:
    alert = of_kind(desk, "limit")["id"]
    outbox = sorted(path.name for path in (desk.folder / "outbox").glob("*"))

    done = CliRunner().invoke(main, ["notice", alert, "--lab", str(desk.folder), "--out", str(tmp_path / "o")])
    answer = make_app(desk.folder).server.test_client().get("/notice-file", query_string={"alert": alert})

    path = tmp_path / "o" / f"notice-{alert}.pdf"
    assert (done.exit_code, done.stdout) == (0, f"{path}\n")
    assert answer.data == path.read_bytes()
    assert answer.headers["Content-Disposition"] == f'attachment; filename="notice-{alert}.pdf"'
    assert sorted(path.name for path in (desk.folder / "outbox").glob("*")) == outbox
    with desk.reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM delivery WHERE about LIKE 'notice%'").scalar() == 0


@pytest.mark.parametrize("name", ["nobody", "../../etc", "", "\x1b[2J"])
def test_an_unknown_alert_is_one_line(desk: LabReader, tmp_path: Path, name: str) -> None:
    done = CliRunner().invoke(main, ["notice", name, "--lab", str(desk.folder), "--out", str(tmp_path / "o")])
    answer = make_app(desk.folder).server.test_client().get("/notice-file", query_string={"alert": name})

    assert (done.exit_code, done.stderr.count("\n")) == (2, 1)
    assert done.stderr.startswith('notice: there is no alert "')
    assert not (tmp_path / "o").exists()
    assert (answer.status_code, answer.data.count(b"\n")) == (404, 1)


def test_what_is_the_benchs_is_nothing_to_ask_a_supplier(desk: LabReader, tmp_path: Path) -> None:
    lab = copy_of(desk.folder, tmp_path / "lab")
    climate = of_kind(desk, "climate")["id"]
    held, by_kind = (of_kind(desk, kind)["id"] for kind in ("point", "forecast"))
    with open_store(lab).writing() as connection:
        connection.exec_driver_sql("UPDATE alert SET held_under = 'abc' WHERE id = ?", (held,))
        connection.exec_driver_sql("UPDATE alert SET kind = 'bench' WHERE id = ?", (by_kind,))

    for alert, why in (
        (climate, "it is of kind climate, a matter of the bench and not of a supplier"),
        (by_kind, "it is of kind bench, a matter of the bench and not of a supplier"),
        (held, "a bench finding explains it (alert abc), so it is not the supplier's"),
    ):
        with pytest.raises(CallError, match=re.escape(f"nothing to ask a supplier about alert {alert}: {why}")):
            drawn(LabReader(lab), alert)
        for arguments in (
            ["notice", alert, "--out", str(tmp_path / "o")],
            ["action", alert, "--asked", "2026-11-01", "--by", "B"],
        ):
            done = CliRunner().invoke(main, [*arguments, "--lab", str(lab)])
            assert (done.exit_code, done.stderr.count("\n")) == (2, 1)
            assert why in done.stderr
    assert not (tmp_path / "o").exists()


def test_names_are_text_and_tests_without_conditioning_are_counted_out(bench: Bench) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 16)
    rows = []
    for week in range(14):
        level = 10.0 + 0.3 * (week % 3) if week < 12 else 26.0
        chamber = "C9" if week == 13 else "C1"
        rows += lot_rows(
            f"L{week}", MONDAY + timedelta(weeks=week), [[level, level * 1.02]] * 3, supplier=MARKUP, chamber=chamber
        )
    rows += lot_rows("L14", MONDAY + timedelta(weeks=14), [[27.0, 27.5]] * 3, supplier=MARKUP)
    bench.drop_tests("t.csv", rows)
    bench.run()
    desk = LabReader(bench.folder)
    document = drawn(desk, of_kind(desk, "limit")["id"])
    said = text_of(as_pdf(document))

    assert f"Notice to {MARKUP}" in said
    assert [lot["lot"] for lot in document["lots"]] == ["L12", "L14"]
    assert document["left_out"] == 1
    assert "1 lot of that time is left out, as the log does not document the conditioning." in said
    # One number of digits on the whole paper, here four: the level, the worst bag and the level before.
    assert re.findall(r"[\d.]+ nJ", said).count("26.26 nJ") == 2
    assert "level before 10.40 nJ" in said
    assert "26.3 nJ" not in said


def test_the_headline_of_a_forecast_follows_the_present_chance(desk: LabReader) -> None:
    document: Any = drawn(desk, of_kind(desk, "forecast")["id"])
    later = {**document, "evidence": {**document["evidence"], "breach_probability": 0.07}}

    assert document["evidence"]["breach_probability"] >= document["likely"]
    assert wording.headline(document).endswith(": a failing lot is likely.")
    assert "a failing lot was likely on " in wording.headline(later)


@pytest.mark.parametrize(("after", "names"), [(1, 1), (7, 4)])
def test_a_good_lot_that_is_newer_than_the_failed_one_is_named(bench: Bench, after: int, names: int) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 30)
    levels = [9.0, 9.1, 8.9, 9.0, 9.2, 30.0, *[9.0] * after]
    rows = [
        row
        for number, level in enumerate(levels)
        for row in lot_rows(f"L{number:02d}", MONDAY + timedelta(weeks=number), [[level, level * 1.01]] * 3)
    ]
    bench.drop_tests("all.csv", rows)
    bench.run()
    reader = LabReader(bench.folder)

    paper = drawn(reader, of_kind(reader, "limit")["id"])

    assert [lot["lot"] for lot in paper["lots"]] == ["L05"]
    assert [lot["lot"] for lot in paper["others"]] == [f"L{number:02d}" for number in range(6, 6 + after)]
    text = wording.validity(paper)
    assert "left out" not in text
    assert text.count(" nJ, pass") == names
    assert f"{len(levels) - 6} other valid lot" in text
    assert f"lot L{len(levels) - 1:02d}, " in text
    assert text.split(". ")[-1] in " ".join(text_of(as_pdf(paper)).split())
