"""Names that are much like others are named with the command that declares them; unlike ones stay quiet."""

from __future__ import annotations

import time
from collections import Counter
from datetime import timedelta

import pytest
from support.commands import call, document
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows

from ingest.config.lab import load
from ingest.intake import similar_names
from ingest.intake.dry_run import check

WEEK = timedelta(weeks=1)


def hints_of(bench: Bench, *lots: tuple[str, str, str]) -> list[str]:
    """The hints of a round that reads a lot after another, each with tests of its own."""
    hints: list[str] = []
    for number, (supplier, product, lot) in enumerate(lots):
        rows = lot_rows(lot, MONDAY + number * WEEK, [[9.0 + number, 9.1]], supplier=supplier, product=product)
        bench.drop_tests(f"{number}.csv", rows)
        hints = bench.run().hints
    return hints


@pytest.mark.parametrize(
    ("first", "second", "column"),
    [
        (("Kelpline", "KL-7", "K1"), ("Kelpline GmbH", "KL-7", "K2"), "supplier"),
        (("Kelpline", "KL-7", "K1"), ("Kelpline Films", "KL-7", "K2"), "supplier"),
        (("Kelpline", "KL-7", "K1"), ("KELPLINE", "KL-7", "K2"), "supplier"),
        (("Kelpline", "KL-7", "K1"), ("Kelplime", "KL-7", "K2"), "supplier"),
        (("Kelpline", "KL-7", "K1"), ("Kelpline", "kl 7", "K2"), "product"),
        (("Kelpline", "KL-7", "K10"), ("Kelpline", "KL-7", "K-1O"), "lot"),
    ],
)
def test_a_name_that_is_much_like_another_is_one_line_with_its_command(
    bench: Bench, first: tuple[str, str, str], second: tuple[str, str, str], column: str
) -> None:
    (line,) = hints_of(bench, first, second)

    place = ("supplier", "product", "lot").index(column)
    assert f'{column} "{second[place]}"' in line
    assert f'is much like "{first[place]}"; if both are one: lotdrift alias {column} ' in line


@pytest.mark.parametrize(
    ("first", "second"),
    [
        (("Kelpline", "KL-7", "K1"), ("Strandpack", "KL-7", "K1")),
        (("Lab film 1", "KL-7", "K1"), ("Lab film 2", "KL-7", "K1")),
        (("Kelpline", "BF-110", "K1"), ("Kelpline", "BF-210", "K2")),
        (("Kelpline", "KL-7", "K2636"), ("Kelpline", "KL-7", "K2637")),
    ],
)
def test_other_names_are_quiet(bench: Bench, first: tuple[str, str, str], second: tuple[str, str, str]) -> None:
    assert hints_of(bench, first, second) == []


@pytest.mark.parametrize("slip_first", [True, False])
def test_the_name_with_fewer_lots_is_the_slip_in_check_and_in_the_round(bench: Bench, slip_first: bool) -> None:
    names = [("Kelp line", "KL-7", "K0"), ("Kelpline", "KL-7", "K1"), ("Kelpline", "KL-7", "K2")]
    rows = []
    for week, (supplier, product, lot) in enumerate(names if slip_first else reversed(names)):
        rows += lot_rows(lot, MONDAY + week * WEEK, [[9.0 + week, 9.1]], supplier=supplier, product=product)
    bench.drop_tests("t.csv", rows)
    before = check(load(bench.folder), MONDAY + 5 * WEEK).similar
    assert before == bench.run().hints
    assert before[0].endswith("lotdrift alias supplier 'Kelp line' Kelpline")


def test_a_lot_whose_tests_are_stored_under_another_name_counts_twice_and_is_named(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("K2363", MONDAY, [[9.0, 9.5]]))
    bench.run()
    bench.drop_tests("b.csv", lot_rows("K2636", MONDAY, [[9.0, 9.5]]))

    (line,) = bench.run().hints

    assert line == (
        'lot "K2363" of Alder Film MB-10 and lot "K2636" of Alder Film MB-10 hold the same tests, which count twice; if the second name '
        "is right: lotdrift alias lot K2363 K2636 --supplier 'Alder Film' --product MB-10"
    )


@pytest.mark.parametrize(("older", "newer"), [("before", "behind"), ("L1", "L2"), ("K2636", "M7781")])
def test_lots_of_one_film_that_differ_plainly_in_name_may_have_equal_readings(
    bench: Bench, older: str, newer: str
) -> None:
    bench.drop_tests("a.csv", lot_rows(older, MONDAY, [[9.0, 9.5]]))
    bench.run()
    bench.drop_tests("b.csv", lot_rows(newer, MONDAY, [[9.0, 9.5]]))

    assert bench.run().hints == []


def test_the_printed_command_with_name_and_reason_makes_the_lot_one(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("K2636", MONDAY, [[9.0, 9.5]], supplier="Alder Film Ltd"))
    bench.run()
    bench.drop_tests("b.csv", lot_rows("K2636", MONDAY, [[9.0, 9.5]]))
    result = call(bench.folder, "run")
    assert "lotdrift alias supplier 'Alder Film Ltd' 'Alder Film'" in result.stdout
    assert (result.exit_code, result.stderr) == (0, "")
    assert "lotdrift alias" not in call(bench.folder, "run").stdout

    done = call(
        bench.folder, "alias", "supplier", "Alder Film Ltd", "Alder Film", "--by", "Sam", "--because", "one supplier"
    )
    assert (done.exit_code, done.stderr) == (0, "")
    call(bench.folder, "run")

    assert [row["supplier"] for row in document(bench.folder, "board")] == ["Alder Film"]
    (entry,) = document(bench.folder, "history")
    assert (entry["who"], entry["what"], entry["about"]) == ("Sam", "add alias", "the name Alder Film Ltd")
    assert entry["body"]["declared"].startswith("[[alias]]")
    twice = call(
        bench.folder, "alias", "supplier", "Alder Film Ltd", "Alder Film", "--by", "Sam", "--because", "once more"
    )
    assert twice.exit_code == 2
    assert "expected another name than alias 1 has" in twice.stderr


def test_check_names_what_is_similar_before_anything_is_stored(bench: Bench) -> None:
    bench.drop_tests("a.csv", lot_rows("L0", MONDAY, [[9.0]]))
    bench.run()
    path = bench.drop_tests("b.csv", lot_rows("L1", MONDAY, [[9.0]], supplier="Alder Film Ltd"))
    line = 'supplier "Alder Film Ltd" is much like "Alder Film"; if both are one: lotdrift alias supplier '

    report = call(bench.folder, "check")
    assert (report.exit_code, line in report.stdout) == (0, True)
    assert any(one.startswith(line) for one in document(bench.folder, "check", str(path))["doubts"])
    bench.declare(LAB_TOML + '[[alias]]\ncolumn = "supplier"\nwritten = "Alder Film Ltd"\nname = "Alder Film"\n')
    assert check(load(bench.folder), MONDAY + 40 * WEEK).similar == []


def test_names_of_a_first_round_are_compared_in_time_that_grows_with_their_number() -> None:
    """Twenty thousand lots of one film: compared pair by pair they took minutes."""
    new = [("Alder Film", "MB-10", f"L{number:06d}") for number in range(20_000)]
    began = time.process_time()
    assert similar_names._similar([*new, ("Alder Film", "MB-10", "L-0OOO17")], [], Counter()) == [
        'lot "L-0OOO17" of Alder Film is much like "L000017"; if both are one: '
        "lotdrift alias lot L-0OOO17 L000017 --supplier 'Alder Film' --product MB-10"
    ]
    # A tenth of a second on the machine that it was written on.
    assert time.process_time() - began < 5.0


def test_a_name_that_was_known_before_is_not_named_again(bench: Bench) -> None:
    lots = [("Kelpline", "KL-7", "K1"), ("Kelpline", "kl 7", "K2"), ("Kelpline", "kl 7", "K3")]
    assert hints_of(bench, *lots[:2])
    bench.drop_tests("later.csv", lot_rows("K3", MONDAY + 9 * WEEK, [[9.0, 9.1]], supplier="Kelpline", product="kl 7"))
    assert bench.run().hints == []
