"""Every quantity of a stream is the same on every surface: board, stream, lot, supplier, alerts, digest, mail, notice, card."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pytest
from click.testing import CliRunner
from support.demolab import NOW, demo_lab
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows
from support.page_text import words

from dashboard.cli import main
from dashboard.delivery import alert_messages, weekly_digest
from dashboard.notice import notice, wording
from dashboard.queries import lot_document, page_queries, stored_documents, stream_document
from dashboard.queries.lab_reader import LabReader
from dashboard.scorecard import csv_file, scorecard
from dashboard.scorecard import wording as card_wording
from dashboard.text.formatting import amount, day, evidence, in_unit, percent, present_text, shown
from dashboard.web.app import page
from ingest.alerts.attribution import ATTRIBUTABLE_KINDS
from ingest.decisions.corrective_actions import no_notice_because
from ingest.documents.alert import STOCK_ID

STRANGER = (
    LAB_TOML
    + """
[[characteristic]]
name = "peel_strength"
unit = "ohm"
scale = "linear"
upper_limit = [ { value = 30.0 } ]
"""
)


def stranger(folder: Path) -> Path:
    """A lab that nobody tuned anything to: a steady stream, one that rises towards its limit, one that is just begun."""
    bench = Bench(folder)
    bench.declare(STRANGER)
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 42)
    rng = np.random.default_rng(11)
    rows: list[dict[str, object]] = []
    for week in range(40):
        tested = MONDAY + timedelta(weeks=week)
        for supplier, product, characteristic, unit, level in (
            ("Nørre Film", "N 1", "shielding_energy", "nJ", 8.0 * np.exp(0.03 * max(week - 24, 0))),
            ("Nørre Film", "N 2", "peel_strength", "ohm", 20.0),
            ("Zweig", "Z/9", "shielding_energy", "nJ", 11.0),
        ):
            if product == "Z/9" and week < 30:
                continue
            lot = level * np.exp(0.05 * rng.standard_normal())
            bags = [[round(float(lot * np.exp(0.05 * rng.standard_normal())), 3)] for _ in range(6)]
            rows += lot_rows(
                f"{product[0]}{week:03}", tested, bags, supplier=supplier, product=product, characteristic=characteristic,
                unit=unit,
            )  # fmt: skip
    bench.drop_tests("all.csv", rows)
    bench.run()
    return bench.folder


@pytest.fixture(scope="module", params=["demo", "stranger"])
def lab_reader(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> LabReader:
    if request.param == "demo":
        return LabReader(demo_lab(tmp_path_factory.getbasetemp()))
    return LabReader(stranger(tmp_path_factory.mktemp("stranger") / "lab"))


@pytest.fixture(scope="module")
def gathered(lab_reader: LabReader) -> dict[str, Any]:
    """What the surfaces are made of, read once."""
    lab = lab_reader.lab
    with lab_reader.reading() as connection:
        alerts = stored_documents.alerts(connection, lab, closed_too=True)
        board = stored_documents.board(connection, lab)
        quarters = stored_documents.quarters(connection, lab)
        cards = scorecard.documents(connection, lab, quarters[0])
        notices = {
            one["id"]: notice.document(connection, lab, one["id"]) for one in alerts if not no_notice_because(one)
        }
        week = weekly_digest.document(connection, lab, NOW)
        reasons = page_queries.reasons(connection, lab)
        streams = {key(row): stream_document.stream(connection, lab, *key(row)) for row in board}
        last_week = page_queries.last_week(connection, lab)
    return {
        "alerts": alerts, "board": board, "cards": cards, "notices": notices, "week": week, "reasons": reasons,
        "streams": streams, "last_week": last_week,
    }  # fmt: skip


def key(row: Any) -> tuple[str, str, str]:
    return row["supplier"], row["product"], row["characteristic"]


def of_streams(alerts: list[Any]) -> list[Any]:
    """The alerts that a stream's lots raised; those about lots in stock name a stream, but concern the shelf."""
    return [one for one in alerts if one["characteristic"] and not one["id"].startswith(STOCK_ID)]


def command(lab_reader: LabReader, *arguments: str) -> Any:
    found = CliRunner().invoke(main, [*arguments, "--json", "--lab", str(lab_reader.lab.folder)])
    assert found.exit_code == 0, found.output
    return json.loads(found.stdout)


def test_the_level_now_the_chance_and_the_last_lot_are_one_figure_everywhere(
    lab_reader: LabReader, gathered: dict[str, Any]
) -> None:
    printed = {key(row): row for row in command(lab_reader, "board")}
    assert len(printed) == len(gathered["board"]) > 2
    cards = {key(row): row for card in gathered["cards"] for row in card["streams"]}
    closest = {key(row): row for row in gathered["week"]["closest"]}
    for row in gathered["board"]:
        stream, unit = gathered["streams"][key(row)], row["unit"]
        figures = ("level", "change_percent_per_month", "breach_probability")
        for other in (printed[key(row)], closest.get(key(row))):
            if other is not None:
                assert [other[name] for name in (*figures, "last_lot", "lots")] == [
                    row[name] for name in (*figures, "last_lot", "lots")
                ]
        # The stream's document: the last lot, the number of valid lots, the forecast.
        assert stream["points"][-1]["lot"] == row["last_lot"]
        assert stream["points"][-1]["tested_at"] == row["last_tested_at"]
        assert len({point["lot"] for point in stream["points"] if point["state"] == "valid"}) == row["lots"]
        if stream["forecast"] is not None:
            assert stream["forecast"]["change_percent_per_month"] == row["change_percent_per_month"]
            if row["breach_probability"] is not None:
                assert stream["forecast"]["breach_probability"] == row["breach_probability"]
                assert stream["forecast"]["weeks_to_limit"] == row["weeks_to_limit"]
        # The card of the quarter that runs is as of today, and its CSV too.
        if key(row) in cards:
            card = cards[key(row)]
            assert (card["level_now"], card["change_percent_per_month"], card["breach_probability"]) == tuple(
                row[name] for name in figures
            )
            assert card["state"] == row["state"]
            assert f"level {amount(row['level'], unit, digits=row['digits'])}" in card_wording._forecast(card)
            cells = dict(zip(csv_file.COLUMNS, csv_file.stream_row(card, gathered["cards"][0]), strict=True))
            assert cells["level_now"] == row["level"]


def test_an_alert_states_the_board_as_now_and_keeps_the_sentence_of_its_day(
    lab_reader: LabReader, gathered: dict[str, Any]
) -> None:
    board = {key(row): row for row in gathered["board"]}
    about_streams = of_streams(gathered["alerts"])
    assert about_streams
    context = alert_messages.MessageContext(lab_reader.lab.name, 13, None, board)
    for alert in about_streams:
        row, now = board[key(alert)], alert["now"]
        assert now == {name: row[name] for name in now}
        level, last = f"level {in_unit(row, row['level'])}", f"last lot {row['last_lot']}"
        # The present figures lead where a later lot was tested, else they stand among the facts.
        facts = [present_text(alert), *evidence(alert)]
        assert any(
            fact.startswith((f"now: {level}, {last}", "Now ")) and level in fact and last in fact for fact in facts
        )
        mail = alert_messages.about_one(alert, context)
        assert f"now: {level}, {last}" in mail.text
        if row["breach_probability"] is not None:
            chance = percent(row["breach_probability"])
            assert any(
                f"chance of a failing lot {chance}" in fact or f"{chance} chance of a failing lot" in fact
                for fact in facts
            )
        if alert["id"] in gathered["notices"]:
            paper = gathered["notices"][alert["id"]]
            assert paper["level_now"] == row["level"]
            changed = dict(wording.changed(paper))
            if "level now" in changed:
                assert changed["level now"] == amount(row["level"], row["unit"])


def test_a_drift_and_a_forecast_of_one_move_have_one_start_on_every_surface(
    lab_reader: LabReader, gathered: dict[str, Any]
) -> None:
    moves: dict[tuple[Any, ...], set[str]] = {}
    for alert in of_streams(gathered["alerts"]):
        if alert["kind"] in ("drift", "forecast") and alert["state"] != "closed":
            facts = shown(alert["evidence"])
            moves.setdefault((*key(alert), facts["direction"]), set()).add(str(facts["since_at"]))
            assert alert["kind"] in ATTRIBUTABLE_KINDS
    assert moves
    assert all(len(starts) == 1 for starts in moves.values())
    for (supplier, product, characteristic, _), starts in moves.items():
        (since,) = starts
        query = urlencode({"supplier": supplier, "product": product, "characteristic": characteristic})
        html = words(page(lab_reader, "/stream", f"?{query}"))
        assert day(since) in html


def test_alerts_and_new_alerts_are_counted_alike(lab_reader: LabReader, gathered: dict[str, Any]) -> None:
    printed = command(lab_reader, "alerts", "--all")
    assert {one["id"]: (one["state"], one["grade"], one["message"]) for one in printed} == {
        one["id"]: (one["state"], one["grade"], one["message"]) for one in gathered["alerts"]
    }
    not_closed = [one for one in gathered["alerts"] if one["state"] != "closed"]
    for row in gathered["board"]:
        # Lots in stock near their date are a reason to look at the stream of their film.
        own = [one for one in not_closed if one["characteristic"] and key(one) == key(row)]
        assert len(gathered["reasons"].get(key(row), [])) == len(own)
    unexplained = [one for one in not_closed if one["held_under"] is None]
    assert {one["id"] for one in gathered["week"]["open"]} == {one["id"] for one in unexplained}
    assert len(gathered["week"]["new"]) == len(gathered["last_week"]["raised"])
    assert gathered["week"]["lots"] == gathered["last_week"]["lots"]


def test_the_centre_line_and_a_lot_are_the_same_in_stream_lot_and_card(
    lab_reader: LabReader, gathered: dict[str, Any]
) -> None:
    cards = {key(row): row for card in gathered["cards"] for row in card["streams"]}
    for row in gathered["board"]:
        stream = gathered["streams"][key(row)]
        measured = [point for point in stream["points"] if point["level"] is not None and point["state"] == "valid"]
        assert measured[-1]["center"] == pytest.approx(stream["limits"]["center"], rel=1e-12)
        in_force = {
            one["evidence"]["usual"]
            for one in gathered["alerts"]
            if one["characteristic"] and key(one) == key(row) and "usual" in one["evidence"]
        }
        assert all(usual == pytest.approx(stream["limits"]["center"], rel=1e-12) for usual in in_force)
        last = measured[-1]
        with lab_reader.reading() as connection:
            lot = lot_document.lot(connection, lab_reader.lab, row["supplier"], last["lot"])
        (session,) = [
            one for one in lot["sessions"] if key({**row, **one}) == key(row) and one["tested_at"] == last["tested_at"]
        ]
        assert (session["level"], session["verdict"], session["bag_count"]) == (
            last["level"], last["verdict"], last["bag_count"],
        )  # fmt: skip
        counted = [one for one in cards.get(key(row), {"lot_list": []})["lot_list"] if one["lot"] == last["lot"]]
        for one in counted:
            assert (one["level"], one["bag_count"]) == (last["level"], last["bag_count"])
