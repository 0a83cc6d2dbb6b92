"""Mails after the first import of a history state that it is one; what comes later is new."""

from __future__ import annotations

from datetime import timedelta
from email import message_from_bytes
from email.policy import default
from pathlib import Path

import pytest
from support.labs import MONDAY, NOW, Bench, lot_rows
from support.stores import on_both_stores

from dashboard.delivery import weekly_digest
from dashboard.delivery.alert_messages import FIRST_READING
from dashboard.delivery.dispatch import deliver
from dashboard.queries.lab_reader import LabReader
from ingest.config.lab import load
from ingest.store.first_reading import first_reading
from ingest.store.store import known_store

FAILS, BAD = [[30.0, 31.0], [29.0, 32.0]], "L9"


def mails(bench: Bench, after: timedelta) -> dict[str, str]:
    """The alert mails that a delivery adds, by subject."""
    store, folder = known_store(bench.folder), Path(bench.folder / "outbox")
    assert store is not None
    before = set(folder.glob("*"))
    deliver(store, load(bench.folder), NOW + after, {})
    store.close()
    texts = {}
    for path in set(folder.glob("*")) - before:
        mail = message_from_bytes(path.read_bytes(), policy=default)
        part = mail.get_body(("plain",))
        assert part is not None
        texts[path.name] = str(part.get_content())
    return texts


def digest_text(bench: Bench, after: timedelta) -> str:
    reader = LabReader(bench.folder)
    with reader.reading() as connection:
        week = weekly_digest.document(connection, reader.lab, NOW + after)
    return weekly_digest.as_message(week, {}, None).text


@on_both_stores
@pytest.mark.usefixtures("lab_clock")
def test_the_mails_after_the_first_import_of_a_history_state_it_in_one_line(bench: Bench) -> None:
    # A round before any file is no reading.
    bench.run(NOW - timedelta(hours=1))
    bench.drop_climate("log.csv", MONDAY - timedelta(days=4), 24 * 30)
    for week in range(2):
        bench.drop_tests(f"t{week}.csv", lot_rows(f"L{week}", MONDAY + timedelta(weeks=week), FAILS))
    bench.run(NOW)
    first = mails(bench, timedelta(minutes=1))
    assert first
    assert all(text.count(FIRST_READING) == 1 for text in first.values())
    assert FIRST_READING in digest_text(bench, timedelta(days=3))

    # The next file brings news.
    bench.drop_climate("log2.csv", NOW - timedelta(days=4), 24 * 4)
    bench.drop_tests("new.csv", lot_rows(BAD, NOW - timedelta(hours=3), FAILS, supplier="Birch Bags"))
    bench.run(NOW + timedelta(hours=1))
    later = mails(bench, timedelta(hours=1, minutes=1))
    assert any(BAD in text for text in later.values())
    assert not any(FIRST_READING in text for text in later.values())
    assert FIRST_READING not in digest_text(bench, timedelta(days=10))


def test_a_lab_that_begins_with_its_first_test_has_no_history(bench: Bench) -> None:
    bench.drop_climate("log.csv", NOW - timedelta(days=4), 24 * 4)
    bench.drop_tests("t.csv", lot_rows("L1", NOW - timedelta(hours=3), FAILS))
    bench.run(NOW)
    store = known_store(bench.folder)
    assert store is not None
    with store.reading() as connection:
        assert first_reading(connection) is None
    store.close()
    assert not any(FIRST_READING in text for text in mails(bench, timedelta(minutes=1)).values())
