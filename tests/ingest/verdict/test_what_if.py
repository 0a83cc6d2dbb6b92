"""Another limit over the history: under the limit in force it finds the verdicts that stand, on both kinds of store."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from scipy.stats import norm
from support.labs import LAB_TOML, MONDAY, Bench, lot_rows

from dashboard.text.verdict.what_if_text import by_law
from ingest.audit.audit_log import CHANGE_RULE
from ingest.config.lab import load
from ingest.decisions.rule_change import RuleRequest, as_rule_entry, carry_out_rule
from ingest.store.store import Store, backend_of
from ingest.verdict.what_if import Request, what_if

BOTH_STORES = True

RULES = {
    "simple": "",
    "guarded, mean": 'decision = [ { rule = "guarded", wrong_pass = 0.05, wrong_fail = 0.05 } ]',
    "guarded, worst": 'judged = "worst"\ndecision = [ { rule = "guarded", wrong_pass = 0.05 } ]',
}


def fill(bench: Bench, far: float = 1.0) -> None:
    """Twenty lots about the limit of 20 nJ, the seventeenth `far` times as high; no check standard."""
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 22)
    rng = np.random.default_rng(4)
    rows = []
    for number in range(20):
        level = 17.5 * float(np.exp(0.12 * rng.standard_normal())) * (far if number == 16 else 1.0)
        values = [[round(float(x), 3) for x in level * np.exp(0.05 * rng.standard_normal(3))] for _ in range(6)]
        rows += lot_rows(f"L{number}", MONDAY + timedelta(weeks=number), values)
    bench.drop_tests("all.csv", rows)
    bench.run()


@pytest.mark.parametrize("rule", RULES)
def test_the_limit_in_force_gives_the_verdicts_that_stand(bench: Bench, rule: str) -> None:
    bench.declare(
        LAB_TOML.replace(
            'scale = "log"\nupper_limit = [ { value = 50.0',
            f'scale = "log"\n{RULES[rule]}\nupper_limit = [ {{ value = 50.0',
            1,
        )
    )
    fill(bench)
    store = Store(backend_of(bench.folder))
    try:
        with store.reading() as connection:
            verdicts = connection.exec_driver_sql("SELECT verdict, count(*) FROM session GROUP BY verdict").fetchall()
            same = what_if(connection, load(bench.folder), Request("shielding_energy", 20.0))
            other = what_if(connection, load(bench.folder), Request("shielding_energy", 30.0))
    finally:
        store.close()
    counts = {str(row[0]): int(row[1]) for row in verdicts}
    assert (same["changed"], same["changed_more"]) == ([], 0)
    # The guard keeps lots back, so that a rule that is not applied would be seen.
    assert ("undecided" in counts) == (rule != "simple")
    found = {
        "pass": same["total"]["passing"],
        "fail": same["total"]["failing"],
        "undecided": same["total"]["undecided"],
    }
    assert {word: count for word, count in found.items() if count} == counts
    assert other["total"]["passing"] > same["total"]["passing"]


def test_a_rule_that_a_person_entered_counts_too(bench: Bench) -> None:
    fill(bench)
    store, lab = Store(backend_of(bench.folder)), load(bench.folder)
    asked = RuleRequest(CHANGE_RULE, "shielding_energy", "2026-02-02", "guarded", "5 %", "5 %")
    try:
        with store.writing() as connection:
            now = datetime(2026, 11, 25, 12, tzinfo=UTC)
            seen = carry_out_rule(
                connection, lab, as_rule_entry(connection, lab, asked, "A. Specialist", "agreed", now)
            )
            assert sum(len(one["verdicts"]) for one in seen["streams"]) > 0
        with store.reading() as connection:
            result = what_if(connection, lab, Request("shielding_energy", 20.0))
    finally:
        store.close()
    assert result["changed"] == []
    assert result["total"]["undecided"] > 0


def test_the_law_of_the_levels_leaves_a_lone_outlier_out_as_the_forecast_does(bench: Bench) -> None:
    fill(bench, far=4.0)
    store = Store(backend_of(bench.folder))
    try:
        with store.reading() as connection:
            (one,) = what_if(connection, load(bench.folder), Request("shielding_energy", 18.0, since=date(2026, 1, 1)))[
                "streams"
            ]
            levels = connection.exec_driver_sql("SELECT level FROM session ORDER BY started_us").scalars().all()
    finally:
        store.close()
    usual = np.array([level for level in levels if level < np.log(35.0)])
    assert (len(levels), usual.size) == (20, 19)
    assert (one["lots"], one["outliers"]) == (20, 1)
    assert one["law"] == pytest.approx(norm.sf((np.log(18.0) - usual.mean()) / usual.std(ddof=1)), abs=0.02)
    assert abs(one["law"] - norm.sf((np.log(18.0) - np.mean(levels)) / np.std(levels, ddof=1))) > 0.05
    assert by_law(one).endswith(", without 1 outlier")
