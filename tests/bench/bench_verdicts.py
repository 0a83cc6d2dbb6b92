"""How fast the answers about verdicts are: another limit over many streams, a comparison of many products, a slider.

    python tests/bench/bench_verdicts.py [STREAMS] [LOTS]

5,000 streams of 200 lots by default, one in a hundred moving. The sessions are written as a round would write them, without
readings, as only the bound of the next lot reads these. Beside the time on the clock stands that of the processor, which other
work on the machine does not change.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from functools import partial
from pathlib import Path

import numpy as np
from sqlalchemy import Connection, insert
from support.labs import MONDAY, Bench, lot_rows

from ingest.audit.audit_log import CHANGE_RULE
from ingest.config.lab import load
from ingest.config.models import DecisionRule
from ingest.decisions.rule_change import RuleRequest, as_rule_entry, preview_rule
from ingest.store import schema
from ingest.store.store import known_store
from ingest.verdict.bags import Question, answer, scatter_of
from ingest.verdict.comparison import Request, compare
from ingest.verdict.what_if import Request as OtherLimit
from ingest.verdict.what_if import what_if

BATCH = 100
STREAM = ("Alder Film", "MB-10", "shielding_energy")


def lab_of_sessions(folder: Path, streams: int, lots: int) -> Path:
    """A lab whose store holds the sessions of many streams, copied from the first session of a real round with new levels."""
    bench = Bench(folder)
    bench.drop_climate("log.csv", MONDAY - timedelta(hours=60), 24 * 7 * 7)
    for number in range(6):
        values = [[10.0 + bag * 0.3 + number * 0.1, 10.2 + bag * 0.3] for bag in range(6)]
        bench.drop_tests(f"wk{number}.csv", lot_rows(f"L{number}", MONDAY + timedelta(weeks=number), values))
    bench.run()
    store = known_store(folder)
    assert store is not None
    with store.writing() as connection:
        fill(connection, streams, lots)
    store.close()
    return folder


def fill(connection: Connection, streams: int, lots: int) -> None:
    rng = np.random.default_rng(1)
    pattern = dict(connection.exec_driver_sql("SELECT * FROM session ORDER BY id LIMIT 1").mappings().one())
    latest = "SELECT document FROM conformity ORDER BY session_id DESC LIMIT 1"
    conformity = json.loads(connection.exec_driver_sql(latest).scalar_one())
    evaluation = connection.exec_driver_sql("SELECT board, sketch, document FROM evaluation LIMIT 1").one()
    # Six lots show no component between lots; the lots of the simulated streams have one.
    document = json.loads(evaluation.document)
    document["components"]["lot"] = 0.01
    week_us = 7 * 86_400_000_000
    for first in range(0, streams, BATCH):
        numbers = range(first + 10, min(first + BATCH, streams) + 10)
        names = [{"id": n, "supplier": f"Simulated {n % 50}", "product": f"P{n}"} for n in numbers]
        connection.execute(
            insert(schema.stream), [{**one, "characteristic": "shielding_energy", "stale": 0} for one in names]
        )
        connection.execute(
            insert(schema.evaluation),
            [
                {
                    "stream_id": n,
                    "board": evaluation.board,
                    "sketch": evaluation.sketch,
                    "document": json.dumps(document),
                }
                for n in numbers
            ],
        )
        rows, lot_rows_, documents = [], [], []
        for n, name in zip(numbers, names, strict=True):
            level = np.log(rng.uniform(8, 18)) + 0.1 * rng.standard_normal(lots)
            for lot in range(lots):
                key = n * 1000 + lot
                value = float(np.exp(level[lot]))
                lot_rows_.append(
                    {"id": key, "supplier": name["supplier"], "product": name["product"], "lot": f"L{lot}"}
                )
                rows.append(
                    {**pattern, "id": key, "stream_id": n, "lot_id": key, "started_us": pattern["started_us"] + lot * week_us,
                     "level": level[lot], "level_low": level[lot], "level_high": level[lot], "level_unit": value,
                     "largest": value * 1.2, "largest_low": value * 1.2, "smallest": value * 0.8, "smallest_high": value * 0.8,
                     "verdict": "pass" if value < 20 else "fail"}
                )  # fmt: skip
                # No two lots have the same uncertainty.
                own = {**conformity, "rule_u": 0.06 + 1e-6 * float(level[lot])}
                documents.append({"session_id": key, "stream_id": n, "document": json.dumps(own)})
        connection.execute(insert(schema.lot), lot_rows_)
        connection.execute(insert(schema.session), rows)
        if documents:
            connection.execute(insert(schema.conformity), documents)
        moving = [n for n in numbers if n % 100 == 0]
        evidence = json.dumps({"since_us": pattern["started_us"] + (lots - 40) * week_us})
        for n in moving:
            connection.execute(
                insert(schema.alert).values(
                    id=f"bench-{n}", kind="drift", grade="look", stream_id=n, supplier="", product="", lot="",
                    characteristic="shielding_energy", raised_us=0, message="", evidence=evidence, state="open",
                )
            )  # fmt: skip


def timed(name: str, most: float, work: Callable[[], object], times: int = 1) -> None:
    clock, processor = time.perf_counter(), time.process_time()
    for _ in range(times):
        work()
    spent = (time.perf_counter() - clock) / times, (time.process_time() - processor) / times
    print(f"{name:<70} {spent[0]:7.3f} s   processor {spent[1]:7.3f} s   (at most {most:g} s)", flush=True)


def main(streams: int, lots: int) -> None:
    with tempfile.TemporaryDirectory() as folder:
        lab = load(lab_of_sessions(Path(folder), streams, lots))
        guard = DecisionRule(rule="guarded", wrong_pass=0.05)
        guarded = replace(
            lab, characteristics=tuple(one.model_copy(update={"decision": [guard]}) for one in lab.characteristics)
        )
        store = known_store(lab.folder)
        assert store is not None
        print(
            f"load of the machine: {', '.join(f'{one:.1f}' for one in os.getloadavg())} on {os.cpu_count()} processors"
        )
        with store.reading() as connection:
            asked = OtherLimit("shielding_energy", 10.0)
            timed(f"another limit, {streams:,} streams of {lots} lots", 10, lambda: what_if(connection, lab, asked))
            timed("the same under a guarded rule", 10, lambda: what_if(connection, guarded, asked))
            for day in (MONDAY + timedelta(weeks=lots - 10), MONDAY):
                name = f"preview of a guarded rule, {streams:,} streams, tests since {day:%Y-%m-%d}"
                rule = RuleRequest(CHANGE_RULE, "shielding_energy", day.date().isoformat(), "guarded", "5 %")
                timed(
                    name,
                    10,
                    partial(preview_rule, connection, lab, as_rule_entry(connection, lab, rule, "", "", MONDAY)),
                )
            candidates = tuple((f"Simulated {n % 50}", f"P{n}") for n in range(10, 30))
            every = Request("shielding_energy", candidates, margin_percent=5)
            timed("a comparison of 20 products, all pairs", 1, lambda: compare(connection, lab, every))
            one = replace(every, in_use=candidates[0])
            timed("a comparison of 20 products, each with the one in use", 1, lambda: compare(connection, lab, one))
            scatter = scatter_of(connection, lab, *STREAM)
            answer(scatter, Question())
            bags = iter(range(1, 21))
            timed("a slider", 0.1, lambda: answer(scatter, Question(bags=next(bags), level=18.0)), times=20)


if __name__ == "__main__":
    main(*(int(text) for text in sys.argv[1:3]) if len(sys.argv) == 3 else (5000, 200))
