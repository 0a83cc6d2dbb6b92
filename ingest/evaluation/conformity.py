"""Uncertainty and decision rule of each session before the evaluation judges it, and the stored document after it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime, time
from typing import Any, cast

import numpy as np

from ingest.common.instants import microseconds
from ingest.config.lab import Lab
from ingest.config.rule_history import SIMPLE, RuleStep, rule_document
from ingest.documents.verdict.conformity import StoredConformity
from ingest.evaluation.stored_results import number_columns
from spc.kernels.arrays import Floats, Indices, Integers
from spc.kernels.columns import Rows
from spc.stream import level_uncertainty
from spc.stream.level_uncertainty import BenchPart
from spc.vocabulary.enums import BenchSource

__all__ = ["conformity_documents", "risks_in_force", "with_uncertainty"]

DIGITS = 9


def risks_in_force(lab: Lab, characteristic: str, started_us: Integers) -> tuple[Floats, Floats]:
    """The greatest chances of a wrong pass and of a wrong fail by the rule of each test; nan where there is no guard."""
    rules, place = _rules(lab, characteristic, started_us)
    wrong_pass, wrong_fail = (
        np.array([np.nan if risk is None else risk for risk in risks])[place]
        for risks in ([one.rule.wrong_pass for one in rules], [one.rule.wrong_fail for one in rules])
    )
    return wrong_pass, wrong_fail


def _rules(lab: Lab, characteristic: str, started_us: Integers) -> tuple[list[RuleStep], Indices]:
    """The rules of a characteristic in order of their days, the simple one first, and which of them each test has."""
    steps = lab.rule_steps(characteristic)
    begin = [
        np.iinfo(np.int64).min
        if step.rule.from_ is None
        else microseconds(datetime.combine(step.rule.from_, time(), tzinfo=lab.zone))
        for step in steps
    ]
    return [SIMPLE, *steps], np.searchsorted(np.array(begin, dtype=np.int64), started_us, side="right")


def with_uncertainty(
    lab: Lab, characteristic: str, sessions: Rows, unreviewed: Collection[int], bench: BenchPart, study: BenchPart
) -> Rows:
    """The sessions of `for_evaluation` with their uncertainty, and with acceptance limits where a rule is declared."""
    declared = lab.characteristic(characteristic)
    usable = sessions["valid"].astype(bool) & ~np.isin(sessions.index, list(unreviewed))
    shares = {name: lab.instrument_share(name) for name in set(sessions["instrument"].tolist())}
    instrument = np.array([shares[name] for name in sessions["instrument"].tolist()])
    found = sessions.adding(level_uncertainty.uncertainty(sessions, usable, declared.scale, bench, instrument, study))
    if not lab.rule_steps(characteristic):
        return found
    limits = level_uncertainty.rule_limits(
        found,
        declared.scale,
        declared.judged,
        np.full(len(sessions), declared.guard_percent / 100.0),
        *risks_in_force(lab, characteristic, sessions["started_us"]),
    )
    return found.adding(limits)


def conformity_documents(lab: Lab, characteristic: str, sessions: Rows) -> dict[int, StoredConformity]:
    """The document of each session by its number; `sessions` as `with_uncertainty` gives them."""
    declared = lab.characteristic(characteristic)
    rules, rule_at = _rules(lab, characteristic, sessions["started_us"])
    rule_documents = [rule_document(step) for step in rules]
    # Where no rule is declared, a lot passes up to the limit itself.
    ruled = "pass_upper" in sessions.columns
    edges = {
        f"{ours}_{side}": sessions.floats(f"{theirs}_{side}" if ruled else f"limit_{side}")
        for ours, theirs in (("accept", "pass"), ("reject", "fail"))
        for side in ("lower", "upper")
    }
    columns = {
        **level_uncertainty.conformity(sessions, declared.scale, declared.judged),
        **{name: sessions.floats(name) for name in ("u", "u_high", "df", "bench_df")},
        "rule_u": sessions.floats("u_worst" if declared.judged == "worst" else "u_high"),
        "rule_df": sessions.floats("df_worst" if declared.judged == "worst" else "df_high"),
        "bag_sd": np.sqrt(sessions.floats("bag_variance_used")),
        "bag_mean_sd": np.sqrt(sessions.floats("mean_variance")),
        **edges,
    }
    parts = {name: sessions.floats(f"u_{name}") for name in ("bags", "readings", "bench", "instrument")}
    documents = _rows_of(
        {
            **number_columns(columns, DIGITS),
            "parts": _rows_of(number_columns(parts, DIGITS)),
            "bench": [BenchSource(source) for source in sessions["bench_source"].tolist()],
            "rule": [rule_documents[at] for at in rule_at.tolist()],
            "bag_df": sessions["bag_df"].tolist(),
            "own_variance": sessions["own_variance"].tolist(),
        }
    )
    return dict(zip(sessions.index.tolist(), cast("list[StoredConformity]", documents), strict=True))


def _rows_of(columns: Mapping[str, Sequence[Any]]) -> list[dict[str, Any]]:
    """The values of each session by name."""
    return [dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True)]
