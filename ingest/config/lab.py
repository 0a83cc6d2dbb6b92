"""What the lab declares in `lab.toml`, checked as a whole before anything is read or written.

`load` gives a `Lab`, or raises one line that names the file, the key and what was expected.
"""

from __future__ import annotations

import hashlib
import os
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NamedTuple, get_args
from zoneinfo import ZoneInfo

from pydantic import BaseModel, TypeAdapter, ValidationError

from ingest.common.errors import LabFileError
from ingest.config.field_types import StoreUrl, listed, shown
from ingest.config.limit_history import SIDES, Step, in_order, on_day
from ingest.config.models import (
    Alerts,
    Baseline,
    Characteristic,
    CheckStandard,
    Conditioning,
    LabFile,
    Product,
    Schedule,
    Scorecard,
    Serve,
    ShieldingSource,
    Source,
)
from ingest.config.notification_models import Digest, Mail, Route, Webhook

__all__ = ["FILED", "LAB_FILE", "REFUSED", "Lab", "Limits", "Source", "declared_steps", "declared_store", "load"]

LAB_FILE = "lab.toml"
FILED, REFUSED = "filed", "refused"
# The folders of a lab in which files are put; nothing is taken in from there.
OUTGOING = (FILED, REFUSED, "outbox", "exports")
STANDARD_FOLDERS = {"tests": "drops/tests", "climate": "drops/climate"}

STORE_URL: TypeAdapter[str] = TypeAdapter(StoreUrl)


class Limits(NamedTuple):
    """The specification limits in force for a product on a day; None where no limit applies.

    The lower one is inclusive, the upper one strict.
    """

    lower: float | None
    upper: float | None
    document: str


@dataclass(frozen=True, slots=True, eq=False)
class Lab:
    """A lab folder and what its `lab.toml` declares.

    `entered` are the limits that people entered, by product, characteristic and side; `load` knows of none
    (`ingest.limit_acts` lays them over). `digest_of_file` is the SHA-256 of the bytes of `lab.toml`.
    """

    folder: Path
    name: str
    zone: ZoneInfo
    session_hours: float
    conditioning: Mapping[str, Conditioning]
    characteristics: tuple[Characteristic, ...]
    products: tuple[Product, ...]
    check_standards: tuple[CheckStandard, ...]
    shielding_source: ShieldingSource | None
    baseline: Baseline
    alerts: Alerts
    schedule: Schedule | None
    sources: tuple[Source, ...]
    mail: Mail
    webhooks: tuple[Webhook, ...]
    routes: tuple[Route, ...]
    digest: Digest
    scorecard: Scorecard
    digest_of_file: str
    serve: Serve
    entered: Mapping[tuple[str, str, str], tuple[Step, ...]] = field(default_factory=dict)
    _steps: dict[tuple[str, str, str], tuple[Step, ...]] = field(init=False, repr=False)
    _by_name: dict[str, Characteristic] = field(init=False, repr=False)
    _product_by_name: dict[str, Product] = field(init=False, repr=False)
    _standards: frozenset[tuple[str, str]] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_steps", {})
        object.__setattr__(self, "_by_name", {one.name: one for one in self.characteristics})
        object.__setattr__(self, "_product_by_name", {one.name: one for one in self.products})
        pairs = frozenset((one.supplier, one.product) for one in self.check_standards)
        object.__setattr__(self, "_standards", pairs)

    def characteristic(self, name: str) -> Characteristic:
        """A declared characteristic, its `conditioning` filled in; LabFileError where it is not declared."""
        try:
            return self._by_name[name]
        except KeyError:
            raise LabFileError(
                f'{LAB_FILE}: the store holds readings of "{name}", which is not declared; '
                "declare it again as a [[characteristic]]"
            ) from None

    def is_declared(self, characteristic: str) -> bool:
        """Whether there is a characteristic of this name."""
        return characteristic in self._by_name

    def conditioning_for(self, characteristic: str) -> Conditioning:
        """What a valid test of this characteristic needs."""
        return self.conditioning[str(self.characteristic(characteristic).conditioning)]

    def product(self, name: str) -> Product | None:
        """What is declared of a product; None where nothing is."""
        return self._product_by_name.get(name)

    def is_check_standard(self, supplier: str, product: str) -> bool:
        """Whether this is a reference whose value must not move."""
        return (supplier, product) in self._standards

    def limits_at(self, product: str, characteristic: str, when: datetime) -> Limits:
        """The specification limits for a test done at `when` (aware); days change at midnight of the lab's zone."""
        steps = self.limit_sources(product, characteristic, when)
        lower, upper = (steps[side] or NO_LIMIT for side in SIDES)
        named = dict.fromkeys(step.document for step in (lower, upper) if step.document)
        return Limits(lower.value, upper.value, "; ".join(named))

    def limit_sources(self, product: str, characteristic: str, when: datetime) -> dict[str, Step | None]:
        """What the limits in force at `when` rest on, by side; None where nothing was declared or entered."""
        day = when.astimezone(self.zone).date()
        return {side: on_day(self.limit_steps(product, characteristic, side), day) for side in SIDES}

    def limit_steps(self, product: str, characteristic: str, side: str) -> tuple[Step, ...]:
        """The limits of a product on one side over time, in the order of their days."""
        key = (product, characteristic, side)
        if key not in self._steps:
            declared = declared_steps(self.characteristic(characteristic), self.product(product), side)
            self._steps[key] = in_order(declared, self.entered.get(key, ()))
        return self._steps[key]

    def zone_of(self, source: Source) -> ZoneInfo:
        """The zone of wall-clock stamps in files of a source."""
        return ZoneInfo(source.timezone) if source.timezone else self.zone


NO_LIMIT = Step(None, None, "")


def declared_steps(characteristic: Characteristic, product: Product | None, side: str) -> tuple[Step, ...]:
    """The limits that `lab.toml` declares on one side: those of the product where it has any, else the characteristic's."""
    own = {} if product is None else product.upper_limit if side == "upper" else product.lower_limit
    if product is not None and characteristic.name in own:
        return (Step(own[characteristic.name], None, f"declared for {product.name}"),)
    limits = characteristic.upper_limit if side == "upper" else characteristic.lower_limit
    return tuple(Step(limit.value, limit.from_, limit.document) for limit in limits)


# Reading the file


def load(folder: Path) -> Lab:
    """Read `lab.toml` of a lab folder.

    Raises
    ------
    LabFileError
        If there is no `lab.toml` in the folder, it can't be read, is no TOML, or declares something wrong; a drop folder that
        leads to where files are put counts as wrong.
    """
    data = _bytes(folder)
    declared = _validated(_parsed(data))
    _check_names(declared)
    _check_conditioning(declared)
    _check_products(declared)
    _check_limits(declared)
    _check_routes(declared)
    standard = tuple(_standard_sources(folder, declared))
    _check_folders(folder, {f"source.{number}.folder": one for number, one in enumerate(declared.source, start=1)})
    _check_folders(folder, {one.folder: one for one in standard})
    return _assembled(folder, declared, standard, hashlib.sha256(data).hexdigest())


def declared_store(folder: Path) -> str | None:
    """The server's URL where `lab.toml` names one for the store; None where the store is the file in the folder."""
    table = _parsed(_bytes(folder)).get("lab")
    declared = table.get("store") if isinstance(table, dict) else None
    if declared is None:
        return None
    try:
        return STORE_URL.validate_python(declared)
    except ValidationError as error:
        raise _said("lab.store", _complaint(error.errors(include_url=False)[0])) from error


def _bytes(folder: Path) -> bytes:
    try:
        return (folder / LAB_FILE).read_bytes()
    except (FileNotFoundError, NotADirectoryError) as error:
        raise LabFileError(
            f"{folder}: there is no {LAB_FILE}; give a lab folder with --lab DIR, or make one"
        ) from error
    except OSError as error:
        raise LabFileError(f"{LAB_FILE}: can't be read ({error.strerror}); give this account the right to") from error


def _parsed(data: bytes) -> dict[str, Any]:
    try:
        # Lines may end as any system ends them.
        return tomllib.loads(data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n"))
    except UnicodeDecodeError as error:
        raise LabFileError(f"{LAB_FILE}: is not UTF-8 text (byte {error.start}); save it as UTF-8") from error
    except tomllib.TOMLDecodeError as error:
        raise LabFileError(f"{LAB_FILE}: is not TOML: {_one_line(str(error))}; correct that line") from error
    except RecursionError as error:
        raise LabFileError(f"{LAB_FILE}: is nested too deeply; write it as the README shows") from error


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _validated(document: dict[str, Any]) -> LabFile:
    try:
        return LabFile.model_validate(document)
    except ValidationError as error:
        # A mistyped key is also a missing one; the first says more.
        first = min(error.errors(include_url=False), key=lambda one: one["type"] != "extra_forbidden")
        raise _said(_key(document, first["loc"]), _complaint(first)) from error


def _said(key: str, complaint: str) -> LabFileError:
    return LabFileError(f"{LAB_FILE}, {key}: {complaint}" if key else f"{LAB_FILE}: {complaint}")


def _key(document: object, location: tuple[int | str, ...]) -> str:
    """The path of a key as one reads it: an entry of a list by its name, else by its number from 1."""
    parts: list[str] = []
    here: Any = document
    for step in location:
        if isinstance(step, str) and step == "[key]":
            continue
        here = _inside(here, step)
        if isinstance(step, int):
            name = here.get("name") if isinstance(here, dict) else None
            parts.append(name if isinstance(name, str) and name.isprintable() else str(step + 1))
        else:
            parts.append(step)
    return ".".join(parts)


def _inside(here: Any, step: int | str) -> Any:
    try:
        return here[step]
    except (KeyError, IndexError, TypeError):
        return None


def _complaint(error: Any) -> str:
    if error["type"] == "extra_forbidden":
        return f"unknown key; {_known_keys(error['loc'])}"
    if error["type"] == "missing":
        return "is missing; add it"
    if error["type"] == "expected":
        return str(error["msg"])
    # The text itself may be an address that only a few may know.
    got = "a text" if isinstance(error["input"], str) else shown(error["input"])
    return f"expected {_shape(error['type'])}, got {got}"


def _shape(error_type: str) -> str:
    return {"list_type": "a list", "too_long": "at most 100 entries"}.get(error_type, "a table")


def _known_keys(location: tuple[int | str, ...]) -> str:
    """What could have been meant by an unknown key, found by walking the declared tables."""
    table: type[BaseModel] = LabFile
    for step in location[:-1]:
        table = _table_inside(table, step)
    known = [field.alias or name for name, field in table.model_fields.items()]
    near = get_close_matches(str(location[-1]), known, n=1)
    return f"did you mean {near[0]}?" if near else f"expected one of {', '.join(known)}"


def _table_inside(table: type[BaseModel], step: int | str) -> type[BaseModel]:
    """The table that a key holds; the same one where the step names an entry of a list or of a table of tables."""
    for name, info in table.model_fields.items():
        if step == (info.alias or name):
            return next(_tables_in(info.annotation), table)
    return table


def _tables_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _tables_in(part)


# What the tables mean together


def _check_names(declared: LabFile) -> None:
    names = [one.name for one in declared.characteristic]
    if not names:
        raise _said("characteristic", "expected at least one [[characteristic]], got none")
    for table, all_names in (
        ("characteristic", names),
        ("product", [one.name for one in declared.product]),
        ("webhook", [one.name for one in declared.webhook]),
    ):
        twice = next((name for name in all_names if all_names.count(name) > 1), None)
        if twice is not None:
            raise _said(f"{table}.{twice}", f"expected each {table} once, got {shown(twice)} twice")


def _check_conditioning(declared: LabFile) -> None:
    known = [shown(name) for name in declared.conditioning]
    if not known:
        raise _said("conditioning", "expected at least one [conditioning.NAME], got none")
    for one in declared.characteristic:
        if one.conditioning is None and len(known) > 1:
            raise _said(
                f"characteristic.{one.name}.conditioning",
                f"is missing where several are declared; add {listed(known, 'or')}",
            )
        if one.conditioning is not None and one.conditioning not in declared.conditioning:
            raise _said(
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
                    raise _said(key, f"expected a declared characteristic, got {shown(name)}")
                if scales[name] == "log" and value is not None and value <= 0:
                    raise _said(key, f"expected a limit above 0 on a log scale, got {shown(value)}")


def _check_limits(declared: LabFile) -> None:
    """On every day from which a limit changes, the lower one lies below the upper one."""
    for one in declared.characteristic:
        changes = {limit.from_ or date.min for limit in [*one.lower_limit, *one.upper_limit]} | {date.min}
        for day in sorted(changes):
            for product in [None, *declared.product]:
                lower, upper = (on_day(declared_steps(one, product, side), day) or NO_LIMIT for side in SIDES)
                if lower.value is not None and upper.value is not None and lower.value >= upper.value:
                    place = f"characteristic.{one.name}" if product is None else f"product.{product.name}"
                    raise _said(
                        f"{place}.lower_limit",
                        f"expected a limit below the upper one, {upper.value:g}, got {lower.value:g}",
                    )


def _check_routes(declared: LabFile) -> None:
    """Every alert that is routed has somewhere to go."""
    hooks = [one.name for one in declared.webhook]
    for number, route in enumerate(declared.route, start=1):
        for name in route.webhook or []:
            if name not in hooks:
                known = listed([shown(hook) for hook in hooks], "or") if hooks else "a declared [[webhook]]"
                raise _said(f"route.{number}.webhook", f"expected {known}, got {shown(name)}")
    if declared.mail.server and not declared.mail.to and not any(route.to for route in declared.route):
        raise _said("mail.to", "expected at least one address beside server, or a [[route]] with to; got none")


def _check_folders(folder: Path, sources: Mapping[str, Source]) -> None:
    """No drop folder is, holds or lies in a folder where files are put, by whatever name or link."""
    for key, source in sources.items():
        for name in OUTGOING:
            if _overlap(folder / source.folder, folder / name):
                raise _said(
                    key,
                    f"expected a folder apart from {name}, where lotdrift itself puts files, got {shown(source.folder)}; "
                    f"to take files of {name} in again, copy them into a drop folder",
                )


def _overlap(one: Path, other: Path) -> bool:
    """Whether one folder is the other or lies in it."""
    # Unlike Path.resolve, realpath ends where links lead in a circle.
    real = [Path(os.path.realpath(path)) for path in (one, other)]
    return any(_is_same(inner, outer) for outer, whole in (real, reversed(real)) for inner in (whole, *whole.parents))


def _is_same(one: Path, other: Path) -> bool:
    """Whether two paths name one folder, be it in another spelling where letter case does not count."""
    try:
        return one == other or one.samefile(other)
    except OSError:
        return False


def _assembled(folder: Path, declared: LabFile, standard: tuple[Source, ...], digest: str) -> Lab:
    only = next(iter(declared.conditioning))
    return Lab(
        folder=folder,
        name=declared.lab.name,
        zone=ZoneInfo(declared.lab.timezone),
        session_hours=declared.lab.session_hours,
        conditioning=declared.conditioning,
        characteristics=tuple(
            one.model_copy(update={"conditioning": one.conditioning or only}) for one in declared.characteristic
        ),
        products=tuple(declared.product),
        check_standards=tuple(declared.check_standard),
        shielding_source=declared.shielding_source,
        baseline=declared.baseline,
        alerts=declared.alerts,
        schedule=declared.schedule,
        sources=(*declared.source, *standard),
        mail=declared.mail,
        webhooks=tuple(declared.webhook),
        routes=tuple(declared.route),
        digest=declared.digest,
        scorecard=declared.scorecard,
        digest_of_file=digest,
        serve=declared.serve,
    )


def _standard_sources(folder: Path, declared: LabFile) -> Iterator[Source]:
    """The standard drop folder of a kind for which no source is declared, where it is there."""
    declared_kinds = {source.kind for source in declared.source}
    for kind, place in STANDARD_FOLDERS.items():
        if kind not in declared_kinds and (folder / place).is_dir():
            yield Source.model_validate({"kind": kind, "folder": place})
