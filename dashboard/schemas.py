"""The JSON schemas of the documents that commands print, made from their types: `python -m dashboard.schemas board`.

No file of them is kept, so a schema can't fall behind its type.
"""

from __future__ import annotations

import json
import sys
from typing import Any

from pydantic import TypeAdapter
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema

from ingest.documents.alert import Alert
from ingest.documents.bench.gauge_study import GaugeStudyDocument
from ingest.documents.bench.instrument import Instrument
from ingest.documents.bench.ready import ReadyDocument
from ingest.documents.bench.waveform import WaveformDocument
from ingest.documents.case import Case
from ingest.documents.entries import HistoryEntry, User
from ingest.documents.find import FindDocument
from ingest.documents.lot import LotDocument
from ingest.documents.retest import Retest
from ingest.documents.rounds import CheckDocument, FileCheckDocument, ReplayDocument, RoundDocument
from ingest.documents.scorecard import Scorecard
from ingest.documents.stock import AgeingDocument, StockDocument
from ingest.documents.stream import BoardRow, StreamDocument
from ingest.documents.verdict.bags import BagsDocument
from ingest.documents.verdict.comparison import Comparison
from ingest.documents.verdict.limit_change import LimitChange
from ingest.documents.verdict.report import TestReport
from ingest.documents.verdict.rule_change import RuleChange
from ingest.documents.verdict.what_if import WhatIf

__all__ = ["DOCUMENTS", "schema"]

DOCUMENTS: dict[str, tuple[Any, str]] = {
    "ageing": (AgeingDocument, "How a product ages, one film a supplier: lotdrift ageing --json"),
    "alerts": (list[Alert], "Alerts, the newest first: lotdrift alerts --json"),
    "bags": (BagsDocument, "What a number of bags shows of a lot: lotdrift bags --json"),
    "board": (list[BoardRow], "The weekly board, one row a stream: lotdrift board --json"),
    "cases": (list[Case], "The cases, those that wait first: lotdrift cases --json"),
    "check": (CheckDocument, "What a round would refuse: lotdrift check --json"),
    "check-file": (FileCheckDocument, "How one file would be read: lotdrift check FILE --json"),
    "compare": (Comparison, "Products or suppliers compared by their lots: lotdrift compare --json"),
    "decision": (
        RuleChange,
        "What a change of a decision rule changes: lotdrift decision --json, with --preview or done",
    ),
    "find": (FindDocument, "The answers to a search, the closest first: lotdrift find --json"),
    "history": (list[HistoryEntry], "What people entered, the newest first: lotdrift history --json"),
    "instruments": (
        list[Instrument],
        "Calibrations, checks of instruments and humidity sensors, and what a bad instrument touched: lotdrift instruments --json",
    ),
    "limits": (
        LimitChange,
        "What a change of limits changes: lotdrift baseline --json, lotdrift limit --json, with --preview or done",
    ),
    "lot": (LotDocument, "One lot, every reading and session: lotdrift lot --json"),
    "ready": (ReadyDocument, "What stands in the chambers, and when it may be tested: lotdrift ready --json"),
    "replay": (ReplayDocument, "The board and the open alerts of a past day: lotdrift replay --json"),
    "report": (TestReport, "The test report of a lot: lotdrift report --json"),
    "retest": (list[Retest], "The lots to test again, the newest first: lotdrift retest --json"),
    "run": (RoundDocument, "What one round did: lotdrift run --json"),
    "scorecard": (list[Scorecard], "The scorecards of a quarter: lotdrift scorecard --json"),
    "stock": (StockDocument, "The lots in stock by date, and those to test first: lotdrift stock --json"),
    "stream": (StreamDocument, "One stream, point by point: lotdrift stream --json"),
    "study": (list[GaugeStudyDocument], "The gauge studies: lotdrift study --json"),
    "users": (list[User], "The users by name, closed ones too: lotdrift user list --json"),
    "waveform": (WaveformDocument, "The captures of a file, computed and not stored: lotdrift waveform --json"),
    "whatif": (WhatIf, "Another limit over the history of a characteristic: lotdrift whatif --json"),
}
"""The type and the title of each document, by the name of its schema."""


class _Closed(GenerateJsonSchema):
    """Schemas that allow no key beyond those declared, and that repeat no key as a title."""

    def typed_dict_schema(self, schema: core_schema.TypedDictSchema) -> JsonSchemaValue:
        return {**super().typed_dict_schema(schema), "additionalProperties": False}

    def field_title_should_be_set(self, schema: object) -> bool:
        return False


def schema(name: str) -> dict[str, Any]:
    """The schema of a document of the public surface (JSON Schema, draft 2020-12)."""
    document, title = DOCUMENTS[name]
    made = TypeAdapter(document).json_schema(schema_generator=_Closed)
    return {"$schema": _Closed.schema_dialect, **made, "title": title}


if __name__ == "__main__":
    if len(sys.argv) != 2 or sys.argv[1] not in DOCUMENTS:
        sys.exit(f"python -m dashboard.schemas NAME: name one of {', '.join(DOCUMENTS)}")
    json.dump(schema(sys.argv[1]), sys.stdout, indent=1)
