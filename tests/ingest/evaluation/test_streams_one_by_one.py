"""A round holds the documents of one stream at a time, however many streams have a new lot."""

from __future__ import annotations

from pathlib import Path

import pytest
from sqlalchemy import Connection
from support.labs import MONDAY, Bench, lot_rows

from ingest.evaluation import evaluate_streams
from ingest.evaluation.evaluate_streams import Evaluated
from ingest.evaluation.stream_context import StreamContext
from spc.kernels.columns import Rows

pytestmark = pytest.mark.usefixtures("lab_clock")


def test_the_documents_of_a_stream_are_written_before_those_of_the_next_are_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps: list[tuple[str, str]] = []
    make, store = evaluate_streams._evaluated, evaluate_streams.write

    def made(context: StreamContext, sessions: Rows) -> Evaluated:
        steps.append(("made", context.stream.supplier))
        return make(context, sessions)

    def written(connection: Connection, evaluated: Evaluated) -> list[str]:
        steps.append(("written", evaluated.stream.supplier))
        return store(connection, evaluated)

    monkeypatch.setattr(evaluate_streams, "_evaluated", made)
    monkeypatch.setattr(evaluate_streams, "write", written)
    bench = Bench(tmp_path / "lab")
    suppliers = ("Alder Film", "Birch Film", "Cedar Film")
    bench.drop_tests("a.csv", [row for name in suppliers for row in lot_rows("L1", MONDAY, [[10.0]], supplier=name)])
    bench.run()

    assert steps == [(step, name) for name in suppliers for step in ("made", "written")]
