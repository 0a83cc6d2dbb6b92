"""The page "Add a file": choose a file, see and correct how it is read, save its source and put it into its drop folder.

The steps share no state on the server: each answer carries the file, so its size is bounded by that of a request.
"""

from __future__ import annotations

from base64 import urlsafe_b64decode, urlsafe_b64encode
from binascii import Error as NotBase64Error
from collections.abc import Callable, Mapping
from contextlib import closing
from datetime import datetime
from typing import Any

from flask import Flask, Response, redirect, request

from dashboard.components.current_user import current_user
from dashboard.queries.lab_reader import LabReader
from dashboard.text import file_check
from dashboard.text.urls import ADD_FILE, with_query
from dashboard.web.plain_page import plain_page
from dashboard.web.request_guard import LARGEST_BODY
from ingest.common.errors import CallError
from ingest.config.lab import Lab
from ingest.config.models import FILL_IN, KINDS, Source
from ingest.intake.add_source import Signed, add_file
from ingest.parsing.parse_file import FileRefused
from ingest.parsing.proposal.mapping import choices, meanings_of, source_of
from ingest.parsing.proposal.source_preview import Preview, as_toml, header_of, preview

__all__ = ["add_file_page"]

# In the text form of the next step a file takes a third more, and the form has other fields.
LARGEST_FILE = 650_000
# So many texts of characteristics can be given a name on the page.
MOST_TEXTS = 50
# The columns that may have one text for all rows, by the kind of the file.
FIXED = {
    "tests": ("supplier", "product", "characteristic", "reading", "chamber", "instrument"),
    "climate": ("chamber",),
    "stock": ("supplier", "product", "unit", "storage"),
    "loads": ("load", "chamber"),
    "calibrations": ("instrument",),
    "waveforms": ("supplier", "lot", "specimen"),
}
TEMPLATE = "add_file.html"


def add_file_page(server: Flask, lab_reader: LabReader, clock: Callable[[], datetime]) -> None:
    """Answer the address of the page; `clock` gives the current time, aware."""

    @server.get(ADD_FILE)
    def choose_file() -> Response:
        done = request.args.get("done", "")
        return _page(done=done, folder=request.args.get("folder", ""))

    @server.post(ADD_FILE)
    def read_file() -> Response:
        # A file in a field is larger than the fields of other forms.
        request.max_form_memory_size = LARGEST_BODY
        name, data = _file()
        lab, now = lab_reader.lab, clock()
        if request.form.get("step", "choose") == "choose":
            return _shown(_preview(data, None, lab, now, name), lab, name, data)
        number = _number(request.form.get("declared", ""), lab)
        try:
            source = lab.declared_sources[number] if number is not None else _chosen(request.form, data, lab)
            seen = _preview(data, source, lab, now, name)
        except CallError as error:
            return _shown(_preview(data, None, lab, now, name), lab, name, data, trouble=str(error), status=400)
        if request.form.get("step") != "save":
            return _shown(seen, lab, name, data)
        signed = Signed(current_user().name or request.form.get("who", ""), now, request.form.get("reason", ""))
        try:
            if seen.problem:
                raise CallError(f"the file can't be read like this: it {seen.problem}")
            place = add_file(lab.folder, source, "" if number is not None else as_toml(source), name, data, signed)
        except CallError as error:
            return _shown(seen, lab, name, data, trouble=str(error), status=400)
        return redirect(with_query(ADD_FILE, {"done": place, "folder": source.folder}), code=303)  # type: ignore[return-value]  # werkzeug's own type


def _file() -> tuple[str, bytes]:
    """The name and the bytes of the file: chosen in the first step, a field of the form in the others."""
    upload = request.files.get("file")
    if upload is not None:
        with closing(upload):
            name, data = upload.filename or "", upload.stream.read(LARGEST_FILE + 1)
    else:
        name = request.form.get("name", "")
        try:
            data = urlsafe_b64decode(request.form.get("content", "").encode("ascii", "replace"))
        except NotBase64Error as error:
            raise CallError("the file is damaged; choose it again") from error
    if not data:
        raise CallError("no file was chosen, or it is empty; choose a CSV file with a header row")
    if len(data) > LARGEST_FILE:
        raise CallError(
            f"the file is larger than {LARGEST_FILE // 1000} kB; put it into the drop folder by hand, and set up its source with the "
            "first rows of it, or with lotdrift check FILE"
        )
    return name, data


def _number(text: str, lab: Lab) -> int | None:
    """The index of a declared source; None where the form declares one."""
    number = int(text) if text.isascii() and text.isdigit() and len(text) < 5 else 0
    return number - 1 if 0 < number <= len(lab.declared_sources) else None


def _preview(data: bytes, source: Source | None, lab: Lab, now: datetime, name: str) -> Preview:
    seen = preview(data, source, lab, now, name)
    if isinstance(seen, FileRefused):
        raise CallError(seen.reason.removeprefix(": "))
    return seen


def _chosen(form: Mapping[str, str], data: bytes, lab: Lab) -> Source:
    """The source that the form describes."""
    kind = form.get("kind", "") if form.get("kind") in KINDS else "tests"
    fixed = {name: text for name in FIXED[kind] if (text := form.get(f"fixed-{name}", "").strip())}
    if kind == "waveforms":
        keys = ("folder", "pattern", "names")
        captures = {key: form.get(key, "").strip(" ") or None for key in keys}
        return source_of([], [], {"kind": kind, "fixed": fixed, **captures})
    skip_rows = form.get("skip_rows", "0").strip() or "0"
    if not (skip_rows.isascii() and skip_rows.isdigit() and len(skip_rows) < 5):
        raise CallError(f"title lines: expected a whole number, got {skip_rows[:20]}")
    texts = ("folder", "pattern", "encoding", "delimiter", "decimal", "time_format", "timezone")
    declared: dict[str, Any] = {"kind": kind, "skip_rows": int(skip_rows), "units_row": form.get("units_row") == "on"}
    declared |= {key: form.get(key, "").strip(" ") or None for key in texts}
    if declared["delimiter"] == "tab":
        declared["delimiter"] = "\t"
    unit = form.get("unit", "").strip()
    # A source with the layout alone gives the header, whose cells the choices are about.
    header = header_of(data, source_of([], [], declared))
    meanings = [form.get(f"column-{index}", "") for index in range(len(header))]
    accepted = choices(kind, lab)
    meanings = [meaning if meaning in accepted else "" for meaning in meanings]
    taken = set(meanings)
    declared["fixed"] = {name: text for name, text in fixed.items() if name not in taken}
    named = ((form.get(f"written-{index}", ""), form.get(f"means-{index}", "")) for index in range(MOST_TEXTS))
    declared["characteristics"] = {text: name for text, name in named if text and name} if kind == "tests" else {}
    declared["units"] = {"value": unit} if unit and kind == "tests" else {}
    if kind == "climate" and form.get("temperature_unit"):
        declared["units"] = {"temperature_c": form["temperature_unit"]}
    return source_of(header, meanings, declared)


def _shown(seen: Preview, lab: Lab, name: str, data: bytes, trouble: str = "", status: int = 200) -> Response:
    check, source = file_check.document(seen, lab), seen.read_with
    captured = seen.kind == "waveforms"
    meanings = (
        [one.ours for one in seen.columns] if captured else meanings_of([one.cell for one in seen.columns], source)
    )
    return _page(
        status,
        trouble=trouble,
        check=check,
        names=list(dict.fromkeys(name for row in check["first_rows"] for name in row["cells"])),
        columns=list(zip(check["columns"], meanings, strict=True)),
        choices=choices(seen.kind, lab),
        kinds=KINDS,
        source=source,
        fixed=[
            (name, source.fixed.get(name, "").replace(FILL_IN, "")) for name in FIXED[seen.kind] if name not in meanings
        ],
        characteristics=[one.name for one in lab.characteristics],
        written=_written(seen, source, lab),
        file=name,
        content=urlsafe_b64encode(data).decode(),
    )


def _written(seen: Preview, source: Source, lab: Lab) -> list[tuple[str, str]]:
    """The texts of the column of characteristics that are no declared names, each with its name; "" for none."""
    examples = [text.strip() for one in seen.columns if one.ours == "characteristic" for text in one.examples]
    named = dict.fromkeys((text for text in examples if text and not lab.is_declared(text)), "")
    return list({**named, **source.characteristics}.items())[:MOST_TEXTS]


def _page(status: int = 200, **values: Any) -> Response:
    """The page of a step, with blanks for what the step does not show."""
    blanks = {"trouble": "", "check": None, "done": "", "folder": ""}
    user = current_user()
    more = {"action": ADD_FILE, "may_enter": user.may_enter, "user": user.name or ""}
    return plain_page(TEMPLATE, "Add a file", status, **{**blanks, **more, **values})
