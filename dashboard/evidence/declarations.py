"""The declarations of a lab for an auditor: `lab.toml`, written from the declarations in force.

Only the keys named here are written. An address, the name of a variable or a key that is added later is left out until it is
named; so are comments, which may hold anything. The first lines give the SHA-256 of the lab's own file, by which anyone with
access to that file can identify it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import tomli_w
from pydantic import BaseModel

from ingest.config.lab import LAB_FILE, Lab

__all__ = ["SHOWN", "as_toml"]

Table = dict[str, Any]

# The keys of each table that decide how a test is read, judged and scored.
SHOWN: dict[str, tuple[str, ...]] = {
    "lab": ("name", "address", "timezone", "session_hours"),
    "conditioning": (
        "humidity_percent", "humidity_tolerance", "temperature_c", "temperature_tolerance_c", "hours",
        "longest_gap_minutes",
        "out_minutes",
        "door_minutes",
        "door_peak_percent",
    ),
    "characteristic": (
        "name", "unit", "scale", "conditioning", "judged", "guard_percent", "method", "decision", "margin_percent", "lower_limit",
        "upper_limit",
    ),
    "product": ("name", "class", "outside", "lower_limit", "upper_limit", "keep_months"),
    "check_standard": ("supplier", "product", "conditioned", "expected", "characteristics", "tolerance_percent", "before_hours", "after"),
    "instrument": ("name", "uncertainty_percent", "gates", "tolerance_percent"),
    "gauge_study": ("name", "characteristic", "file", "sessions", "done_on"),
    "chamber": ("name", "sensor_uncertainty", "uncertainty_counts", "second", "second_uncertainty"),
    "shielding_source": ("capacitance_pf", "voltage_v"),
    "baseline": ("lots",),
    "alerts": ("false_alerts_per_stream_year", "horizon_weeks", "breach_probability"),
    "ageing": ("from_days", "coverage", "confidence"),
    "scorecard": ("weights", "fails_by_size"),
    "alias": ("column", "written", "name", "supplier", "product"),
    "source": (
        "kind", "folder", "pattern", "encoding", "delimiter", "decimal", "timezone", "keep", "columns", "units", "fixed",
        "readings", "values", "characteristics", "skip_rows", "units_row", "time_column", "time_format", "words", "log10", "silent_after_days",
        "names", "interval_ns", "resistor_ohm", "gain", "window_ns", "bandwidth_mhz", "full_scale", "uncertainty_percent",
    ),
}  # fmt: skip
UNDECLARED: tuple[object, ...] = (None, "", [], {})
HEAD = """\
# Written by lotdrift from the declarations in force, with defaults. Left out: comments, the address of the store and the
# readers of alerts. SHA-256 of the lab's own {file}:
# {digest}

"""


def as_toml(lab: Lab) -> str:
    """The declarations as TOML."""
    document: dict[str, object] = {
        "lab": {
            "name": lab.name,
            **({"address": lab.address} if lab.address else {}),
            "timezone": lab.zone.key,
            "session_hours": lab.session_hours,
        },
        "conditioning": {name: _table("conditioning", one) for name, one in lab.conditioning.items()},
        "characteristic": _tables("characteristic", lab.characteristics),
        "product": [_product(one) for one in _tables("product", lab.products)],
        "check_standard": _tables("check_standard", lab.check_standards),
        "instrument": _tables("instrument", lab.instruments),
        **({"gauge_study": _tables("gauge_study", lab.gauge_studies)} if lab.gauge_studies else {}),
        "chamber": _tables("chamber", lab.chambers),
        **({"shielding_source": _table("shielding_source", lab.shielding_source)} if lab.shielding_source else {}),
        "baseline": _table("baseline", lab.baseline),
        "alerts": _table("alerts", lab.alerts),
        "ageing": _table("ageing", lab.ageing),
        "scorecard": _table("scorecard", lab.scorecard),
        "alias": _tables("alias", lab.aliases),
        "source": _tables("source", lab.sources),
    }
    return HEAD.format(file=LAB_FILE, digest=lab.digest_of_file) + tomli_w.dumps(document)


def _tables(name: str, declared: Sequence[BaseModel]) -> list[Table]:
    return [_table(name, one) for one in declared]


def _table(name: str, declared: BaseModel) -> Table:
    values = declared.model_dump(by_alias=True)
    return {key: _without_empty(values[key]) for key in SHOWN[name] if values[key] not in UNDECLARED}


def _without_empty(value: Any) -> Any:
    """A value; a list of tables without the keys that declare nothing."""
    if not isinstance(value, list):
        return value
    return [{k: v for k, v in one.items() if v not in UNDECLARED} if isinstance(one, dict) else one for one in value]


def _product(table: Table) -> Table:
    """TOML has no null: a limit that does not hold for a product is declared as `false`."""
    limits = {side: table[side] for side in ("lower_limit", "upper_limit") if side in table}
    return table | {
        side: {name: False if value is None else value for name, value in limit.items()}
        for side, limit in limits.items()
    }
