"""Invented exports of benches and loggers in the shapes that users bring."""

from __future__ import annotations

__all__ = ["GERMAN", "GERMAN_LOG", "TWO_CHARACTERISTICS"]


def _german() -> bytes:
    """One row a bag with six discharges, two title lines, units in brackets, decimal commas, date and time apart, cp1252."""
    heads = [
        "Prüfdatum", "Uhrzeit", "Lieferant", "Artikel", "Charge", "Beutel-Nr.",
        *(f"Entladung {number} [µJ]" for number in range(1, 7)), "Klimakammer", "Prüfer", "Bemerkung",
    ]  # fmt: skip
    rows = []
    for day in (16, 17):
        for bag in (1, 2, 3):
            values = [f"{0.011 + bag / 10_000 + number / 20_000:.5f}".replace(".", ",") for number in range(6)]
            if (day, bag) == (16, 2):
                values[4] = "> 50000"
            place = ["Alder Folie", "MB-10", f"CH-{day}", str(bag)]
            rows.append([f"{day}.03.2026", f"08:{10 + bag}", *place, *values, "Nord", "Jürgen Groß", "Naht ok"])
    lines = ["Prüfbericht Abschirmung", "Erfundene Prüfstelle, 12 % r.F.", *(";".join(row) for row in [heads, *rows])]
    return ("\r\n".join(lines) + "\r\n").encode("cp1252")


GERMAN = _german()
GERMAN_LOG = (
    "Datum;Zeit;rel. Feuchte [%];Temperatur [°C]\n14.03.2026;08:00;12,1;23,0\n14.03.2026;08:30;12,2;23,1\n"
).encode("cp1252")
TWO_CHARACTERISTICS = (
    b"Date,Time,Vendor,Part,Batch,Bag,R inside [ohm],Energy [nJ],Cabinet\n"
    b"03/04/2026,9:05 AM,S,P,L1,1,5E9,12.3,C1\n03/05/2026,2:05 PM,S,P,L1,2,6E9,12.4,C1\n"
)
