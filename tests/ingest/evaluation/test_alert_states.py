"""The state of an alert by its evidence and the entries of people, from round to round."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from support.labs import MONDAY, Bench, lot_rows

from dashboard.queries import stored_documents
from dashboard.queries.lab_reader import LabReader
from ingest.alerts.attribution import deliveries_again
from ingest.common.instants import microseconds
from ingest.decisions.responses import respond
from ingest.documents.alert import Alert
from ingest.store.store import Store, backend_of

BOTH_STORES = True

STEADY, HIGHER, HIGHEST = 24, 33, 45
"""The first lots at each level: 10, 12 and 15 nJ."""


def drop_lots(bench: Bench, lots: range) -> None:
    scatter = np.random.default_rng(3).normal(0, 0.03, 60)
    rows = []
    for week in lots:
        level = (10.0 if week < STEADY else 12.0 if week < HIGHER else 15.0) * float(np.exp(scatter[week]))
        rows += lot_rows(f"L{week}", MONDAY + timedelta(weeks=week), [[level * 0.99], [level], [level * 1.01]])
    bench.drop_tests(f"{lots.start}.csv", rows)


def drift(bench: Bench) -> Alert:
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        alerts = stored_documents.alerts(connection, reader.lab, closed_too=True)
    (alert,) = [one for one in alerts if one["kind"] == "drift"]
    return alert


def answer(bench: Bench, alert: Alert, what: str, week: int) -> None:
    store = Store(backend_of(bench.folder))
    try:
        with store.writing() as connection:
            respond(
                connection, f"alert:{alert['id']}", what, "A. Specialist", "new laminator", "",
                MONDAY + timedelta(weeks=week, days=1),
            )  # fmt: skip
    finally:
        store.close()


@pytest.mark.parametrize("what", ["close", "acknowledge"])
def test_a_level_that_moves_on_after_a_person_closed_the_alert_opens_it_again(bench: Bench, what: str) -> None:
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 47)
    drop_lots(bench, range(HIGHER))
    bench.run()
    alert = drift(bench)
    answer(bench, alert, what, HIGHER - 1)
    closed = drift(bench)["state"]
    # The level stays where the person accepted it.
    drop_lots(bench, range(HIGHER, HIGHER + 1))
    bench.run()
    stays = drift(bench)["state"]
    drop_lots(bench, range(HIGHER + 1, HIGHEST))
    raised = bench.run().raised

    again = drift(bench)
    assert again["id"] == alert["id"]
    if what == "acknowledge":
        assert (closed, stays, again["state"], alert["id"] in raised) == (*["acknowledged"] * 3, False)
        return
    assert (closed, stays, again["state"]) == ("closed", "closed", "open")
    assert alert["id"] in raised
    # It goes out again, under a name of its own.
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        names = deliveries_again(connection)
    entered = microseconds(MONDAY + timedelta(weeks=HIGHER - 1, days=1))
    assert names == {alert["id"]: f"{alert['id']}-moved-on-after-{entered}"}
    answer(bench, again, "close", HIGHEST)
    assert drift(bench)["state"] == "closed"


def test_many_rounds_end_in_the_alert_of_one_round(tmp_path_factory: pytest.TempPathFactory) -> None:
    one, many = (Bench(tmp_path_factory.mktemp(name)) for name in ("one", "many"))
    for lab in (one, many):
        lab.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 47)
    drop_lots(one, range(HIGHEST))
    one.run()
    for start, stop in ((0, 20), (20, 29), (29, 38), (38, HIGHEST)):
        drop_lots(many, range(start, stop))
        many.run()

    assert drift(one) == drift(many)
