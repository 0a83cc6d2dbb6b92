"""Read `lab.toml`: parse it, validate each key, and check what the tables mean together.

Every complaint is one line that names the file, the key and what was expected.
"""

from __future__ import annotations

import hashlib
import os
import tomllib
from collections.abc import Iterator, Mapping
from datetime import date
from difflib import get_close_matches
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, TypeAdapter, ValidationError

from ingest.common.errors import LabFileError
from ingest.config.field_types import StoreUrl, listed, shown
from ingest.config.limit_history import NO_LIMIT, SIDES, declared_steps, on_day
from ingest.config.models import FILL_IN, KINDS, LabFile, Source

__all__ = ["FILED", "LAB_FILE", "REFUSED", "STANDARD_FOLDERS", "declared_store", "read_lab_file"]

LAB_FILE = "lab.toml"
FILED, REFUSED = "filed", "refused"
# The folders that lotdrift writes to; a drop folder must be apart from them.
OUTGOING = (FILED, REFUSED, "outbox", "exports")
STANDARD_FOLDERS = {kind: f"drops/{kind}" for kind in KINDS}

STORE_URL: TypeAdapter[str] = TypeAdapter(StoreUrl)


def read_lab_file(folder: Path, data: bytes | None = None) -> tuple[LabFile, tuple[Source, ...], str]:
    """Read and check `lab.toml`; return its tables, all sources, the standard ones included, and the SHA-256 of its bytes.

    With `data`, check these bytes in place of those of the file.

    Raises
    ------
    LabFileError
        If there is no `lab.toml`, it can't be read, is not TOML or declares something wrong.
    """
    data = _read_bytes(folder) if data is None else data
    document = _parse(data)
    try:
        declared = LabFile.model_validate(document)
    except ValidationError as error:
        # A mistyped key is reported as unknown and as missing; the first says more.
        first = min(error.errors(include_url=False), key=lambda one: one["type"] != "extra_forbidden")
        raise _error(_key(document, first["loc"]), _complaint(first)) from error
    _check_names(declared)
    _check_aliases(declared)
    _check_conditioning(declared)
    _check_chambers(declared)
    _check_products(declared)
    _check_limits(declared)
    _check_routes(declared)
    _check_sources(declared)
    # A kind without a declared source is read from its standard folder, if that exists.
    declared_kinds = {source.kind for source in declared.source}
    standard = [
        Source.model_validate({"kind": kind, "folder": place})
        for kind, place in STANDARD_FOLDERS.items()
        if kind not in declared_kinds and (folder / place).is_dir()
    ]
    _check_folders(folder, {f"source.{number}.folder": one for number, one in enumerate(declared.source, start=1)})
    _check_folders(folder, {one.folder: one for one in standard})
    return declared, (*declared.source, *standard), hashlib.sha256(data).hexdigest()


def declared_store(folder: Path) -> str | None:
    """Return the URL of the server that `lab.toml` names for the store; None if the store is the file in the folder."""
    table = _parse(_read_bytes(folder)).get("lab")
    declared = table.get("store") if isinstance(table, dict) else None
    if declared is None:
        return None
    try:
        return STORE_URL.validate_python(declared)
    except ValidationError as error:
        raise _error("lab.store", _complaint(error.errors(include_url=False)[0])) from error


def _read_bytes(folder: Path) -> bytes:
    try:
        return (folder / LAB_FILE).read_bytes()
    except (FileNotFoundError, NotADirectoryError) as error:
        raise LabFileError(
            f"{folder}: there is no {LAB_FILE}; give a lab folder with --lab DIR, or make one"
        ) from error
    except OSError as error:
        raise LabFileError(f"{LAB_FILE}: can't be read ({error.strerror}); give this account the right to") from error


def _parse(data: bytes) -> dict[str, Any]:
    try:
        # Line ends of any system.
        return tomllib.loads(data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n"))
    except UnicodeDecodeError as error:
        raise LabFileError(f"{LAB_FILE}: is not UTF-8 text (byte {error.start}); save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        detail = " ".join(str(error).split())
        raise LabFileError(f"{LAB_FILE}: is not TOML: {detail}; correct that line") from error
    except RecursionError as error:
        raise LabFileError(f"{LAB_FILE}: is nested too deeply; write it as the README shows") from error


# Complaints of the validation in our words


def _error(key: str, complaint: str) -> LabFileError:
    return LabFileError(f"{LAB_FILE}, {key}: {complaint}" if key else f"{LAB_FILE}: {complaint}")


def _key(document: object, location: tuple[int | str, ...]) -> str:
    """The path of a key as a person reads it: an entry of a list by its name, or else by its number from 1."""
    parts: list[str] = []
    value: Any = document
    for step in location:
        if step == "[key]":
            continue
        try:
            value = value[step]
        except (KeyError, IndexError, TypeError):
            value = None
        if isinstance(step, int):
            name = value.get("name") if isinstance(value, dict) else None
            parts.append(name if isinstance(name, str) and name.isprintable() else str(step + 1))
        else:
            parts.append(step)
    return ".".join(parts)


def _complaint(error: Any) -> str:
    if error["type"] == "extra_forbidden":
        return f"unknown key; {_known_keys(error['loc'])}"
    if error["type"] == "missing":
        return "is missing; add it"
    if error["type"] == "expected":
        return str(error["msg"])
    # Don't show a text: it may be an address that must stay private.
    got = "a text" if isinstance(error["input"], str) else shown(error["input"])
    shape = {"list_type": "a list", "too_long": "at most 100 entries"}.get(error["type"], "a table")
    return f"expected {shape}, got {got}"


def _known_keys(location: tuple[int | str, ...]) -> str:
    """Suggest a key for an unknown one, or list the keys of its table."""
    table: type[BaseModel] = LabFile
    for step in location[:-1]:
        # An entry of a list, or of a table of tables, leads to the same model.
        for name, info in table.model_fields.items():
            if step == (info.alias or name):
                table = next(_tables_in(info.annotation), table)
                break
    keys = [field.alias or name for name, field in table.model_fields.items()]
    near = get_close_matches(str(location[-1]), keys, n=1)
    return f"did you mean {near[0]}?" if near else f"expected one of {', '.join(keys)}"


def _tables_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _tables_in(part)


# What the tables mean together


def _check_names(declared: LabFile) -> None:
    names = [one.name for one in declared.characteristic]
    if not names:
        raise _error("characteristic", "expected at least one [[characteristic]], got none")
    for table, all_names in (
        ("characteristic", names),
        ("product", [one.name for one in declared.product]),
        ("instrument", [one.name for one in declared.instrument]),
        ("chamber", [one.name for one in declared.chamber]),
        ("webhook", [one.name for one in declared.webhook]),
    ):
        twice = next((name for name in all_names if all_names.count(name) > 1), None)
        if twice is not None:
            raise _error(f"{table}.{twice}", f"expected each {table} once, got {shown(twice)} twice")


def _check_chambers(declared: LabFile) -> None:
    """Check that a counted uncertainty of a sensor leaves something of the tolerance."""
    for chamber in declared.chamber:
        for name, rule in declared.conditioning.items():
            expanded = chamber.sensor_uncertainty or 0.0
            if chamber.uncertainty_counts and expanded >= rule.humidity_tolerance:
                raise _error(
                    f"chamber.{chamber.name}.sensor_uncertainty",
                    f"expected less than the humidity_tolerance of {name} ({rule.humidity_tolerance:g}) where uncertainty_counts is true: "
                    f"else no entry shows that the chamber was inside; got {expanded:g}",
                )


def _check_conditioning(declared: LabFile) -> None:
    known = [shown(name) for name in declared.conditioning]
    if not known and any(one.conditioning is not False for one in declared.characteristic):
        raise _error(
            "conditioning",
            "expected at least one [conditioning.NAME], or conditioning = false in every [[characteristic]]; got none",
        )
    for one in declared.characteristic:
        if one.conditioning is None and len(known) > 1:
            raise _error(
                f"characteristic.{one.name}.conditioning",
                f"is missing where several are declared; add {listed(known, 'or')}",
            )
        if one.conditioning not in (None, False, *declared.conditioning):
            raise _error(
                f"characteristic.{one.name}.conditioning",
                f"expected {listed(known, 'or')}, got {shown(one.conditioning)}",
            )


def _check_products(declared: LabFile) -> None:
    scales = {one.name: one.scale for one in declared.characteristic}
    for product in declared.product:
        for side, limits in (("upper_limit", product.upper_limit), ("lower_limit", product.lower_limit)):
            for name, value in limits.items():
                key = f"product.{product.name}.{side}.{name}"
                if name not in scales:
                    raise _error(key, f"expected a declared characteristic, got {shown(name)}")
                if scales[name] == "log" and value is not None and value <= 0:
                    raise _error(key, f"expected a limit above 0 on a log scale, got {shown(value)}")


def _check_limits(declared: LabFile) -> None:
    """Check that the lower limit is below the upper one on every day on which a limit changes."""
    for one in declared.characteristic:
        changes = {limit.from_ or date.min for limit in [*one.lower_limit, *one.upper_limit]} | {date.min}
        for day in sorted(changes):
            for product in [None, *declared.product]:
                lower, upper = (on_day(declared_steps(one, product, side), day) or NO_LIMIT for side in SIDES)
                if lower.value is not None and upper.value is not None and lower.value >= upper.value:
                    place = f"characteristic.{one.name}" if product is None else f"product.{product.name}"
                    raise _error(
                        f"{place}.lower_limit",
                        f"expected a limit below the upper one, {upper.value:g}, got {lower.value:g}",
                    )


def _check_routes(declared: LabFile) -> None:
    """Check that every route has a receiver."""
    hooks = [one.name for one in declared.webhook]
    for number, route in enumerate(declared.route, start=1):
        for name in route.webhook or []:
            if name not in hooks:
                known = listed([shown(hook) for hook in hooks], "or") if hooks else "a declared [[webhook]]"
                raise _error(f"route.{number}.webhook", f"expected {known}, got {shown(name)}")
    if declared.mail.server and not declared.mail.to and not any(route.to for route in declared.route):
        raise _error("mail.to", "expected at least one address beside server, or a [[route]] with to; got none")


def _check_aliases(declared: LabFile) -> None:
    """Check that each name is written once, and that no alias leads to another one."""
    places: dict[tuple[str, str, str | None, str | None], int] = {}
    for number, alias in enumerate(declared.alias, start=1):
        before = places.setdefault((alias.column, alias.written, alias.supplier, alias.product), number)
        if before != number:
            raise _error(
                f"alias.{number}.written", f"expected another name than alias {before} has, got {shown(alias.written)}"
            )
    for number, alias in enumerate(declared.alias, start=1):
        onward = places.get((alias.column, alias.name, alias.supplier, alias.product))
        if onward is not None:
            raise _error(
                f"alias.{number}.name",
                f"expected the right name, got {shown(alias.name)}, which alias {onward} renames",
            )


def _check_sources(declared: LabFile) -> None:
    """Check that each source can be the one that a file belongs to, and that its values are of declared characteristics."""
    names = [one.name for one in declared.characteristic]
    first: dict[tuple[str, str], int] = {}
    for number, source in enumerate(declared.source, start=1):
        for key, table in (("values", source.values), ("characteristics", source.characteristics)):
            undeclared = next((one for one in table.values() if one not in names), None)
            if undeclared is not None:
                raise _error(f"source.{number}.{key}", f"expected a declared characteristic, got {shown(undeclared)}")
        unfilled = next((name for name, text in source.fixed.items() if text == FILL_IN), None)
        if unfilled is not None:
            raise _error(
                f"source.{number}.fixed.{unfilled}",
                f"expected the {unfilled} of all rows, got {shown(FILL_IN)} of a proposal",
            )
        before = first.setdefault((os.path.normpath(source.folder), source.pattern or "*"), number)
        if before != number:
            raise _error(
                f"source.{number}",
                f"expected another folder or pattern than source {before} has, which would take every file; "
                f"got {shown(source.folder)} again: add pattern, or run lotdrift check on the file once more without this source",
            )


def _check_folders(folder: Path, sources: Mapping[str, Source]) -> None:
    """Check that no drop folder is, contains or lies in a folder that lotdrift writes to, by any name or link."""
    for key, source in sources.items():
        for name in OUTGOING:
            # Unlike Path.resolve, realpath ends where links are circular.
            drops, outgoing = (Path(os.path.realpath(folder / place)) for place in (source.folder, name))
            if _contains(drops, outgoing) or _contains(outgoing, drops):
                raise _error(
                    key,
                    f"expected a folder apart from {name}, where lotdrift itself puts files, got {shown(source.folder)}; "
                    f"to take files of {name} in again, copy them into a drop folder",
                )


def _contains(outer: Path, inner: Path) -> bool:
    """Whether one folder is the other or contains it; names may differ in letter case where that does not count."""
    for place in (inner, *inner.parents):
        try:
            if place == outer or place.samefile(outer):
                return True
        except OSError:
            continue
    return False
