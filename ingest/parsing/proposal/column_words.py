"""Names that exports give to our columns, in English and other languages; they are only proposed, never assumed."""

from __future__ import annotations

import re

from ingest.common.units import BLANKS
from ingest.config.models import CLIMATE_COLUMNS, TEST_COLUMNS
from ingest.parsing.columns import DEW_POINTS

__all__ = ["COLUMN_WORDS", "EXPECTED_NAMES", "TIME_WORDS", "bare_name", "has_word", "needs_mapping"]

# In small letters, with single spaces instead of other separators, without units.
COLUMN_WORDS: dict[str, tuple[str, ...]] = {
    "tested_at": (
        "tested", "test time", "time of test", "test date", "date time", "datetime", "timestamp", "date", "time", "zeitstempel",
        "prüfzeit", "prüfdatum", "messdatum", "messzeit", "datum", "datum uhrzeit", "fecha", "data", "date heure",
    ),
    "logged_at": (
        "logged", "log time", "date time", "datetime", "timestamp", "date", "time", "zeitstempel", "datum uhrzeit", "datum zeit",
        "datum", "zeit", "messzeit", "fecha", "data", "date heure",
    ),
    "supplier": ("vendor", "maker", "manufacturer", "lieferant", "hersteller", "fournisseur", "proveedor"),
    "product": (
        "part", "part number", "part no", "item", "article", "material", "type", "artikel", "artikelnummer", "artikel nr",
        "produkt", "typ", "folie", "article no", "artículo",
    ),
    "lot": (
        "batch", "lot number", "lot no", "lot id", "batch number", "batch no", "charge", "chargen nr", "chargennummer", "los",
        "los nr", "losnummer", "lote",
    ),
    "specimen": (
        "bag", "sample", "bag no", "specimen no", "sample no", "piece", "beutel", "beutel nr", "beutelnummer", "probe", "proben nr",
        "prüfling", "muster", "muster nr", "tüte", "sachet", "bolsa",
    ),
    "reading": (
        "discharge", "pulse", "shot", "repeat", "measurement", "entladung", "impuls", "messung", "messung nr", "wiederholung",
    ),
    "characteristic": ("test", "property", "parameter", "quantity", "merkmal", "prüfmerkmal", "messgröße", "prüfung"),
    "value": ("result", "measured", "measured value", "wert", "messwert", "ergebnis", "valor", "valeur"),
    "unit": ("units", "einheit", "unité", "unidad"),
    "chamber": ("cabinet", "room", "climate chamber", "kammer", "klimakammer", "klimaschrank", "schrank"),
    "instrument": ("meter", "tester", "device", "gerät", "messgerät", "prüfgerät", "tester nr"),
    "operator": ("tested by", "user", "technician", "prüfer", "bediener", "name", "opérateur"),
    "received_on": ("received", "receipt date", "goods in", "eingang", "wareneingang", "eingangsdatum"),
    "made_on": ("made", "production date", "manufactured", "herstelldatum", "produktionsdatum", "gefertigt"),
    "load": ("chamber load", "conditioning load", "run", "beladung"),
    "humidity_percent": (
        "humidity", "relative humidity", "rel humidity", "rh", "r h", "% rh", "feuchte", "luftfeuchte", "rel feuchte", "relative feuchte",
        "rf", "r f", "luftfeuchtigkeit", "humidité", "humedad",
    ),
    # "Dew point" alone does not say over what.
    "dew_point_c": ("dew point over water",),
    "frost_point_c": ("frost point", "frost point over ice", "frostpunkt"),
    "temperature_c": ("temperature", "temp", "temperatur", "température", "temperatura"),
}  # fmt: skip
# A time of day beside a day; last the words that also name a whole stamp.
TIME_WORDS = (
    "time of day",
    "clock time",
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
EXPECTED_NAMES = {
    *TEST_COLUMNS, *CLIMATE_COLUMNS, *TIME_WORDS, *(word for words in COLUMN_WORDS.values() for word in words),
}  # fmt: skip
WITH_UNIT = re.compile(r"\s*[\[(][^\])]*[\])]\s*$")


def bare_name(cell: str) -> str:
    """A header cell in small letters, without a unit in brackets, with single spaces unless it is one of our names."""
    plain = WITH_UNIT.sub("", cell.strip(BLANKS)).casefold()
    if plain in TEST_COLUMNS or plain in CLIMATE_COLUMNS:
        return plain
    # Casefolding writes sharp s as two letters, so the words are compared the same way.
    return re.sub(r"[_\s./:#-]+", " ", plain).strip()


def has_word(ours: str, bare: str) -> bool:
    """Whether a bare header cell is a known name of one of our columns."""
    return bare == ours or bare in (word.casefold() for word in COLUMN_WORDS[ours])


def needs_mapping(ours: str, cell: str) -> bool:
    """Whether a header cell is not read as this column by itself: our name, for measured ones with a unit in brackets."""
    measured = ours in {"value", "humidity_percent", "temperature_c", *DEW_POINTS}
    return (bare_name(cell) if measured else cell.casefold()) != ours
