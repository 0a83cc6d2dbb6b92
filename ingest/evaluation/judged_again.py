"""The sessions of many streams as numbers, to judge them again by another limit or decision rule; no Python object a row.

Uncertainties are those that the last round stored. Nothing is evaluated: a limit or a rule changes neither levels nor charts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from sqlalchemy import Connection

from ingest.config.lab import Lab
from ingest.evaluation.conformity import risks_in_force
from ingest.store.dialect import json_number
from ingest.store.store import fetch_frame
from spc.kernels.arrays import Flags
from spc.kernels.columns import Column, Rows
from spc.stream import level_uncertainty
from spc.vocabulary.enums import Verdict

__all__ = ["acceptance_limits_of", "depends_on_rule", "stored_sessions"]

LEVELS = ("level", "level_low", "level_high")
EXTREMES = ("smallest", "largest", "smallest_high", "largest_low", "smallest_bound", "largest_bound")
WORDS = list(Verdict)
# Numbers in place of words, so that a million rows need no Python object each.
CODES = " ".join(f"WHEN '{word}' THEN {code}" for code, word in enumerate(WORDS))
SQL = (
    f"SELECT s.id, s.stream_id, s.lot_id, s.started_us, CASE s.verdict {CODES} ELSE 0 END, "
    "CASE WHEN s.conditioning = 'valid' THEN 1 ELSE 0 END, {numbers} FROM session s "
)
COLUMNS = {
    "id": "int64",
    "stream_id": "int64",
    "lot_id": "int64",
    "started_us": "int64",
    "verdict": "int64",
    "valid": "int64",
}
# After every test.
NEVER_US = 2**62
ORDER = "ORDER BY s.stream_id, s.started_us, s.lot_id"


def stored_sessions(
    connection: Connection,
    ids: Sequence[int],
    judged: str,
    since_us: int = 0,
    until_us: int = NEVER_US,
    *,
    uncertainty: bool = False,
) -> Rows:
    """The sessions of some streams since a moment and before another, stream by stream.

    Their extremes are read only where the worst reading is judged. With `uncertainty` they have the one by which a rule judges each,
    nan where the store has no number.
    """
    wanted = LEVELS if judged == "mean" else (*LEVELS, *EXTREMES)
    parts = ("rule_u", "rule_df") if uncertainty else ()
    numbers = [f"s.{name}" for name in wanted] + [json_number(connection, "c.document", name) for name in parts]
    select = SQL.format(numbers=", ".join(numbers))
    stored = "LEFT JOIN conformity c ON c.session_id = s.id " if uncertainty else ""
    where = f"WHERE s.stream_id IN ({', '.join('?' * len(ids))}) AND s.started_us >= ? AND s.started_us < ? {ORDER}"
    dtypes = COLUMNS | dict.fromkeys((*wanted, *parts), "float64")
    rows = fetch_frame(connection, f"{select}{stored}{where}", [*ids, since_us, until_us], dtypes)
    columns: dict[str, Column] = {name: rows[name].to_numpy() for name in (*list(COLUMNS)[1:], *wanted)}
    columns["verdict"] = np.array(WORDS, dtype=object)[columns["verdict"]]
    if uncertainty:
        u, df = rows["rule_u"].to_numpy(), rows["rule_df"].fillna(np.inf).to_numpy()
        columns |= {"u_high": u, "df_high": df, "u_worst": u, "df_worst": df}
    unread = np.full(len(rows), np.nan)
    return Rows(rows["id"].to_numpy(), dict.fromkeys(EXTREMES, unread) | columns)


def depends_on_rule(labs: Sequence[Lab], characteristic: str, sessions: Rows) -> Flags:
    """The sessions whose verdict could differ between the rules of these labs, the simple rule among them."""
    declared = labs[0].characteristic(characteristic)
    rules = [step.rule for lab in labs for step in lab.rule_steps(characteristic)]
    guards = [risk for rule in rules for risk in (rule.wrong_pass, rule.wrong_fail) if risk is not None]
    if declared.judged != "mean" or not guards:
        return np.full(len(sessions), bool(guards))
    return level_uncertainty.may_turn(sessions, declared.scale, min(guards))


def acceptance_limits_of(lab: Lab, characteristic: str, sessions: Rows) -> dict[str, Column]:
    """Acceptance limits of each session by the rule of its day; the sessions have their limits and uncertainties."""
    declared = lab.characteristic(characteristic)
    guard = np.full(len(sessions), declared.guard_percent / 100.0)
    risks = risks_in_force(lab, characteristic, sessions["started_us"])
    return level_uncertainty.rule_limits(sessions, declared.scale, declared.judged, guard, *risks)
