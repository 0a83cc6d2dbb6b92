"""Names that exports give to our columns, in English and other languages; they are only proposed, never assumed."""

from __future__ import annotations

import re

from ingest.common.units import BLANKS, logger_unit
from ingest.config.models import COLUMNS
from ingest.parsing.columns import DEW_POINTS

__all__ = [
    "AMBIGUOUS_WORDS",
    "COLUMN_WORDS",
    "EXPECTED_NAMES",
    "TIME_WORDS",
    "bare_name",
    "bare_unit",
    "has_word",
    "needs_mapping",
]

# In small letters, with single spaces instead of other separators, without units.
COLUMN_WORDS: dict[str, tuple[str, ...]] = {
    "tested_at": (
        "tested", "stamp", "time stamp", "when", "test time", "time of test", "test date", "date time", "datetime", "timestamp", "date", "time", "zeitstempel",
        "prüfzeit", "prüfdatum", "messdatum", "messzeit", "datum", "datum uhrzeit", "fecha", "data", "date heure",
    ),
    "logged_at": (
        "logged", "stamp", "time stamp", "when", "day", "tag", "log time", "date time", "datetime", "timestamp", "date", "time", "zeitstempel", "datum uhrzeit", "datum zeit",
        "datum", "zeit", "messzeit", "fecha", "data", "date heure",
    ),
    "supplier": ("vendor", "maker", "manufacturer", "lieferant", "hersteller", "fournisseur", "proveedor"),
    "product": (
        "part", "style", "part number", "part no", "item", "article", "material", "type", "artikel", "artikelnummer", "artikel nr",
        "produkt", "typ", "folie", "article no", "artículo",
    ),
    "lot": (
        "batch", "roll", "roll lot", "roll no", "lot number", "lot no", "lot id", "batch number", "batch no", "charge", "chargen nr", "chargennummer", "los",
        "los nr", "losnummer", "lote",
    ),
    "specimen": (
        "bag", "sample", "bag no", "specimen no", "sample no", "piece", "beutel", "beutel nr", "beutelnummer", "probe", "proben nr",
        "prüfling", "muster", "muster nr", "tüte", "sachet", "bolsa",
    ),
    "reading": (
        "discharge", "pulse", "shot", "repeat", "measurement", "shot no", "discharge no", "pulse no", "schuss", "schuss nr", "entladung", "entladung nr", "impuls", "impuls nr", "messung", "messung nr", "wiederholung",
    ),
    "characteristic": ("test", "property", "parameter", "quantity", "merkmal", "prüfmerkmal", "messgröße", "prüfung"),
    "value": ("result", "measured", "measured value", "wert", "messwert", "ergebnis", "valor", "valeur"),
    "unit": ("units", "uom", "u o m", "unit of measure", "units of measure", "einheit", "unité", "unidad"),
    "chamber": ("cabinet", "cell", "room", "climate chamber", "kammer", "klimakammer", "klimaschrank", "schrank"),
    "instrument": ("meter", "tester", "device", "gerät", "messgerät", "prüfgerät", "tester nr"),
    "operator": ("tested by", "tech", "user", "technician", "prüfer", "bediener", "name", "opérateur"),
    "received_on": ("received", "came in", "receipt date", "goods in", "eingang", "wareneingang", "eingangsdatum"),
    "made_on": (
        "made", "film made", "mfg", "mfd", "mfg date", "mfd date", "date mfg", "manufacture date", "manufacturing date", "date of manufacture", "date made",
        "production date", "manufactured", "herstelldatum", "produktionsdatum", "gefertigt",
    ),
    "load": (
        "chamber load", "conditioning load", "load no", "load number", "run", "beladung", "ladung", "ladung nr", "ladungsnummer",
        "kammerladung", "beschickung",
    ),
    "humidity_percent": (
        "humidity", "relative humidity", "rel humidity", "rh", "r h", "% rh", "feuchte", "luftfeuchte", "rel feuchte", "relative feuchte",
        "rf", "r f", "luftfeuchtigkeit", "humidité", "humedad",
    ),
    # "Dew point" alone does not say over what.
    "dew_point_c": ("dew point over water",),
    "frost_point_c": ("frost point", "frost point over ice", "frostpunkt"),
    "temperature_c": ("temperature", "temp", "temperatur", "température", "temperatura"),
    "counted_on": (
        "counted", "count date", "count day", "date of count", "day of count", "stock date", "as of", "date", "day", "zähldatum", "gezählt am",
        "bestandsdatum", "inventurdatum", "stichtag", "datum", "tag", "fecha", "data",
    ),
    "quantity": (
        "qty", "amount", "count", "stock", "in stock", "on hand", "pieces", "menge", "anzahl", "bestand", "stück", "stückzahl", "quantité",
        "cantidad",
    ),
    "storage": (
        "location", "place", "bin", "shelf", "warehouse", "store", "lagerort", "lager", "lagerplatz", "halle", "regal", "standort",
        "emplacement", "almacén",
    ),
    "opened_on": ("opened", "open since", "date opened", "geöffnet", "geöffnet am", "angebrochen", "angebrochen am", "anbruch"),
    "at": (
        "when", "moment", "stamp", "time stamp", "day", "date time", "datetime", "timestamp", "date", "time", "zeitpunkt", "zeitstempel", "datum uhrzeit", "datum zeit",
        "datum", "zeit", "fecha", "date heure",
    ),
    "event": ("action", "movement", "in out", "direction", "ereignis", "vorgang", "bewegung", "richtung"),
    "specimens": ("bags", "samples", "pieces", "beutel", "proben", "muster"),
    "planned_test": ("planned", "planned for", "test planned", "planned at", "geplant", "geplant für", "prüfung geplant", "prüftermin"),
    "laid": ("laid out", "how laid", "arrangement", "gelegt", "lage", "anordnung"),
    "done_at": (
        "done", "calibrated", "calibrated at", "calibrated on", "calibration date", "date time", "datetime", "timestamp", "date", "kalibriert",
        "kalibriert am", "kalibrierdatum", "kalibrierung", "zeitstempel", "datum",
    ),
    "due_on": (
        "due", "due date", "next due", "next calibration", "valid until", "fällig", "fällig am", "nächste kalibrierung", "gültig bis",
    ),
    "as_found": ("found", "found deviation", "deviation found", "before adjustment", "vorgefunden", "vor justierung", "abweichung vorher"),
    "as_left": ("left", "left deviation", "deviation left", "after adjustment", "hinterlassen", "nach justierung", "abweichung nachher"),
    "uncertainty": (
        "expanded uncertainty", "u", "u95", "u 95", "u k=2", "u (k=2)", "u, k=2", "u k2", "uncertainty k=2", "uncertainty (k=2)", "expanded uncertainty k=2",
        "expanded uncertainty (k=2)", "messunsicherheit", "unsicherheit", "erweiterte messunsicherheit",
    ),
    "certificate": ("certificate no", "certificate number", "cert", "zertifikat", "zertifikat nr", "kalibrierschein", "kalibrierschein nr"),
}  # fmt: skip
# Words that mean something else in another lab, with what it is; a column taken by one of them is a doubt.
DEVIATIONS = ("as_found", "as_left", "uncertainty")
AMBIGUOUS_WORDS = {
    "ladung": "an electric charge",
    "run": "a run of production",
    "cell": "a place at the bench",
    "style": "the form of the bag",
    "roll": "one roll of several of the lot",
}
# A time of day beside a day; last the words that also name a whole stamp.
TIME_WORDS = (
    "time of day",
    "clock time",
    "clock",
    "uhrzeit",
    "heure",
    "hora",
    "ora",
    "time",
    "zeit",
    "test time",
    "prüfzeit",
    "messzeit",
)
OUR_NAMES = {name for kind, names in COLUMNS.items() if kind != "waveforms" for name in names}
EXPECTED_NAMES = {*OUR_NAMES, *TIME_WORDS, *(word for words in COLUMN_WORDS.values() for word in words)}
WITH_UNIT = re.compile(r"\s*[\[(][^\])]*[\])]\s*$")


def bare_name(cell: str) -> str:
    """A header cell in small letters, without a unit in brackets, with single spaces unless it is one of our names."""
    plain = WITH_UNIT.sub("", cell.strip(BLANKS)).casefold()
    if plain in OUR_NAMES:
        return plain
    # Casefolding writes sharp s as two letters, so the words are compared the same way.
    spaced = re.sub(r"[_\s./:#-]+", " ", plain).strip()
    if bare_unit(cell):
        return spaced.rpartition(" ")[0]
    # A deviation of a calibration is in percent, with or without the sign in the name of its column.
    name = spaced.removesuffix(" %").removesuffix(" percent")
    return name if any(has_word(ours, name) for ours in DEVIATIONS) else spaced


def bare_unit(cell: str) -> str:
    """The unit that a logger writes behind the name of its column without brackets, as in `RH %` or `Temp F`; "" for none."""
    name, _, last = re.sub(r"[_\s]+", " ", cell.strip(BLANKS).casefold()).rpartition(" ")
    unit = logger_unit(last) if name else None
    ours = "humidity_percent" if unit == "%" else "temperature_c"
    return unit if unit and has_word(ours, re.sub(r"[_\s./:#-]+", " ", name).strip()) else ""


def has_word(ours: str, bare: str) -> bool:
    """Whether a bare header cell is a known name of one of our columns."""
    return bare in (ours, ours.replace("_", " ")) or bare in (word.casefold() for word in COLUMN_WORDS.get(ours, ()))


def needs_mapping(ours: str, cell: str) -> bool:
    """Whether a header cell is not read as this column by itself: our name, for measured ones with a unit in brackets."""
    measured = ours in {"value", "humidity_percent", "temperature_c", *DEW_POINTS}
    return bool(bare_unit(cell)) or (bare_name(cell) if measured else cell.casefold()) != ours
