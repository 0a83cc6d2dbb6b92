"""A person's decision on a lot answers the alerts about that lot, wherever the work is listed."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

import numpy as np
import pytest
from click.testing import CliRunner
from support.commands import document
from support.labs import MONDAY, NOW, Bench, lot_rows
from support.page_text import words
from support.stores import on_both_stores

from dashboard.cli import main
from dashboard.delivery import weekly_digest
from dashboard.queries.lab_reader import LabReader
from dashboard.web.app import make_app, page
from ingest.audit.subjects import Subject

pytestmark = pytest.mark.usefixtures("lab_clock")

PAGE = {"Host": "127.0.0.1", "Origin": "http://127.0.0.1", "Sec-Fetch-Site": "same-origin"}
STEADY = 18
GUARDED = "guard_percent = 10\nupper_limit = [ { value = 50.0"


def week(number: int) -> datetime:
    return MONDAY + timedelta(weeks=number)


def lots(first: int, levels: list[float]) -> list[dict[str, object]]:
    scatter = np.random.default_rng(first)
    return [
        row
        for number, level in enumerate(levels, first)
        for row in lot_rows(
            f"L{number:02d}", week(number), [(level * np.exp(scatter.normal(0, 0.03, 3))).round(3) for _ in range(4)]
        )
    ]


def failing(bench: Bench, *levels: float) -> None:
    """Steady lots of 9 nJ, then lots at these levels; the limit is 20 nJ."""
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 40)
    bench.drop_tests("all.csv", lots(0, [9.0] * STEADY + list(levels)))
    bench.run()


def enter(bench: Bench, subject: str, what: str, now: datetime = NOW, **fields: str) -> None:
    browser = make_app(bench.folder, clock=lambda: now).server.test_client()
    sent = {"subject": subject, "what": what, "who": "Bench 2", "reason": "by procedure", **fields}
    answer = browser.post("/entry", data=sent, headers={**PAGE, "Accept": "text/html"})
    assert answer.status_code == 303, answer.text


def decide(bench: Bench, lot: str, what: str, now: datetime = NOW) -> None:
    enter(bench, str(Subject.lot("Alder Film", lot)), what, now)


def listed(bench: Bench) -> dict[str, str]:
    """The work as every surface lists it."""
    reader = LabReader(bench.folder)
    (case,) = document(bench.folder, "cases")
    texts = {
        name: " ".join(words(page(reader, path, search)))
        for name, path, search in (
            ("board", "/", ""),
            ("alerts", "/alerts", ""),
            ("case", "/cases", f"?{urlencode({'case': case['id']})}"),
            ("supplier", "/supplier", "?name=Alder+Film"),
            ("stream", "/stream", "?supplier=Alder+Film&product=MB-10&characteristic=shielding_energy"),
        )
    }
    with reader.reading() as connection:
        texts["digest"] = weekly_digest.as_html(weekly_digest.document(connection, reader.lab, NOW), {})
    texts["command"] = CliRunner().invoke(main, ["cases", "--lab", str(bench.folder)]).stdout
    return texts


def states(bench: Bench) -> dict[str, str]:
    alerts: list[Any] = list(document(bench.folder, "alerts", "--all"))
    return {one["kind"]: one["state"] for one in alerts}


@on_both_stores
@pytest.mark.parametrize("what", ["hold", "release", "return", "use as is"])
def test_after_a_decision_on_the_failed_lot_no_list_asks_for_it(bench: Bench, what: str) -> None:
    failing(bench, 30.0)
    before = listed(bench)
    assert "Decide on L18" in before["board"]
    assert all(
        "no response yet" in before[name] for name in ("board", "alerts", "case", "supplier", "digest", "command")
    )

    decide(bench, "L18", what)

    after = listed(bench)
    assert not [name for name, text in after.items() if "Decide on" in text or "no response yet" in text]
    for name in ("board", "supplier", "stream"):
        assert "Ask Alder Film" in after[name], name
    assert "Ask Alder Film lot decided, watching" in after["board"]
    assert "0 to respond to" in after["alerts"]
    assert all("lot decided, watching" in after[name] for name in ("case", "supplier", "digest", "command"))
    assert states(bench) == {"limit": "acknowledged", "point": "acknowledged"}
    # The next round derives the alerts again.
    bench.run()
    assert states(bench) == {"limit": "acknowledged", "point": "acknowledged"}


def test_a_note_on_the_lot_is_no_decision(bench: Bench) -> None:
    failing(bench, 30.0)

    decide(bench, "L18", "note")

    assert "Decide on L18" in listed(bench)["board"]


def test_every_failed_lot_of_an_alert_waits_for_a_decision_of_its_own(bench: Bench) -> None:
    failing(bench, 30.0, 9.0, 31.0)

    decide(bench, "L18", "return")

    assert states(bench)["limit"] == "open"
    assert "Decide on L20" in listed(bench)["board"]
    decide(bench, "L20", "return")
    assert states(bench)["limit"] == "acknowledged"
    assert "Decide on" not in listed(bench)["board"]


def test_a_later_failed_lot_and_a_later_test_of_the_lot_ask_again(bench: Bench) -> None:
    failing(bench, 30.0)
    decide(bench, "L18", "hold", week(19))

    bench.drop_tests("next.csv", lots(19, [9.0, 9.0, 9.0, 9.0, 32.0]))
    bench.run()
    assert "Decide on L23" in listed(bench)["board"]
    decide(bench, "L23", "return", week(24))
    assert states(bench)["limit"] == "acknowledged"

    bench.drop_tests("again.csv", lot_rows("L18", week(25), [[9.0, 9.1, 9.2]] * 4))
    bench.run()
    assert "Decide on L18" in listed(bench)["board"]


def test_an_alert_that_a_person_opens_again_after_the_decision_stays_open(bench: Bench) -> None:
    failing(bench, 30.0)
    decide(bench, "L18", "release", NOW - timedelta(hours=2))
    alert = next(one["id"] for one in document(bench.folder, "alerts") if one["kind"] == "limit")

    enter(bench, f"alert:{alert}", "open again", NOW - timedelta(hours=1))

    assert states(bench)["limit"] == "open"
    decide(bench, "L18", "return", NOW)
    assert states(bench)["limit"] == "acknowledged"


def test_after_a_decision_on_an_undecided_lot_nothing_is_left_to_do(bench: Bench) -> None:
    bench.declare((bench.folder / "lab.toml").read_text().replace("upper_limit = [ { value = 50.0", GUARDED))
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 40)
    bench.drop_tests("all.csv", lots(0, [19.0]))
    bench.run()
    assert "Review" in listed(bench)["board"]

    decide(bench, "L00", "release")

    after = listed(bench)
    assert "lot decided, watching" in after["command"]
    assert "What to do Nothing until the next lot is tested" in after["stream"]


def test_a_failed_lot_is_decided_while_the_supplier_has_time_to_answer(bench: Bench) -> None:
    failing(bench, 30.0)
    alert = next(one["id"] for one in document(bench.folder, "alerts") if one["kind"] == "limit")
    enter(bench, f"alert:{alert}", "supplier asked", on=NOW.date().isoformat())
    assert "Decide on L18" in listed(bench)["stream"]

    decide(bench, "L18", "return")

    assert "Wait for the answer until 9 Dec 2026" in listed(bench)["stream"]
