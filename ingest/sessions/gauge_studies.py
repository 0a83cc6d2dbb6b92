"""Gauge studies that `lab.toml` declares: read the file of each, and compute the part of the uncertainty of a whole session.

A study is a table in the lab folder and no feed: its readings belong to no stream and set no limit.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, time

import numpy as np

from ingest.common.instants import WEEK_US, microseconds
from ingest.common.text import quoted
from ingest.common.units import UnitError, ValueTextError, parse_unit, parse_value, to_unit
from ingest.config.lab import LAB_FILE, Lab
from ingest.config.models import GaugeStudy
from ingest.documents.bench.gauge_study import (
    GaugeStudyDocument,
    StudyBias,
    StudyFigures,
    StudySession,
    StudySessionMean,
    WithEnds,
)
from spc import gauge
from spc.supplier import quarter
from spc.vocabulary.enums import Scale

__all__ = ["StudyReading", "gauge_studies", "study_readings", "study_steps"]

SPECIMEN = ("supplier", "product", "lot", "specimen")
REFERENCE = "reference"
NEEDED = ("specimen", "reading", "value", "unit")
LARGEST_BYTES = 4_000_000


class StudyError(Exception):
    """A study that can't be used, in one line."""


@dataclass(frozen=True, slots=True)
class StudyReading:
    """A reading of a study with its line in the file; values are in the unit of the characteristic, `reference` None where unknown."""

    line: int
    specimen: str
    session: str
    reading: str
    value: float
    reference: float | None


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """The readings of a study in the charted scale, the names of its sessions, and the least and greatest of its readings in the unit.

    `reference` holds the known value of each specimen in the charted scale; empty where the file has none.
    """

    values: np.ndarray
    sessions: list[str]
    reference: np.ndarray
    lowest: float
    highest: float


def gauge_studies(lab: Lab) -> list[GaugeStudyDocument]:
    """Every declared study with its figures, or the reason why it has none."""
    return [_document(lab, one) for one in lab.gauge_studies]


def study_steps(lab: Lab) -> dict[str, list[list[float]]]:
    """Of each characteristic: the week from which a study is known, the variance of its sessions, its degrees of freedom."""
    steps_of: dict[str, list[list[float]]] = {}
    for declared in lab.gauge_studies:
        try:
            result = gauge.study(_table(lab, declared).values)
        except (StudyError, ValueError):
            # `gauge_studies` has the line; the bench part stays as it is without this study.
            continue
        known = microseconds(datetime.combine(declared.done_on, time(), lab.zone)) / WEEK_US
        steps_of.setdefault(declared.characteristic, []).append([known, result.session_part, result.session_df])
    return {name: sorted(steps) for name, steps in steps_of.items()}


def _document(lab: Lab, declared: GaugeStudy) -> GaugeStudyDocument:
    figures, trouble = None, ""
    known = lab.is_declared(declared.characteristic)
    try:
        table = _table(lab, declared)
        figures = _figures(gauge.study(table.values), table, log=_is_log(lab, declared))
    except (StudyError, ValueError) as error:
        trouble = f"gauge study {declared.name}: {error}"
    about = lab.characteristic(declared.characteristic) if known else None
    return {
        "name": declared.name,
        "characteristic": declared.characteristic,
        "unit": "" if about is None else about.unit,
        "scale": Scale.LOG if about is None else Scale(about.scale),
        "file": declared.file,
        "session_column": declared.sessions,
        "done_on": declared.done_on.isoformat(),
        "trouble": trouble,
        "figures": figures,
    }


def _is_log(lab: Lab, declared: GaugeStudy) -> bool:
    return Scale(lab.characteristic(declared.characteristic).scale) == Scale.LOG


def _figures(result: gauge.Study, table: _Table, *, log: bool) -> StudyFigures:
    names = ("specimen", "session", "interaction", "repeat")
    parts = [getattr(result, name) for name in names]
    return {
        "specimens": result.specimens,
        "sessions": result.sessions,
        "repeats": result.repeats,
        "lowest": table.lowest,
        "highest": table.highest,
        "components": [
            {"name": name, "variance": one.value, "low": one.low, "high": one.high}
            for name, one in zip((*names, "gauge", "total"), (*parts, result.gauge, result.total), strict=True)
        ],
        "session_sd": math.sqrt(result.session_part),
        "session_df": result.session_df,
        "share": _ends(result.share),
        "categories": _ends(result.categories),
        "order_change": 100 * math.expm1(result.order_slope) if log else result.order_slope,
        "order_p_value": result.order_p_value,
        "session_means": _session_means(table, log=log),
        "unlike": _unlike(table),
        "bias": _bias(table, log=log) if table.reference.size else None,
    }


def _session_means(table: _Table, *, log: bool) -> list[StudySessionMean]:
    """Mean and number of readings of each session. Every session has the same bags, so that the means can be compared."""
    means = np.nanmean(table.values, axis=(0, 2)).tolist()
    numbers = np.isfinite(table.values).sum(axis=(0, 2)).tolist()
    return [
        {"session": name, "mean": math.exp(mean) if log else mean, "readings": number}
        for name, mean, number in zip(table.sessions, means, numbers, strict=True)
    ]


def _unlike(table: _Table) -> list[StudySession]:
    """The sessions that are unlike the others, by their level first."""
    result = gauge.consistency(table.values)
    levels: list[StudySession] = [
        {"session": name, "by": "level", "value": value, "limit": result.level_limit}
        for name, value in zip(table.sessions, result.level.tolist(), strict=True)
        if abs(value) > result.level_limit
    ]
    return levels + [
        {"session": name, "by": "repeats", "value": value, "limit": result.spread_limit}
        for name, value in zip(table.sessions, result.spread.tolist(), strict=True)
        if value > result.spread_limit
    ]


def _bias(table: _Table, *, log: bool) -> StudyBias:
    """Deviation from the reference values: its mean over the sessions, and its change over the range.

    The sessions are the sample, so that the mean has the scatter of theirs. For the line each specimen counts once a session.
    """
    cells = table.values.mean(axis=2) - table.reference[:, None]
    mean = quarter.level(cells.mean(axis=0))
    reference = np.broadcast_to(table.reference[:, None], cells.shape)
    several = np.unique(table.reference).size > 1
    line = gauge.linearity(reference.ravel(), cells.ravel()) if several else None

    def shown(value: float) -> float:
        return 100 * math.expm1(value) if log else value

    return {
        "references": int(np.unique(table.reference).size),
        "mean": shown(mean.value),
        "mean_low": shown(mean.low),
        "mean_high": shown(mean.high),
        "sessions_df": cells.shape[1] - 1,
        "change": None if line is None else shown(line.slope * float(np.ptp(table.reference))),
        "change_p_value": None if line is None else line.p_value,
        "bent_p_value": None if line is None or math.isnan(line.lack_of_fit_p) else line.lack_of_fit_p,
    }


def _ends(one: gauge.Component) -> WithEnds:
    return {"value": one.value, "low": one.low, "high": one.high}


# The file


def _table(lab: Lab, declared: GaugeStudy) -> _Table:
    """The readings as specimens x sessions x repeats; the repeats of a cell in the order of the file."""
    readings = _readings(lab, declared)
    keys = [(one.specimen, one.session, one.reading) for one in readings]
    if len(set(keys)) < len(keys):
        twice = next(key for key in keys if keys.count(key) > 1)
        raise StudyError(
            f"{declared.file}: specimen {twice[0]}, {declared.sessions} {twice[1]}, reading {twice[2]} is there twice"
        )
    log, cells = _is_log(lab, declared), dict[tuple[str, str], list[float]]()
    for one in readings:
        cells.setdefault((one.specimen, one.session), []).append(math.log(one.value) if log else one.value)
    specimens, sessions = (list(dict.fromkeys(key[place] for key in cells)) for place in (0, 1))
    repeats = max(len(cell) for cell in cells.values())
    table = np.full((len(specimens), len(sessions), repeats), np.nan)
    for (specimen, session), cell in cells.items():
        table[specimens.index(specimen), sessions.index(session), : len(cell)] = cell
    values = [one.value for one in readings]
    return _Table(table, sessions, _references(readings, specimens, declared, log=log), min(values), max(values))


def _references(
    readings: Sequence[StudyReading], specimens: Sequence[str], declared: GaugeStudy, *, log: bool
) -> np.ndarray:
    """The reference value of each specimen in the charted scale; empty where no row has one."""
    written: dict[str, set[float | None]] = {name: set() for name in specimens}
    for one in readings:
        written[one.specimen].add(one.reference)
    if all(values == {None} for values in written.values()):
        return np.empty(0)
    for name, values in written.items():
        if len(values) > 1 or values == {None}:
            raise StudyError(f"{declared.file}: specimen {name} needs one reference value, the same in all of its rows")
    values_of = np.array([written[name].pop() for name in specimens], dtype=np.float64)
    return np.log(values_of) if log else values_of


def study_readings(lab: Lab, declared: GaugeStudy) -> list[StudyReading]:
    """The readings of a study in the order of its file; empty where the study can't be used."""
    try:
        _table(lab, declared)
        return _readings(lab, declared)
    except StudyError:
        return []


def _readings(lab: Lab, declared: GaugeStudy) -> list[StudyReading]:
    if not lab.is_declared(declared.characteristic):
        raise StudyError(f"{declared.characteristic} is no characteristic that {LAB_FILE} declares")
    target = parse_unit(lab.characteristic(declared.characteristic).unit)
    readings = []
    for line, row in _rows(lab, declared):
        specimen = " ".join(row[name].strip() for name in SPECIMEN if row.get(name))
        names = (specimen, row[declared.sessions].strip(), row["reading"].strip())
        if not all(names):
            raise StudyError(
                f"{declared.file}, line {line}: specimen, {declared.sessions} and reading may not be blank"
            )
        try:
            value = parse_value(row["value"])
            number = to_unit(value.number, parse_unit(value.unit or row["unit"]), target)
            written = row.get(REFERENCE, "").strip()
            reference = to_unit(parse_value(written).number, parse_unit(row["unit"]), target) if written else None
        except (ValueTextError, UnitError) as error:
            raise StudyError(f"{declared.file}, line {line}: {error}") from error
        if value.bound:
            raise StudyError(
                f"{declared.file}, line {line}: {quoted(row['value'])} is a bound; leave the bag out, a study ends where the "
                "range of the meter does"
            )
        readings.append(StudyReading(line, *names, number, reference))
    return readings


def _rows(lab: Lab, declared: GaugeStudy) -> list[tuple[int, dict[str, str]]]:
    """The rows of the characteristic with their lines."""
    path = (lab.folder / declared.file).resolve()
    if not path.is_relative_to(lab.folder.resolve()):
        raise StudyError(f"{declared.file} is not in the lab folder; put the file there")
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise StudyError(f"{declared.file} is larger than {LARGEST_BYTES:,} bytes, no table of a study")
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise StudyError(
            f"{declared.file} can't be read ({error.strerror}); put the file into the lab folder"
        ) from error
    except UnicodeDecodeError as error:
        raise StudyError(f"{declared.file} is not UTF-8 text (byte {error.start}); save it as UTF-8") from error
    try:
        reader = csv.DictReader(io.StringIO(text), restval="", strict=True)
        names = [name.strip() for name in reader.fieldnames or ()]
        reader.fieldnames = names
        missing = [name for name in (*NEEDED, declared.sessions) if name not in names]
        if missing:
            raise StudyError(
                f"{declared.file} lacks the column {' and '.join(map(quoted, missing))}; expected one row a reading"
            )
        rows = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise StudyError(f"{declared.file} is no CSV table: {error}") from error
    wanted = [
        (line, row) for line, row in rows if row.get("characteristic", "").strip() in ("", declared.characteristic)
    ]
    if not wanted:
        raise StudyError(f"{declared.file} has no row of {declared.characteristic}")
    return wanted
