"""What one new lot costs, and a full replay, beside a plain individuals chart over the same points.

    python tests/bench/bench_new_lots.py [STREAMS]

CPU seconds of one core. The detector takes the new lots of all streams at once; `spc.stream.evaluate.stream` and a round do all the
rest as well: limits, patterns, capability, forecast, documents, store. Of a round the parts of what is derived are told one
by one; the last lines are a round in which one stream has a new lot, beside few streams that have none and beside many.
"""

from __future__ import annotations

import gc
import json
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from datetime import timedelta
from pathlib import Path
from unittest.mock import patch

import numpy as np
import pandas as pd
from films import SCENES, Film, as_stream, film, sisters_of

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from support.labs import MONDAY, Bench, lot_rows

from ingest.alerts.shared_shift_alerts import FINDINGS
from ingest.evaluation import evaluate_streams
from ingest.rounds import recompute
from ingest.store.store import get_meta, open_store
from spc import charts, detection, patterns
from spc.stream import evaluate, session_summary

BUDGET = 0.2
LOTS = 200
OFTEN = 10_000
STREAMS_IN_STORE = 20
MANY_STREAMS = 100
PARTS = {
    "pooled": [(evaluate_streams, "update_pooled_autocorrelation"), (evaluate_streams, "update_bench_parts")],
    "read": [(evaluate_streams, "inputs_of")],
    "evaluate": [(evaluate, "streams"), *((evaluate_streams, name) for name in ("_marked", "_request", "_evaluated"))],
    "write": [(evaluate_streams, "write")],
    "bags": [(evaluate_streams, "update_bag_counts")],
    "bench": [(recompute, "update_shared_shift_alerts")],
    "humidity": [(recompute, "update_humidity_effect")],
    "tests again, cases": [(recompute, "update_retests"), (recompute, "update_cases")],
    "stock": [(recompute, "update_stock")],
}


def seconds(call: Callable[[], object]) -> float:
    start = time.process_time()
    call()
    return time.process_time() - start


def line(name: str, cpu: float, streams: int) -> None:
    print(f"{name:62s}{1e6 * cpu / streams:10.0f} us{cpu / streams * OFTEN:10.2f} s", flush=True)


def plain(one: Film) -> None:
    usual = charts.individuals(one.levels)
    patterns.find((one.levels - usual.center) / usual.sigma, ("beyond_three_sigma", "nine_on_one_side"))


def detector(rng: np.random.Generator, count: int) -> None:
    scene = SCENES["clean"]
    lab = [film(rng, scene) for _ in range(count)]
    long = [repeated(one) for one in lab]
    line("plain chart and one pattern, whole stream of 200 lots", seconds(lambda: [plain(one) for one in long]), count)
    sisters: list[detection.PooledPrior] = []
    line("what sisters say together", seconds(lambda: sisters.append(sisters_of(long))), count)
    streams: list[detection.LotSeries] = []
    line("streams checked", seconds(lambda: streams.extend(as_stream(one, sisters[0]) for one in long)), count)
    last = np.full(count, LOTS - 1)
    line("detector, one new lot", seconds(lambda: detection.detect_new(streams, last, BUDGET)), count)
    some = streams[: max(count // 20, 1)]
    line("detector, full replay", seconds(lambda: detection.detect_new(some, 0 * last[: len(some)], BUDGET)), len(some))


def repeated(one: Film) -> Film:
    """The stream followed by its own beginning, 200 lots in all."""
    places = np.arange(LOTS) % one.levels.size
    return Film(one.weeks[0] + np.arange(float(LOTS)), one.levels[places], one.bags[places],
                one.bag_variance[places], one.reading_variance[places])  # fmt: skip


def sessions(rng: np.random.Generator) -> pd.DataFrame:
    shape = (LOTS, 6, 6)
    values = 2.0 + 0.2 * rng.standard_normal(shape[:1])[:, None, None] + 0.1 * rng.standard_normal(shape)
    session, bag, _ = (place.ravel() for place in np.indices(shape))
    rows = pd.DataFrame({"session": session, "specimen": bag, "value": np.exp(values).ravel(), "bound": 0})
    named = [f"{number:04}" for number in range(LOTS)]
    return session_summary.summarise(rows, "log").assign(
        lot=named, weeks=2000.0 + np.arange(LOTS), valid=True, limit_lower=np.nan, limit_upper=20.0
    )


def whole(rng: np.random.Generator, count: int = 20) -> None:
    settings = evaluate.Settings(false_alerts_per_year=BUDGET)
    frames = [sessions(rng) for _ in range(count)]
    evaluate.stream(frames[0], settings)
    line(
        "spc.stream.evaluate.stream, from nothing",
        seconds(lambda: [evaluate.stream(f, settings) for f in frames]),
        count,
    )
    before = [evaluate.stream(frame.iloc[:-1], settings).cache for frame in frames]
    pairs = list(zip(frames, before, strict=True))
    again = seconds(lambda: [evaluate.stream(f, settings, cache=said) for f, said in pairs])
    line("spc.stream.evaluate.stream, one new lot", again, count)


def rounds(rng: np.random.Generator) -> None:
    """A lot of three bags a week in each of some streams, the last one in a round of its own."""
    with laboratory(rng, STREAMS_IN_STORE) as (bench, rows):
        line(
            "a round: history", drop_and_run(bench, "history.csv", [row for own in rows for row in own[:-2]]), len(rows)
        )
        # A first round of few lots leaves nothing to import or compile to the one that is told.
        drop_and_run(bench, "next.csv", [own[-2] for own in rows])
        new = [own[-1] for own in rows]
        # A round of a lab does not hold the rows of all drops, through which the collector of unused objects would look.
        del rows
        gc.collect()
        spent = dict.fromkeys(PARTS, 0.0)
        with told(spent):
            line("a round: one new lot in each", drop_and_run(bench, "new.csv", new), len(new))
        for name, cpu in spent.items():
            line(f"   of which {name}", cpu, len(new))
    for count in (STREAMS_IN_STORE, MANY_STREAMS):
        with laboratory(rng, count) as (bench, rows):
            drop_and_run(bench, "history.csv", [row for own in rows for row in own[:-1]])
            spent = dict.fromkeys(PARTS, 0.0)
            with told(spent):
                drop_and_run(bench, "new.csv", [rows[0][-1]])
            parts = ", ".join(f"{name} {1e3 * cpu:.0f}" for name, cpu in spent.items())
            print(
                f"one new lot, {count - 1} streams without: {1e3 * sum(spent.values()):.0f} ms ({parts}); {findings(bench)}"
            )


Lots = list[list[list[dict[str, object]]]]


@contextmanager
def laboratory(rng: np.random.Generator, count: int) -> Iterator[tuple[Bench, Lots]]:
    """A lab with its climate log, and the lots of each stream to drop."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(Path(folder))
        bench.drop_climate("log.csv", MONDAY - timedelta(weeks=170, hours=60), 24 * 7 * LOTS)
        yield bench, [[lot(rng, supplier, number) for number in range(LOTS)] for supplier in range(count)]


def findings(bench: Bench) -> str:
    """How many shifts in common were found, all by chance: one that is new is looked at again for some weeks."""
    with open_store(bench.folder).reading() as connection:
        return f"{len(json.loads(get_meta(connection, FINDINGS) or '[]'))} shifts in common found"


def drop_and_run(bench: Bench, name: str, chosen: list[list[dict[str, object]]]) -> float:
    bench.drop_tests(name, [row for one in chosen for row in one])
    return seconds(bench.run)


@contextmanager
def told(spent: dict[str, float]) -> Iterator[None]:
    """Add up what each part of the derivation takes while the block runs."""
    with ExitStack() as patched:
        for part, places in PARTS.items():
            for module, name in places:
                patched.enter_context(patch.object(module, name, clocked(getattr(module, name), part, spent)))
        yield


def clocked(call: Callable[..., object], part: str, spent: dict[str, float]) -> Callable[..., object]:
    def run(*given: object) -> object:
        start = time.process_time()
        try:
            return call(*given)
        finally:
            spent[part] += time.process_time() - start

    return run


def lot(rng: np.random.Generator, supplier: int, number: int) -> list[dict[str, object]]:
    level = 10.0 * np.exp(0.1 * rng.standard_normal())
    values = [[round(float(level * np.exp(0.03 * rng.standard_normal())), 3)] for _ in range(3)]
    tested = MONDAY + timedelta(weeks=number - 170, hours=supplier / 10)
    return lot_rows(f"L{supplier}-{number}", tested, values, supplier=f"Supplier {supplier}")


def main(count: int) -> None:
    rng = np.random.default_rng(20_261_125)
    print(f"{'':62s}{'a stream':>13s}{'10,000':>12s}")
    detector(rng, count)
    whole(rng)
    rounds(rng)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2_000)
