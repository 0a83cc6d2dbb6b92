"""The tables of `lab.toml`: keys, types and defaults. `ingest.config.lab_file` checks them against each other."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from itertools import pairwise
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from ingest.common.units import UNITS, ValueTextError, parse_number
from ingest.config.field_types import (
    ConditioningName,
    Count,
    Declared,
    Delimiter,
    Encoding,
    FixedText,
    Flag,
    Folder,
    FromDate,
    IpAddress,
    Name,
    NotNegative,
    Number,
    OverridingLimit,
    Percent,
    Positive,
    Probability,
    Risk,
    RowCount,
    StoreUrl,
    TableText,
    Text,
    UnitName,
    ZoneName,
    expected,
    listed,
    one_of,
    shown,
    wrong,
)
from ingest.config.notification_models import Digest, LoadMail, Mail, Route, Webhook

__all__ = [
    "CAPTURE_IDENTITY",
    "CLIMATE_COLUMNS",
    "COLUMNS",
    "FILL_IN",
    "KINDS",
    "NAME_FIELD",
    "STOCK_COLUMNS",
    "TEST_COLUMNS",
    "USUAL_WEIGHTS",
    "Ageing",
    "Alerts",
    "Alias",
    "Baseline",
    "Chamber",
    "Characteristic",
    "CheckStandard",
    "Conditioning",
    "DecisionRule",
    "Instrument",
    "LabFile",
    "LabTable",
    "Limit",
    "Product",
    "Schedule",
    "Scorecard",
    "Serve",
    "ShieldingSource",
    "Source",
    "Weights",
]

TEST_COLUMNS = (
    "tested_at", "chamber", "instrument", "operator", "supplier", "product", "lot", "received_on", "made_on",
    "specimen", "reading", "characteristic", "value", "unit", "load",
)  # fmt: skip
# A dew point is over water, a frost point over ice; either may stand in place of the humidity.
CLIMATE_COLUMNS = ("logged_at", "chamber", "humidity_percent", "temperature_c", "dew_point_c", "frost_point_c")
STOCK_COLUMNS = ("counted_on", "supplier", "product", "lot", "quantity", "unit", "storage", "opened_on")
LOAD_COLUMNS = ("at", "load", "chamber", "event", "supplier", "product", "lot", "specimens", "laid", "planned_test")
CALIBRATION_COLUMNS = ("instrument", "done_at", "due_on", "as_found", "as_left", "uncertainty", "certificate")
# What names the reading that a capture belongs to; the day of the test only where a lot was tested more than once.
CAPTURE_IDENTITY = ("supplier", "lot", "specimen", "reading", "day")
WAVEFORM_COLUMNS = (*CAPTURE_IDENTITY, "time", "current", "voltage", "capture")
COLUMNS = {
    "tests": TEST_COLUMNS, "climate": CLIMATE_COLUMNS, "stock": STOCK_COLUMNS, "loads": LOAD_COLUMNS,
    "calibrations": CALIBRATION_COLUMNS, "waveforms": WAVEFORM_COLUMNS,
}  # fmt: skip
KINDS = tuple(COLUMNS)
# What a proposal writes where a person has to write; lab.toml may not keep it.
FILL_IN = "\N{HORIZONTAL ELLIPSIS}"
# Units that a column may be declared in; the unit of a value is a unit of its characteristic.
CLIMATE_UNITS = {
    "humidity_percent": ("%",), **dict.fromkeys(("temperature_c", "dew_point_c", "frost_point_c"), ("degC", "degF")),
}  # fmt: skip
WAVEFORM_UNITS = {"time": ("s", "ms", "us", "ns"), "current": ("A", "mA", "uA"), "voltage": ("V", "mV", "kV")}
NAME_FIELD = re.compile(r"\{(\w*)\}")


class LabTable(Declared):
    """`[lab]`."""

    name: Name
    # Shown on test reports.
    address: Text = ""
    timezone: ZoneName
    session_hours: Positive = 24.0
    store: StoreUrl | None = None


class Conditioning(Declared):
    """`[conditioning.NAME]`: the conditioning that the chamber log must document for a test to be valid."""

    humidity_percent: Percent
    humidity_tolerance: NotNegative
    temperature_c: Number
    temperature_tolerance_c: NotNegative
    hours: Positive
    longest_gap_minutes: Positive
    # Time that specimens may be outside a chamber: between it and the test, and between two chambers.
    out_minutes: NotNegative = 0.0
    # A door opening that is no break: from the last entry inside tolerance to the next one, and its highest humidity. None by default.
    door_minutes: NotNegative = 0.0
    door_peak_percent: Percent = 0.0


class Limit(Declared):
    """A specification limit in force from a date on; without a date, from the beginning."""

    value: Number
    from_: FromDate | None = Field(default=None, alias="from")
    document: Text = ""


class DecisionRule(Declared):
    """How a lot is decided near a specification limit, from a date on; without a date, from the beginning.

    `simple` compares the level with the limit itself. `guarded` keeps the chance of a wrong pass, and with `wrong_fail` of a
    wrong fail, at or below the declared one; between the two a lot is undecided.
    """

    rule: Annotated[Literal["simple", "guarded"], one_of("simple", "guarded")]
    wrong_pass: Risk | None = None
    wrong_fail: Risk | None = None
    from_: FromDate | None = Field(default=None, alias="from")

    @model_validator(mode="after")
    def _risks_fit_the_rule(self) -> Self:
        if self.rule == "guarded" and self.wrong_pass is None:
            raise wrong('expected wrong_pass, such as 0.05, with rule = "guarded"')
        if self.rule == "simple" and (self.wrong_pass is not None or self.wrong_fail is not None):
            raise wrong('expected wrong_pass and wrong_fail only with rule = "guarded"')
        return self


class Characteristic(Declared):
    """`[[characteristic]]`."""

    name: Name
    unit: UnitName
    scale: Annotated[Literal["log", "linear"], one_of("log", "linear")]
    # The name of a conditioning; False for a characteristic without one.
    conditioning: ConditioningName | None = None
    judged: Annotated[Literal["mean", "worst"], one_of("mean", "worst")] = "mean"
    guard_percent: NotNegative = 0.0
    # The test method with its edition, shown on test reports.
    method: Text = ""
    decision: Annotated[list[DecisionRule], Field(max_length=100)] = Field(default_factory=list)
    # A difference between two products that would not matter, in percent; declared before anybody compares.
    margin_percent: Positive | None = None
    upper_limit: Annotated[list[Limit], Field(max_length=100)] = Field(default_factory=list)
    lower_limit: Annotated[list[Limit], Field(max_length=100)] = Field(default_factory=list)

    @model_validator(mode="after")
    def _limits_make_sense(self) -> Self:
        for side, limits in (("upper_limit", self.upper_limit), ("lower_limit", self.lower_limit)):
            for limit in limits:
                if self.scale == "log" and limit.value <= 0:
                    raise wrong(f"expected {side} above 0 on a log scale, got {shown(limit.value)}")
            dates = [limit.from_ for limit in limits]
            if any(late is None or (early is not None and late <= early) for early, late in pairwise(dates)):
                days = ", ".join("no date" if day is None else day.isoformat() for day in dates)
                raise wrong(f"expected {side} entries with rising dates in `from`, got {days}")
        days_of_rules = [rule.from_ for rule in self.decision]
        if any(late is None or (early is not None and late <= early) for early, late in pairwise(days_of_rules)):
            raise wrong("expected decision entries with rising dates in `from`")
        if self.decision and self.guard_percent:
            raise wrong("expected guard_percent or decision, not both: a declared guard and a computed one never add")
        return self


class Product(Declared):
    """`[[product]]`: the limits of a product where they differ from those of the characteristic."""

    name: Name
    class_: Text = Field(default="", alias="class")
    outside: Flag | None = None
    upper_limit: dict[str, OverridingLimit] = Field(default_factory=dict)
    lower_limit: dict[str, OverridingLimit] = Field(default_factory=dict)
    # The supplier's claim, in months from manufacture; shown beside the estimate.
    keep_months: Positive | None = None


class CheckStandard(Declared):
    """`[[check_standard]]`: a stable reference that shows drift of the bench.

    With an expected value it is a set-up check: a test counts as checked if the standard was in tolerance within `before_hours` before it,
    on the same instrument, and where `after` is true also within those hours after it.
    """

    supplier: Name
    product: Name
    # Whether it is conditioned and measured as a bag is, so that its sessions show the whole bench part of the uncertainty.
    conditioned: Flag = False
    expected: Positive | None = None
    # What it checks; every characteristic where none is named.
    characteristics: list[Name] = Field(default_factory=list)
    tolerance_percent: Positive = 10.0
    before_hours: Positive = 24.0
    after: Flag = False


class Instrument(Declared):
    """`[[instrument]]`: a meter by the name that the feeds give it."""

    name: Name
    # Standard uncertainty (k = 1) by its certificate: half of the expanded uncertainty that most certificates state.
    uncertainty_percent: NotNegative = 0.0
    # Whether a test on this instrument is invalid where its set-up check failed or its calibration was past its due date.
    gates: Flag = False
    # Deviation that a calibration may find; the expanded uncertainty of the calibration where it is not declared.
    tolerance_percent: Positive | None = None


class Chamber(Declared):
    """`[[chamber]]`: the sensors of a chamber.

    `sensor_uncertainty` is the expanded uncertainty (k = 2) of the logged humidity in % RH. `second` is the name under which a
    sensor that does not control the chamber is logged, `second_uncertainty` its expanded uncertainty.
    """

    name: Name
    sensor_uncertainty: Positive | None = None
    # Whether an entry is inside tolerance only where it is so for sure: the tolerance of humidity less the uncertainty of the sensor.
    uncertainty_counts: Flag = False
    second: Name | None = None
    second_uncertainty: Positive | None = None

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        if self.uncertainty_counts and self.sensor_uncertainty is None:
            raise wrong("expected sensor_uncertainty beside uncertainty_counts = true, such as 1.0 (% RH)")
        if self.second_uncertainty is not None and self.second is None:
            raise wrong("expected second beside second_uncertainty: the name under which the second sensor is logged")
        if self.second == self.name:
            raise wrong("expected another name for second than that of the chamber")
        return self


class GaugeStudy(Declared):
    """`[[gauge_study]]`: a CSV file in the lab folder, in which every bag was measured in every session, several times."""

    name: Name
    characteristic: Name
    file: Name
    # The column that distinguishes the sessions: operator, load, day, instrument.
    sessions: Name = "operator"
    # From the tests of this day on, the study is known.
    done_on: FromDate


class ShieldingSource(Declared):
    """`[shielding_source]`: the discharge source; no energy reading can exceed the energy that it stores."""

    capacitance_pf: Positive
    voltage_v: Positive

    @property
    def stored_nj(self) -> float:
        """Energy of the charged source, C V^2 / 2, in nJ (pF times V^2 is 1e-12 J)."""
        return self.capacitance_pf * self.voltage_v**2 / 2000


class Baseline(Declared):
    """`[baseline]`."""

    lots: Count = 25


class Alerts(Declared):
    """`[alerts]`."""

    false_alerts_per_stream_year: Positive = 0.2
    horizon_weeks: Positive = 13.0
    breach_probability: Probability = 0.2


class Ageing(Declared):
    """`[ageing]`: which tests show ageing, and what the shelf life of a film promises."""

    # Tests of younger film are shown and not fitted: an additive that blooms lowers the resistance first.
    from_days: NotNegative = 0.0
    coverage: Annotated[float, Field(ge=0.5, lt=1), expected("a number from 0.5 to below 1")] = 0.90
    confidence: Annotated[float, Field(gt=0.5, lt=1), expected("a number above 0.5 and below 1")] = 0.95


class Schedule(Declared):
    """`[schedule]`: when `serve` runs a round; `cron` has five fields, in the lab's zone."""

    every_minutes: Count | None = None
    cron: Annotated[Text, Field(pattern=r"^\S+( +\S+){4}$"), expected('five fields such as "0 6 * * 1-5"')] | None = (
        None
    )

    @model_validator(mode="after")
    def _one_of_both(self) -> Self:
        if (self.every_minutes is None) == (self.cron is None):
            raise wrong("expected either every_minutes or cron")
        return self


class Weights(Declared):
    """`weights` of `[scorecard]`: the weight of each part of a supplier's score; 0 if not named."""

    conforming: NotNegative = 0.0
    drift: NotNegative = 0.0
    room: NotNegative = 0.0
    response: NotNegative = 0.0

    @model_validator(mode="after")
    def _something_weighs(self) -> Self:
        if not self.conforming + self.drift + self.room + self.response > 0:
            raise wrong("expected at least one weight above 0")
        return self


# Common practice where nothing is agreed: conformity weighs most. From memory, without a source.
USUAL_WEIGHTS = Weights(conforming=0.5, drift=0.2, room=0.2, response=0.1)


class Scorecard(Declared):
    """`[scorecard]`. With `fails_by_size` a failing lot counts as up to three, by how far and how many bags."""

    weights: Weights = USUAL_WEIGHTS
    fails_by_size: bool = False


class Serve(Declared):
    """`[serve]`: how the dashboard is reached."""

    # The address of the TLS proxy, which passes on the address of the client in X-Forwarded-For.
    trusted_proxy: IpAddress | None = None


class Alias(Declared):
    """`[[alias]]`: a name that files write in another way, and the name that it is read as."""

    column: Annotated[Literal["supplier", "product", "lot"], one_of("supplier", "product", "lot")]
    written: Name
    name: Name
    # Where it holds: a product of one supplier, a lot of one supplier and perhaps of one product.
    supplier: Name | None = None
    product: Name | None = None

    @model_validator(mode="after")
    def _place_fits(self) -> Self:
        if self.column == "lot" and self.supplier is None:
            raise wrong('expected supplier with column = "lot": lots of two suppliers may have one number')
        if self.column == "supplier" and self.supplier is not None:
            raise wrong('expected no supplier with column = "supplier"')
        if self.column != "lot" and self.product is not None:
            raise wrong('expected product only with column = "lot"')
        if self.written == self.name:
            raise wrong(f"expected another name than the written one, got {shown(self.name)} twice")
        return self

    def holds_for(self, supplier: str, product: str) -> bool:
        """Whether it holds for rows of this supplier and product, by their right names."""
        return self.supplier in (None, supplier) and self.product in (None, product)


class Source(Declared):
    """`[[source]]`: a folder of files of one format, and how to read them."""

    kind: Annotated[Literal["tests", "climate", "stock", "loads", "calibrations", "waveforms"], one_of(*KINDS)]
    folder: Folder
    pattern: Name | None = None
    encoding: Encoding | None = None
    delimiter: Delimiter | None = None
    decimal: Annotated[Literal[".", ","], one_of(".", ",")] | None = None
    timezone: ZoneName | None = None
    keep: Flag = False
    columns: TableText = Field(default_factory=dict)
    units: TableText = Field(default_factory=dict)
    fixed: dict[str, FixedText] = Field(default_factory=dict)
    readings: list[Name] = Field(default_factory=list)
    # Columns of values, each of its own characteristic.
    values: dict[Name, Name] = Field(default_factory=dict)
    # What files write for a characteristic.
    characteristics: dict[Name, Name] = Field(default_factory=dict)
    skip_rows: RowCount = 0
    # Whether the line below the header holds the units of the columns.
    units_row: Flag = False
    # The column of the time of day, where the day has a column of its own.
    time_column: Name | None = None
    time_format: Text | None = None
    words: TableText = Field(default_factory=dict)
    log10: Flag = False
    silent_after_days: Positive | None = None
    # Captures: what names their reading, how they were recorded, and what counts of them.
    names: Text | None = None
    interval_ns: Positive | None = None
    resistor_ohm: Positive | None = None
    # The factor from the recorded value to the value at the resistor, such as 10 for a probe whose factor the file leaves out.
    gain: Positive | None = None
    window_ns: Annotated[list[Number], Field(min_length=2, max_length=2), expected("two times in ns")] | None = None
    bandwidth_mhz: Positive | None = None
    # The largest magnitude that the instrument records, in A or V as recorded.
    full_scale: Positive | None = None
    # Expanded uncertainty (k = 2) of the recomputed energy that all captures share.
    uncertainty_percent: Positive | None = None

    @property
    def known_columns(self) -> tuple[str, ...]:
        """The columns that a file of this kind may have."""
        return COLUMNS[self.kind]

    @model_validator(mode="after")
    def _parts_agree(self) -> Self:
        for key, names in (("columns", self.columns), ("fixed", self.fixed)):
            for name in names:
                if name not in self.known_columns:
                    columns = ", ".join(self.known_columns)
                    raise wrong(f"expected a column of {self.kind} in {key} ({columns}), got {shown(name)}")
        self._check_units()
        if self.kind != "tests" and (self.readings or self.values or self.characteristics or self.log10):
            raise wrong('expected readings, values, characteristics and log10 only with kind = "tests"')
        self._check_values()
        self._check_captures()
        if len(set(self.readings)) < len(self.readings):
            raise wrong("expected each column once in readings")
        if self.decimal == self.delimiter == ",":
            raise wrong('expected another delimiter than the decimal comma, such as delimiter = ";"')
        self._check_words()
        self._check_time_format()
        return self

    def _check_time_format(self) -> None:
        form = self.time_format
        if form is None or _reads_again(form, datetime(2001, 11, 23, 17, 45, tzinfo=UTC)):
            return
        if self.kind != "stock":
            raise wrong(f'expected a time_format with date and time such as "%d.%m.%Y %H:%M", got {shown(form)}')
        # A count has a day and no time.
        if not _reads_again(form, datetime(2001, 11, 23, tzinfo=UTC)):
            raise wrong(f'expected a time_format with a date such as "%d.%m.%Y", got {shown(form)}')

    def _check_values(self) -> None:
        if not self.values:
            return
        if self.readings:
            raise wrong(
                "expected either readings, columns of one characteristic, or values, columns of several; got both"
            )
        for key, names in (("columns", self.columns), ("fixed", self.fixed)):
            for name in ("value", "characteristic"):
                if name in names:
                    raise wrong(f"expected no {name} in {key} beside values, whose columns have their characteristics")
        twice = next((one for one in self.values.values() if list(self.values.values()).count(one) > 1), None)
        if twice is not None:
            raise wrong(f"expected each characteristic once in values, got {shown(twice)} twice")

    def _check_captures(self) -> None:
        keys = (
            "names", "interval_ns", "resistor_ohm", "gain", "window_ns", "bandwidth_mhz", "full_scale", "uncertainty_percent",
        )  # fmt: skip
        used = [key for key in keys if getattr(self, key) is not None]
        if self.kind != "waveforms":
            if used:
                raise wrong(f'expected {used[0]} only with kind = "waveforms"')
            return
        layout_keys = (
            "encoding",
            "delimiter",
            "decimal",
            "timezone",
            "skip_rows",
            "units_row",
            "time_column",
            "time_format",
            "words",
        )
        idle = next((key for key in layout_keys if getattr(self, key)), None)
        if idle is not None:
            raise wrong(f'expected no {idle} with kind = "waveforms": the layout of captures is found in the file')
        if self.window_ns is not None and self.window_ns[0] >= self.window_ns[1]:
            raise wrong(f"expected window_ns with a later second time, got {self.window_ns}")
        foreign = [name for name in self.fixed if name not in CAPTURE_IDENTITY]
        if foreign:
            raise wrong(f"expected one of {', '.join(CAPTURE_IDENTITY)} in fixed, got {shown(foreign[0])}")
        fields = NAME_FIELD.findall(self.names or "")
        for field in fields:
            if field not in CAPTURE_IDENTITY or fields.count(field) > 1:
                known = ", ".join(f"{{{name}}}" for name in CAPTURE_IDENTITY)
                raise wrong(f"expected each of {known} at most once in names, got {shown('{' + field + '}')}")

    def _check_units(self) -> None:
        if self.kind not in ("tests", "climate", "waveforms") and self.units:
            raise wrong('expected units only with kind = "tests", "climate" or "waveforms"')
        tables = {"climate": CLIMATE_UNITS, "waveforms": WAVEFORM_UNITS}
        for name, unit in self.units.items():
            units = tables.get(self.kind, dict.fromkeys(("value", *self.values), tuple(UNITS)))
            if name not in units:
                raise wrong(f"expected a column that has a unit in units ({', '.join(units)}), got {shown(name)}")
            if unit not in units[name]:
                raise wrong(f"expected {listed(list(units[name]), 'or')} as unit of {name}, got {shown(unit)}")

    def _check_words(self) -> None:
        for word, value in self.words.items():
            try:
                parse_number(value)
            except ValueTextError as error:
                raise wrong(
                    f'expected a value such as ">1E13" for {shown(word)} in words, got {shown(value)}'
                ) from error


def _reads_again(form: str, moment: datetime) -> bool:
    """Whether a moment that is written in a strptime format can be read again without loss."""
    try:
        read = datetime.strptime(moment.strftime(form), form)  # noqa: DTZ007  (compared as wall-clock time)
    except ValueError:
        return False
    return read.replace(tzinfo=None) == moment.replace(tzinfo=None)


class LabFile(Declared):
    """The whole file."""

    lab: LabTable
    conditioning: dict[Name, Conditioning] = Field(default_factory=dict)
    characteristic: list[Characteristic]
    product: list[Product] = Field(default_factory=list)
    check_standard: list[CheckStandard] = Field(default_factory=list)
    chamber: list[Chamber] = Field(default_factory=list)
    instrument: list[Instrument] = Field(default_factory=list)
    gauge_study: list[GaugeStudy] = Field(default_factory=list)
    shielding_source: ShieldingSource | None = None
    baseline: Baseline = Baseline()
    alerts: Alerts = Alerts()
    ageing: Ageing = Ageing()
    schedule: Schedule | None = None
    alias: list[Alias] = Field(default_factory=list)
    source: list[Source] = Field(default_factory=list)
    mail: Mail = Mail()
    webhook: list[Webhook] = Field(default_factory=list)
    route: list[Route] = Field(default_factory=list)
    digest: Digest = Digest()
    loads: LoadMail = LoadMail()
    scorecard: Scorecard = Scorecard()
    serve: Serve = Serve()
