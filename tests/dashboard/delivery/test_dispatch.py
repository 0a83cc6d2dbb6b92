"""Who is told of which alert, when many become one, and that each reaches a reader once whatever happens in between."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections import Counter
from datetime import timedelta
from pathlib import Path

import pytest
from support.alarms import LATER, WEDNESDAY, Alarms, text_of
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows
from support.receivers import MailBox, Receiver, free_port, mail_server, receiver

from dashboard.delivery import dispatch
from dashboard.delivery.dispatch import BULK, waiting
from ingest.config.lab import load

pytestmark = pytest.mark.usefixtures("lab_clock")

READERS = ("head@example.org", "bench@example.org")


def served(port: int, more: str = "") -> str:
    return f"""
[mail]
server = "127.0.0.1"
port = {port}
security = "none"
from = "lotdrift@example.org"
to = ["head@example.org", "bench@example.org"]
timeout_seconds = 2
{more}
"""


# Without a mail server


def test_each_new_alert_of_grade_act_or_look_is_one_file(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    alarms.raise_alert("one")
    alarms.raise_alert("two", grade="look")
    alarms.raise_alert("three", grade="note")

    assert alarms.deliver() == []
    assert list(alarms.outbox()) == ["one.eml", "two.eml"]


def test_what_is_closed_acknowledged_or_explained_by_the_bench_is_not_told(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    alarms.raise_alert("closed", state="closed")
    alarms.raise_alert("seen", state="acknowledged")
    alarms.raise_alert("held", held_under="bench")

    alarms.deliver()

    assert alarms.outbox() == {}


def test_an_alert_that_the_bench_no_longer_explains_is_told_then(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    alarms.raise_alert("held", held_under="bench")
    alarms.deliver()
    alarms.change("held", held_under=None)

    alarms.deliver()

    assert list(alarms.outbox()) == ["held.eml"]


def test_a_bench_alert_says_how_many_supplier_alerts_it_explains(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    alarms.raise_alert("bench", kind="bench", supplier=None, product=None, characteristic=None)
    for name in ("one", "two", "three"):
        alarms.raise_alert(name, held_under="bench", state="closed" if name == "three" else "open")
    alarms.raise_alert("alone")

    alarms.deliver()

    texts = {name: text_of(mail) for name, mail in alarms.outbox().items()}
    assert "explains: 3 supplier alerts" in texts["bench.eml"]
    assert "explains" not in texts["alone.eml"]


def test_an_alert_is_told_once_also_when_it_is_opened_again(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    alarms.raise_alert("one")
    alarms.deliver()
    (tmp_path / "outbox" / "one.eml").unlink()
    alarms.change("one", state="closed")
    alarms.deliver()
    alarms.change("one", state="open")

    alarms.deliver()

    assert alarms.outbox() == {}


def test_a_storm_is_one_message_that_counts_and_begins_with_the_most_urgent(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    for number in range(BULK):
        alarms.raise_alert(f"look{number}", grade="look")
    alarms.raise_alert("worst", grade="act", raised_us=1)

    alarms.deliver()

    (mail,) = alarms.outbox().values()
    assert mail["Subject"] == f"[lotdrift] 1 urgent of {BULK + 1} alerts"
    lines = text_of(mail).split("\n")
    assert lines[0].startswith(f"1 urgent of {BULK + 1} alerts. First: Alder Film")
    assert "worst rising" in lines[0]
    assert [line.split(":")[0] for line in lines[2 : BULK + 3]] == ["act", *["look"] * BULK]


def test_as_many_alerts_as_are_no_storm_are_a_file_each(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    for number in range(BULK):
        alarms.raise_alert(f"a{number}")

    alarms.deliver()

    assert len(alarms.outbox()) == BULK


def test_a_round_killed_before_it_told_is_made_good_by_the_next(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    alarms.raise_alert("one")

    alarms.bench.run(WEDNESDAY + timedelta(hours=1))
    alarms.deliver(after=timedelta(hours=1))

    assert list(alarms.outbox()) == ["one.eml"]


def test_a_file_written_again_after_a_crash_is_the_same_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    alarms = Alarms(tmp_path)
    for number in range(BULK + 1):
        alarms.raise_alert(f"a{number}")
    with monkeypatch.context() as patched:
        patched.setattr(dispatch.delivery_queue, "mark_sent", _interrupt)
        with pytest.raises(KeyboardInterrupt):
            alarms.deliver()
    before = {path.name: path.read_bytes() for path in (tmp_path / "outbox").iterdir()}
    alarms.raise_alert("new")

    alarms.deliver(after=LATER)

    after = {path.name: path.read_bytes() for path in (tmp_path / "outbox").iterdir()}
    assert len(before) == 1
    assert after.items() > before.items()
    assert set(after) - set(before) == {"new.eml"}


def _interrupt(*_: object) -> None:
    raise KeyboardInterrupt


def test_a_real_breach_ends_as_a_mail_file_by_the_command(tmp_path: Path) -> None:
    from click.testing import CliRunner

    from dashboard.cli import main

    bench = Bench(tmp_path)
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=72), 80)
    bench.drop_tests("lot.csv", lot_rows("L1", MONDAY, [[31.0, 32.0, 30.0]] * 3))

    assert CliRunner().invoke(main, ["run", "--lab", str(tmp_path)]).exit_code == 0

    (path,) = (tmp_path / "outbox").iterdir()
    assert b"lot at 31.0 nJ" in path.read_bytes()


# Routes


ROUTES = """
[[webhook]]
name = "hall"
url = "https://hall.example.org/in"

[[route]]
grade = ["act"]
at_once = true

[[route]]
grade = ["look", "note"]
kind = ["climate", "drift"]
supplier = ["Alder Film"]
to = ["buyer@example.org"]
"""


@pytest.mark.parametrize(
    ("about", "channels"),
    [
        ({"grade": "act"}, {"mail head@example.org", "mail bench@example.org", "webhook hall"}),
        ({"grade": "look"}, {"mail buyer@example.org"}),
        ({"grade": "look", "kind": "spread"}, set()),
        ({"grade": "look", "supplier": "Birch Film"}, set()),
        ({"grade": "note", "kind": "climate", "supplier": None}, set()),
    ],
)
def test_routes_choose_by_grade_kind_and_supplier(
    tmp_path: Path, about: dict[str, str | None], channels: set[str]
) -> None:
    alarms = Alarms(tmp_path, served(1) + ROUTES)
    alarms.raise_alert("one", **about)

    alarms.deliver()

    with alarms.store.reading() as connection:
        assert set(connection.exec_driver_sql("SELECT channel FROM delivery").scalars()) == channels


def test_two_routes_to_one_reader_are_one_mail(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, served(port) + '[[route]]\n[[route]]\nto = ["head@example.org"]\n')
    alarms.raise_alert("one")

    with mail_server(box, port):
        alarms.deliver()

    assert sorted(reader for reader, _ in box.mails) == sorted(READERS)


def test_files_are_addressed_to_all_readers_of_their_routes(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path, '[mail]\nto = ["a@example.org"]\n[[route]]\n[[route]]\nto = ["b@example.org"]\n')
    alarms.raise_alert("one")

    alarms.deliver()

    assert alarms.outbox()["one.eml"]["To"] == "a@example.org, b@example.org"


# Quiet hours


def test_quiet_hours_hold_back_what_is_not_sent_at_once(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    routes = '[[route]]\ngrade = ["act"]\nat_once = true\n[[route]]\ngrade = ["look"]\n'
    # Lisbon keeps UTC in November: 22:00 is inside, 06:30 is not.
    alarms = Alarms(tmp_path, served(port, 'quiet_hours = "18:00-06:30"') + routes)
    alarms.raise_alert("now", grade="act")
    alarms.raise_alert("later", grade="look")

    with mail_server(box, port):
        alarms.deliver(after=timedelta(hours=10))
        at_night = [text_of(mail) for _, mail in box.mails]
        alarms.deliver(after=timedelta(hours=8, minutes=29))
        before_six_thirty = len(box.mails)
        alarms.deliver(after=timedelta(minutes=1))

    assert len(at_night) == before_six_thirty == len(READERS)
    assert all("now rising" in text for text in at_night)
    assert len(box.mails) == 2 * len(READERS)


def test_quiet_hours_are_those_of_the_labs_zone(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path)
    alarms.bench.declare(
        LAB_TOML.replace("Europe/Lisbon", "Asia/Kolkata") + served(port, 'quiet_hours = "17:00-18:00"')
    )
    alarms.raise_alert("one")

    with mail_server(box, port):
        alarms.deliver()  # 12:00 UTC is 17:30 there
        assert box.mails == []
        alarms.deliver(after=timedelta(minutes=30))

    assert len(box.mails) == len(READERS)


# Once, whatever happens


def test_what_a_dead_server_missed_goes_out_when_it_is_back(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, served(port))
    alarms.raise_alert("one")
    with mail_server(box, port):
        alarms.deliver()
    alarms.raise_alert("two")

    (line,) = alarms.deliver()
    assert line.startswith("mail server 127.0.0.1: can't be reached (")
    assert line.endswith("; 2 messages to send again")
    with alarms.store.reading() as connection:
        rows = waiting(connection, load(tmp_path))
    assert [(row["channel"], row["count"], row["next_try"]) for row in rows] == [
        (f"mail {reader}", 1, "2026-11-25T12:05:00+00:00") for reader in sorted(READERS)
    ]
    # What the line of the round says beside its server and its count of messages.
    reason = line.removeprefix("mail server 127.0.0.1: ").removesuffix("; 2 messages to send again")
    assert {row["reason"] for row in rows} == {reason}

    with mail_server(box, port):
        assert alarms.deliver(after=timedelta(minutes=4)) == []
        assert len(box.mails) == len(READERS)
        assert alarms.deliver(after=timedelta(minutes=1)) == []
        alarms.deliver(after=LATER)

    subjects = Counter(name.strip("<").partition(".")[0] for name in box.names)
    assert subjects == {"one": 2, "two": 2}
    with alarms.store.reading() as connection:
        assert waiting(connection, load(tmp_path)) == []


def test_pauses_grow_to_six_hours_and_no_further(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path, served(free_port()))
    alarms.raise_alert("one")
    pauses = []
    for _ in range(9):
        alarms.deliver()
        with alarms.store.reading() as connection:
            (due,) = set(connection.exec_driver_sql("SELECT next_us FROM delivery").scalars())
        pause = timedelta(microseconds=due) - (alarms.clock - alarms.clock.fromtimestamp(0, alarms.clock.tzinfo))
        pauses.append(pause.total_seconds() / 60)
        alarms.clock += pause

    assert pauses == [5, 10, 20, 40, 80, 160, 320, 360, 360]


def test_what_piled_up_while_the_server_was_down_is_one_message(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, served(port))
    for number in range(BULK + 1):
        alarms.raise_alert(f"a{number}")
        alarms.deliver(after=LATER)

    with mail_server(box, port):
        alarms.deliver(after=LATER)

    assert [mail["Subject"] for _, mail in box.mails] == [f"[lotdrift] {BULK + 1} urgent of {BULK + 1} alerts"] * len(
        READERS
    )


def test_an_alert_that_is_settled_while_it_waits_is_not_sent(tmp_path: Path) -> None:
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, served(port))
    alarms.raise_alert("settled")
    alarms.raise_alert("withdrawn")
    alarms.raise_alert("open")
    alarms.deliver()
    alarms.change("settled", state="closed")
    with alarms.store.writing() as connection:
        connection.exec_driver_sql("DELETE FROM alert WHERE id = 'withdrawn'")

    with mail_server(box, port):
        alarms.deliver(after=LATER)

    assert {name.strip("<").partition(".")[0] for name in box.names} == {"open"}
    assert alarms.states() == {"sent": len(READERS)}


def test_a_sender_killed_after_the_server_took_the_mail_sends_it_again_under_the_same_name(tmp_path: Path) -> None:
    # The one moment in which no sender can know: the receiver can, by the name.
    box, port = MailBox(), free_port()
    alarms = Alarms(tmp_path, served(port).replace(', "bench@example.org"', ""))
    alarms.raise_alert("one")

    with mail_server(box, port):
        command = [sys.executable, "-c", SENDER, str(tmp_path)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, env=os.environ) as sender:
            box.then = lambda: (sender.kill(), sender.wait())
            status = sender.wait(60)
        box.then = None
        assert status == -signal.SIGKILL
        assert alarms.states() == {"claimed": 1}
        alarms.deliver(after=LATER)
        alarms.deliver(after=LATER)

    assert len(box.names) == 2
    assert len(set(box.names)) == 1
    assert alarms.states() == {"sent": 1}


def test_a_storm_that_may_have_arrived_goes_again_as_the_same_message_and_takes_up_nothing_new(tmp_path: Path) -> None:
    box, port = MailBox(hang_up=True), free_port()
    alarms = Alarms(tmp_path, served(port).replace(', "bench@example.org"', ""))
    _raise_storm(alarms, "early")
    with mail_server(box, port):
        alarms.deliver()
    _raise_storm(alarms, "late")
    alarms.deliver(after=LATER)  # nobody there: the early storm may be there all the same
    box.hang_up = False

    with mail_server(box, port):
        alarms.deliver(after=LATER)

    first, again, other = sorted(box.mails, key=lambda arrived: "late" in text_of(arrived[1]))
    assert first[1]["Message-ID"] == again[1]["Message-ID"] != other[1]["Message-ID"]
    assert [text_of(mail).count("\nact: ") for _, mail in box.mails] == [BULK + 1] * 3
    assert alarms.states() == {"sent": 2 * (BULK + 1)}


def test_a_posted_storm_that_may_have_arrived_goes_again_as_the_same_message(tmp_path: Path) -> None:
    told, port = Receiver(hang_up=True), free_port()
    alarms = Alarms(
        tmp_path, f'[[webhook]]\nname = "hall"\nurl = "http://127.0.0.1:{port}"\n[[route]]\nwebhook = ["hall"]\n'
    )
    environ = {"LOTDRIFT_WEBHOOK_SECRET": "s"}
    _raise_storm(alarms, "early")

    with receiver(told, port):
        alarms.deliver(environ)
        _raise_storm(alarms, "late")
        told.hang_up = False
        alarms.deliver(environ, after=LATER)

    (path, first, body), *others = told.posts
    assert path == "/"
    assert [body == other for _, _, other in others].count(True) == 1
    assert len({headers["Idempotency-Key"] for _, headers, _ in told.posts}) == 2
    assert first["Idempotency-Key"] in {headers["Idempotency-Key"] for _, headers, _ in others}


def _raise_storm(alarms: Alarms, name: str) -> None:
    for number in range(BULK + 1):
        alarms.raise_alert(f"{name}{number}")


def test_two_processes_at_once_send_each_message_once(tmp_path: Path) -> None:
    box, port = MailBox(seconds=0.2), free_port()
    alarms = Alarms(tmp_path, served(port))
    for number in range(BULK):
        alarms.raise_alert(f"a{number}")

    with mail_server(box, port):
        senders = [subprocess.Popen([sys.executable, "-c", SENDER, str(tmp_path)]) for _ in range(2)]
        assert [sender.wait(60) for sender in senders] == [0, 0]

    assert len(box.names) == len(set(box.names)) == BULK * len(READERS)


SENDER = """
import sys
from pathlib import Path
from datetime import UTC, datetime
from dashboard.delivery.dispatch import deliver
from ingest.config.lab import load
from ingest.store.store import open_store
folder = Path(sys.argv[1])
deliver(open_store(folder), load(folder), datetime(2026, 11, 25, 12, tzinfo=UTC), {})
"""


def test_mail_that_fails_does_not_hold_up_a_webhook(tmp_path: Path) -> None:
    told, port = Receiver(), free_port()
    hook = f'[[webhook]]\nname = "hall"\nurl = "http://127.0.0.1:{port}/in"\n'
    alarms = Alarms(tmp_path, served(free_port()) + hook)
    alarms.raise_alert("one")

    with receiver(told, port):
        lines = alarms.deliver({"LOTDRIFT_WEBHOOK_SECRET": "s"})

    assert [line.split(":")[0] for line in lines] == ["mail server 127.0.0.1"]
    assert len(told.posts) == 1


def test_while_another_process_sends_nothing_is_sent_and_a_line_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from filelock import FileLock

    monkeypatch.setattr(dispatch, "LOCK_SECONDS", 0.05)
    alarms = Alarms(tmp_path)
    alarms.raise_alert("one")

    with FileLock(tmp_path / dispatch.LOCK_NAME):
        assert alarms.deliver() == ["alerts: another process is still sending; new alerts are sent with the next round"]
    assert alarms.outbox() == {}


def test_a_lock_that_cannot_be_written_is_named_and_the_alert_goes_out_once_it_can(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    alarms.raise_alert("one")
    lock = tmp_path / dispatch.LOCK_NAME
    lock.unlink(missing_ok=True)
    lock.mkdir()

    (line,) = alarms.deliver()
    lock.rmdir()
    alarms.deliver()

    # The words of errno EISDIR.
    assert line == f"alerts: {lock} can't be written (Is a directory); mend it, and they are sent with the next round"
    assert list(alarms.outbox()) == ["one.eml"]


def test_an_outbox_that_cannot_be_written_is_told_and_tried_again(tmp_path: Path) -> None:
    alarms = Alarms(tmp_path)
    alarms.raise_alert("one")
    (tmp_path / "outbox").write_text("in the way")

    (line,) = alarms.deliver()
    (tmp_path / "outbox").unlink()
    alarms.deliver(after=LATER)

    assert line.startswith("outbox: ")
    assert line.endswith("outbox can't be written (File exists); 1 message to send again")
    assert list(alarms.outbox()) == ["one.eml"]
