"""Invented exports of benches and loggers in the shapes that users bring."""

from __future__ import annotations

__all__ = [
    "CALIBRATIONS",
    "CAPTURES",
    "FAHRENHEIT_LOG",
    "GERMAN",
    "GERMAN_LOG",
    "GERMAN_STOCK",
    "LOADS",
    "TWO_CHARACTERISTICS",
    "TWO_FACES",
]


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
FAHRENHEIT_LOG = b"timestamp,chamber,RH %,Temp F\n2026-03-14T08:00,C1,12.1,73.4\n2026-03-14T08:20,C1,12.2,73.2\n"
GERMAN_STOCK = (
    "Z\u00e4hldatum;Lieferant;Artikel;Charge;Menge;Einheit;Lagerort\n"
    "20.11.2026;Alder Folie;MB-10;CH-16;1200;Beutel;Halle 1\n20.11.2026;Alder Folie;MB-10;CH-17;;;Halle 1\n"
).encode()
LOADS = (
    b"at,load,chamber,event,supplier,product,lot,laid\n"
    b"2026-03-13T15:00,K1-01,C1,in,S,P,L1,hung\n2026-03-16T16:00,K1-01,C1,out,,,,\n"
)
CALIBRATIONS = (
    b"instrument,done_at,due_on,as_found,as_left,uncertainty,certificate\n"
    b"T1,2026-01-08T10:00,2027-01-08,0.8,0.2,2.0,HC-101\n"
)
# A capture of a triangular pulse after 60 samples of offset.
CAPTURES = "\n".join(["time [ns],current [mA]"] + [f"{2 * n},{max(0, 40 - abs(n - 100))}" for n in range(200)]).encode()
TWO_FACES = (
    b"Tested,Vendor,Part,Batch,Bag,R inside (ohm),R outside (ohm)\n2026-03-02T10:15,S,P,L1,1,5E9,6E9\n"
    b"2026-03-02T10:16,S,P,L1,2,5E9,6E9\n"
)
