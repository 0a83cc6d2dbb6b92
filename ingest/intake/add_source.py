"""Add a source to `lab.toml` and put a file of it into its drop folder, or add an alias, as one entry of a person.

The table is added at the end of the file, so that everything else in it, comments included, stays as it is. The new text is
checked as a whole before it replaces the old one.
"""

from __future__ import annotations

import json
import os
import stat
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from fnmatch import fnmatchcase
from pathlib import Path, PurePath
from typing import IO

from pydantic import ValidationError

from ingest.audit.audit_log import AuditEntry, check_signed, record
from ingest.audit.subjects import Subject
from ingest.common.durable import write_whole
from ingest.common.errors import CallError, StoreError
from ingest.common.text import quoted
from ingest.config.lab import LAB_FILE, Source
from ingest.config.lab_file import read_lab_file
from ingest.config.models import Alias
from ingest.intake.archive import free_name
from ingest.store.round_lock import alone
from ingest.store.store import open_store

__all__ = ["ADD_ALIAS", "ADD_FILE", "ADD_SOURCE", "Signed", "add_alias", "add_file", "file_name_for"]

ADD_SOURCE = "add source"
ADD_FILE = "add file"
ADD_ALIAS = "add alias"


@dataclass(frozen=True, slots=True)
class Signed:
    """Who makes an entry, when and why."""

    who: str
    at: datetime
    reason: str


def add_file(folder: Path, source: Source, table: str, name: str, data: bytes, signed: Signed) -> str:
    """Put a file into the drop folder of its source and return its name there.

    Parameters
    ----------
    folder : Path
        The lab folder.
    source : Source
        How the file is written.
    table : str
        Its `[[source]]` table, to be added to `lab.toml`; "" for a source that is declared there already.
    name, data : str, bytes
        The file.
    signed : Signed
        The person.

    Raises
    ------
    CallError
        If the entry lacks its name or reason, the file does not fit its source, or the new `lab.toml` would be wrong.
    StoreError
        If the store, `lab.toml` or the folder can't be written.
    """
    drops = folder / source.folder
    name = file_name_for(source, name)
    entry = AuditEntry(
        signed.at, signed.who, ADD_SOURCE if table else ADD_FILE, Subject.source(source.folder, source.pattern), signed.reason,
        {"file": name, **({"declared": table} if table else {})},
    )  # fmt: skip
    check_signed(entry)
    store = open_store(folder)
    # The lock of the rounds: none may read a half of this, and two persons may not overwrite each other's table.
    with alone(folder):
        lab_toml = Path(os.path.realpath(folder / LAB_FILE))
        before = lab_toml.read_bytes()
        after = before + _at_end(before, table) if table else before
        read_lab_file(folder, after)
        place = free_name(drops, name)
        try:
            with store.writing() as connection:
                record(connection, entry)
                write_whole(drops / place, lambda file: file.write(data))
                if table:
                    _replace(lab_toml, after)
        except OSError as error:
            raise StoreError(
                f"{error.filename or drops}: can't be written ({error.strerror}); give this account the right to"
            ) from error
    return place


def add_alias(folder: Path, declared: Mapping[str, str], signed: Signed) -> Alias:
    """Declare in `lab.toml` that a name as written is read as another; the next round moves what is stored under it.

    `declared` are the keys of the table; blank ones are left out.

    Raises
    ------
    CallError
        If the entry lacks its name or reason, or the alias does not fit the others.
    StoreError
        If the store or `lab.toml` can't be written.
    """
    try:
        alias = Alias.model_validate({key: text for key, text in declared.items() if text.strip()})
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(step) for step in first["loc"])
        raise CallError(f"{ADD_ALIAS}: {where + ': ' if where else ''}{first['msg']}") from error
    keys = alias.model_dump(exclude_none=True)
    # A JSON string is a basic string of TOML, except that TOML also requires DEL to be escaped.
    lines = [f"{key} = {json.dumps(text, ensure_ascii=False)}".replace("\x7f", "\\u007f") for key, text in keys.items()]
    table = "\n".join(["[[alias]]", *lines]) + "\n"
    entry = AuditEntry(
        signed.at, signed.who, ADD_ALIAS, Subject.name(alias.written), signed.reason, {"declared": table}
    )
    check_signed(entry)
    store = open_store(folder)
    with alone(folder):
        lab_toml = Path(os.path.realpath(folder / LAB_FILE))
        before = lab_toml.read_bytes()
        after = before + _at_end(before, table)
        read_lab_file(folder, after)
        try:
            with store.writing() as connection:
                record(connection, entry)
                _replace(lab_toml, after)
        except OSError as error:
            raise StoreError(
                f"{lab_toml}: can't be written ({error.strerror}); give this account the right to"
            ) from error
    return alias


def _replace(path: Path, data: bytes) -> None:
    """Replace a file by another that the same accounts may read."""
    mode = stat.S_IMODE(path.stat().st_mode)

    def fill(file: IO[bytes]) -> None:
        file.write(data)
        Path(file.name).chmod(mode)

    write_whole(path, fill)


def _at_end(before: bytes, table: str) -> bytes:
    """The bytes to add, with the line ends of the file."""
    text = f"\n\n{table}" if before and not before.endswith((b"\n", b"\r")) else f"\n{table}"
    return text.replace("\n", "\r\n" if b"\r\n" in before else "\n").encode()


def file_name_for(source: Source, name: str) -> str:
    """The name for a file of a source, without folders; CallError if the source would not take it.

    Raises
    ------
    CallError
        If it is hidden, too long, or does not fit the pattern of the source.
    """
    plain = PurePath(name.replace("\\", "/")).name
    plain = "".join(c for c in plain if c.isprintable() and c not in '<>:"|?*').strip()
    if not plain.lower().endswith(".csv"):
        plain = f"{PurePath(plain).stem or 'file'}.csv"
    if plain.startswith((".", "~$")) or len(plain.encode(errors="replace")) > 200:
        raise CallError(f"the file name {quoted(plain)} can't be used; rename the file, then choose it again")
    if not fnmatchcase(plain, source.pattern or "*"):
        raise CallError(
            f"the file name {quoted(plain)} does not fit the pattern {quoted(source.pattern or '*')} of its source; change the pattern"
        )
    return plain
