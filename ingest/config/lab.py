"""A lab folder and the declarations of its `lab.toml` as one object."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

from ingest.common.errors import LabFileError
from ingest.config.lab_file import FILED, LAB_FILE, REFUSED, STANDARD_FOLDERS, read_lab_file
from ingest.config.limit_history import NO_LIMIT, SIDES, Step, declared_steps, in_order, on_day
from ingest.config.models import (
    Ageing,
    Alerts,
    Alias,
    Baseline,
    Chamber,
    Characteristic,
    CheckStandard,
    Conditioning,
    GaugeStudy,
    Instrument,
    Product,
    Schedule,
    Scorecard,
    Serve,
    ShieldingSource,
    Source,
)
from ingest.config.notification_models import Digest, LoadMail, Mail, Route, Webhook
from ingest.config.rule_history import RuleStep, rule_on_day, rules_in_order

__all__ = [
    "FILED",
    "LAB_FILE",
    "REFUSED",
    "STANDARD_FOLDERS",
    "Lab",
    "Limits",
    "Source",
    "declared_steps",
    "load",
]


class Limits(NamedTuple):
    """The specification limits of a product on a day; None for no limit. The lower one is inclusive, the upper one strict."""

    lower: float | None
    upper: float | None
    document: str


@dataclass(frozen=True, slots=True, eq=False)
class Lab:
    """A lab folder and what its `lab.toml` declares.

    `entered` are the limits that people entered, by product, characteristic and side, `entered_rules` their decision rules by
    characteristic; `load` leaves both empty and `ingest.audit.limit_entries` fills them in. `declared_sources` are the `sources` without those of the standard folders.
    `digest_of_file` is the SHA-256 of the bytes of `lab.toml`.
    """

    folder: Path
    name: str
    zone: ZoneInfo
    session_hours: float
    conditioning: Mapping[str, Conditioning]
    characteristics: tuple[Characteristic, ...]
    products: tuple[Product, ...]
    check_standards: tuple[CheckStandard, ...]
    chambers: tuple[Chamber, ...]
    instruments: tuple[Instrument, ...]
    gauge_studies: tuple[GaugeStudy, ...]
    shielding_source: ShieldingSource | None
    baseline: Baseline
    alerts: Alerts
    ageing: Ageing
    schedule: Schedule | None
    sources: tuple[Source, ...]
    mail: Mail
    webhooks: tuple[Webhook, ...]
    routes: tuple[Route, ...]
    digest: Digest
    scorecard: Scorecard
    digest_of_file: str
    serve: Serve
    address: str = ""
    loads: LoadMail = field(default_factory=LoadMail)
    entered: Mapping[tuple[str, str, str], tuple[Step, ...]] = field(default_factory=dict)
    entered_rules: Mapping[str, tuple[RuleStep, ...]] = field(default_factory=dict)
    declared_sources: tuple[Source, ...] = ()
    aliases: tuple[Alias, ...] = ()
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
        """Return a characteristic with its `conditioning` filled in; LabFileError if it is not declared."""
        try:
            return self._by_name[name]
        except KeyError:
            raise LabFileError(
                f'{LAB_FILE}: the store holds readings of "{name}", which is not declared; '
                "declare it again as a [[characteristic]]"
            ) from None

    def is_declared(self, characteristic: str) -> bool:
        """Whether a characteristic of this name is declared."""
        return characteristic in self._by_name

    def conditioning_for(self, characteristic: str) -> Conditioning | None:
        """Return the conditioning that a valid test of this characteristic needs; None if it needs none."""
        name = self.characteristic(characteristic).conditioning
        return None if name is False else self.conditioning[str(name)]

    def product(self, name: str) -> Product | None:
        """Return the declarations of a product; None if there are none."""
        return self._product_by_name.get(name)

    def chamber(self, name: str) -> Chamber:
        """Return the sensors of a chamber; those of one that is not declared are unknown."""
        return next((one for one in self.chambers if one.name == name), Chamber(name=name or "not named"))

    def rule_in(self, rule: Conditioning, chamber: str) -> Conditioning:
        """Return a conditioning as it is judged by the log of a chamber: less the uncertainty of its sensor, where that counts."""
        sensors = self.chamber(chamber)
        if not sensors.uncertainty_counts or sensors.sensor_uncertainty is None:
            return rule
        # As one subtracts on paper: 3.0 less 0.9 is 2.1.
        left = float(Decimal(repr(rule.humidity_tolerance)) - Decimal(repr(sensors.sensor_uncertainty)))
        return rule.model_copy(update={"humidity_tolerance": left})

    def second_sensors(self) -> dict[str, Chamber]:
        """Return the chambers by the name under which their second sensor is logged; it is no chamber of its own."""
        return {one.second: one for one in self.chambers if one.second is not None}

    def is_check_standard(self, supplier: str, product: str) -> bool:
        """Whether this product is a check standard."""
        return (supplier, product) in self._standards

    def conditioned_standards(self) -> frozenset[tuple[str, str]]:
        """Supplier and product of the check standards whose sessions show the whole bench part."""
        return frozenset((one.supplier, one.product) for one in self.check_standards if one.conditioned)

    def instrument_share(self, name: str) -> float:
        """Standard uncertainty of an instrument by its certificate, as a fraction of the reading; 0 where none is declared."""
        return next((one.uncertainty_percent / 100.0 for one in self.instruments if one.name == name), 0.0)

    def rule_steps(self, characteristic: str) -> tuple[RuleStep, ...]:
        """Return the decision rules of a characteristic over time; empty where none is declared or entered."""
        declared = self.characteristic(characteristic)
        return rules_in_order(declared.decision, self.entered_rules.get(characteristic, ()), declared.guard_percent)

    def decision_rule(self, characteristic: str, when: datetime) -> RuleStep:
        """Return the decision rule for a test at `when` (aware); the simple one where none is declared."""
        return rule_on_day(self.rule_steps(characteristic), when.astimezone(self.zone).date())

    def limits_at(self, product: str, characteristic: str, when: datetime) -> Limits:
        """Return the specification limits for a test at `when` (aware); days change at midnight of the lab's zone."""
        steps = self.limit_sources(product, characteristic, when)
        lower, upper = (steps[side] or NO_LIMIT for side in SIDES)
        documents = dict.fromkeys(step.document for step in (lower, upper) if step.document)
        return Limits(lower.value, upper.value, "; ".join(documents))

    def limit_sources(self, product: str, characteristic: str, when: datetime) -> dict[str, Step | None]:
        """Return the step in force at `when` on each side; None where no limit was declared or entered."""
        day = when.astimezone(self.zone).date()
        return {side: on_day(self.limit_steps(product, characteristic, side), day) for side in SIDES}

    def limit_steps(self, product: str, characteristic: str, side: str) -> tuple[Step, ...]:
        """Return the limits of a product on one side over time, in the order of their days."""
        key = (product, characteristic, side)
        if key not in self._steps:
            declared = declared_steps(self.characteristic(characteristic), self.product(product), side)
            self._steps[key] = in_order(declared, self.entered.get(key, ()))
        return self._steps[key]

    def right_names(self, supplier: str, product: str, lot: str) -> tuple[str, str, str]:
        """Return the names that supplier, product and lot are read as; a name without an alias is right."""
        for alias in self.aliases:
            if alias.column == "supplier" and alias.written == supplier:
                supplier = alias.name
                break
        for column in ("product", "lot"):
            for alias in self.aliases:
                if alias.column == column and alias.holds_for(supplier, product):
                    if column == "product" and alias.written == product:
                        product = alias.name
                        break
                    if column == "lot" and alias.written == lot:
                        lot = alias.name
                        break
        return supplier, product, lot

    def zone_of(self, source: Source) -> ZoneInfo:
        """Return the time zone of the stamps in files of a source."""
        return ZoneInfo(source.timezone) if source.timezone else self.zone


def load(folder: Path) -> Lab:
    """Read the `lab.toml` of a lab folder.

    Raises
    ------
    LabFileError
        If there is no `lab.toml` in the folder, it can't be read, is not TOML or declares something wrong; a drop folder
        that leads to a folder that lotdrift writes to counts as wrong.
    """
    declared, sources, digest = read_lab_file(folder)
    only = next(iter(declared.conditioning), None)
    return Lab(
        folder=folder,
        name=declared.lab.name,
        zone=ZoneInfo(declared.lab.timezone),
        session_hours=declared.lab.session_hours,
        conditioning=declared.conditioning,
        characteristics=tuple(
            one.model_copy(update={"conditioning": only}) if one.conditioning is None else one
            for one in declared.characteristic
        ),
        products=tuple(declared.product),
        check_standards=tuple(declared.check_standard),
        chambers=tuple(declared.chamber),
        instruments=tuple(declared.instrument),
        gauge_studies=tuple(declared.gauge_study),
        shielding_source=declared.shielding_source,
        baseline=declared.baseline,
        alerts=declared.alerts,
        ageing=declared.ageing,
        schedule=declared.schedule,
        sources=sources,
        mail=declared.mail,
        webhooks=tuple(declared.webhook),
        routes=tuple(declared.route),
        digest=declared.digest,
        scorecard=declared.scorecard,
        digest_of_file=digest,
        serve=declared.serve,
        address=declared.lab.address,
        loads=declared.loads,
        declared_sources=tuple(declared.source),
        aliases=tuple(declared.alias),
    )
