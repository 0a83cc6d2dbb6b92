"""Write the sample feeds: `python -m sample_feeds.generate`, from the folder that holds `sample_feeds`.

Seeded and without a clock: every run writes the same bytes.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from sample_feeds.bench import Bag, bags, standards, tests
from sample_feeds.captures import capture_lines
from sample_feeds.climate import ChamberLog, chamber_log
from sample_feeds.scenario import CEILING_OHM, CHAMBERS, ENERGY, FIRST_WEEK, LAST_WEEK, MESSY, OUTSIDE
from sample_feeds.shelf import aged_bags, counts
from sample_feeds.study import HEADER, study_lines

__all__ = ["write_feeds"]

PAPERS = "tested_at,chamber,instrument,operator,supplier,product,lot,received_on,made_on,specimen"
WIDE = f"{PAPERS},d1,d2,d3,d4,d5,d6,load"
LONG = f"{PAPERS},reading,characteristic,value,unit,load"
LOG = "logged_at,chamber,humidity_percent,temperature_c"
STOCK = "counted_on,supplier,product,lot,quantity,unit,storage,opened_on"
MESSY_HEADER = "Time;Cabinet;Device;By;Vendor;Material;Batch;Arrived;Sample;Shot;Property;Result;Units;Remark"
INSTRUMENTS = {ENERGY: "shielding tester 1"}
METER = "resistance meter 1"
STAMP, DAY = "%Y-%m-%dT%H:%M", "%Y-%m-%d"
MESSY_STAMP, MESSY_DAY = "%d.%m.%Y %H:%M", "%d.%m.%Y"
FRIDAY_EVENING = time(18, 0, tzinfo=UTC)


def write_feeds(folder: Path) -> None:
    """Write `tests/`, `climate/`, `stock/`, `waveforms/` and `studies/` into a folder."""
    measured = tests()
    last = max(test.begun for _, test in measured) + timedelta(minutes=30)
    logs = {chamber: chamber_log(chamber, last) for chamber in CHAMBERS}
    measured_bags = [*standards(), *(bag for product, test in measured for bag in bags(product, test, logs))]
    measured_bags.sort(key=lambda bag: bag.tested_at)
    messy = [bag for bag in measured_bags if bag.test.product == MESSY.product]
    plain = [bag for bag in measured_bags if bag.test.product != MESSY.product]
    _write(folder / "tests", "energy", WIDE, _wide(bag for bag in plain if bag.characteristic == ENERGY))
    _write(folder / "tests", "resistance", LONG, _long(bag for bag in plain if bag.characteristic != ENERGY))
    _write_messy(folder / "tests", messy)
    _write_last(folder / "tests", "aged film", LONG, _long(aged_bags(plain)))
    _write_last(folder / "stock", "stock", STOCK, counts([test for _, test in measured]))
    _write_captures(folder / "waveforms", [bag for bag in messy if bag.characteristic == ENERGY])
    (folder / "studies").mkdir(exist_ok=True)
    lines = "".join(f"{line}\n" for line in [HEADER, *study_lines(measured)])
    (folder / "studies" / "inside resistance in six loads.csv").write_bytes(lines.encode())
    for log in logs.values():
        _write(folder / "climate", f"climate-{log.chamber}", LOG, _logged(log))


def _period_ends() -> list[date]:
    """The last Friday of every month: the day to which a file reaches, and in its name."""
    weeks = (LAST_WEEK - FIRST_WEEK).days // 7 + 1
    fridays = [FIRST_WEEK + timedelta(days=4 + 7 * number) for number in range(weeks)]
    return [day for day in fridays if (day + timedelta(days=7)).month != day.month or day == fridays[-1]]


PERIODS = _period_ends()


def _period(moment: datetime) -> date:
    return next(day for day in PERIODS if moment <= datetime.combine(day, FRIDAY_EVENING))


def _write(folder: Path, name: str, header: str, rows: Iterable[tuple[datetime, str]]) -> None:
    """Write a file a period, each row into the period of its moment."""
    files: dict[date, list[str]] = defaultdict(lambda: [header])
    for moment, row in rows:
        files[_period(moment)].append(row)
    folder.mkdir(parents=True, exist_ok=True)
    for day, lines in files.items():
        (folder / f"{name}-{day:{DAY}}.csv").write_bytes("".join(f"{line}\n" for line in lines).encode())


def _write_last(folder: Path, name: str, header: str, rows: Iterable[tuple[datetime, str]]) -> None:
    """Write all rows into one file of the last period."""
    folder.mkdir(parents=True, exist_ok=True)
    lines = [header, *(row for _, row in rows)]
    (folder / f"{name} {PERIODS[-1]:{DAY}}.csv").write_bytes("".join(f"{line}\n" for line in lines).encode())


# The plain forms


def _papers(bag: Bag) -> str:
    test = bag.test
    instrument = INSTRUMENTS.get(bag.characteristic, METER)
    operator = "bench 1" if test.chamber == "north" else "bench 2"
    dates = f"{test.received:{DAY}},{test.made:{DAY}}"
    who = f"{test.supplier},{test.product},{test.lot}"
    return f"{bag.tested_at:{STAMP}},{test.chamber},{instrument},{operator},{who},{dates},{bag.specimen}"


def _wide(measured: Iterable[Bag]) -> Iterator[tuple[datetime, str]]:
    for bag in measured:
        yield bag.tested_at, ",".join([_papers(bag), *(f"{value:.2f}" for value in bag.values), bag.test.load])


def _long(measured: Iterable[Bag]) -> Iterator[tuple[datetime, str]]:
    for bag in measured:
        for number, value in enumerate(bag.values, 1):
            result = f"{value:.2f},nJ" if bag.characteristic == ENERGY else f"{_ohm(value)},ohm"
            yield bag.tested_at, f"{_papers(bag)},{number},{bag.characteristic},{result},{bag.test.load}"


def _ohm(value: float) -> str:
    return f"{value:.3E}" if value < CEILING_OHM else f">{CEILING_OHM:.0E}"


def _logged(log: ChamberLog) -> Iterator[tuple[datetime, str]]:
    for moment, humidity, temperature in log.entries():
        yield moment, f"{moment:{STAMP}},{log.chamber},{humidity:.1f},{temperature:.1f}"


# The export of another form: its own columns, decimal commas, other units, and now and then something wrong


def _write_messy(folder: Path, measured: Iterable[Bag]) -> None:
    files: dict[date, list[str]] = defaultdict(list)
    for bag in measured:
        files[_period(bag.tested_at)] += _messy_rows(bag, slipped=bag.test.week == MESSY.unit_slip)
        if bag.test.week == MESSY.unit_slip and bag.characteristic == ENERGY:
            files[_corrected_in()] += _messy_rows(bag, slipped=False, remark="corrected")
    for day, rows in files.items():
        titles = ["Evening bench - readings", f"Exported {day:{MESSY_DAY}}", "Test climate 12 % / 23 °C"]
        text = "".join(f"{line}\r\n" for line in [*titles, MESSY_HEADER, *rows])
        (folder / f"evening bench {day:{DAY}}.csv").write_bytes(text.encode("cp1252"))


def _corrected_in() -> date:
    return _period(datetime.combine(MESSY.slip_corrected, FRIDAY_EVENING))


def _messy_rows(bag: Bag, *, slipped: bool, remark: str = "") -> list[str]:
    test = bag.test
    device = INSTRUMENTS.get(bag.characteristic, METER)
    who = f"{test.supplier};{test.product};{test.lot};{test.received:{MESSY_DAY}};{bag.specimen}"
    rows = []
    for number, value in enumerate(bag.values, 1):
        stamp, result, unit = _messy_cells(bag, value, slipped=slipped)
        rows.append(
            f"{stamp};{test.chamber};{device};bench 3;{who};{number};{bag.characteristic};{result};{unit};{remark}"
        )
    return rows


def _messy_cells(bag: Bag, value: float, *, slipped: bool) -> tuple[str, str, str]:
    """Stamp, result and unit as this export writes them, right or wrong."""
    week, face = bag.test.week, bag.characteristic
    stamp = f"{bag.tested_at:{MESSY_STAMP}}"
    if face == ENERGY:
        # Its column holds microjoules; in one export somebody had set it to nanojoules and left the unit as it was.
        return stamp, _comma(f"{value:.2f}" if slipped else f"{value / 1000:.5f}"), "uJ"
    unit = "ohm/sq" if week == MESSY.per_square and face == OUTSIDE else "Mohm"
    result = f"{value * 10:.3E}" if unit == "ohm/sq" else f"{value / 1e6:.1f}"
    if week == MESSY.bad_rows and face == OUTSIDE:
        result = {2: "OL", 4: f"-{result}"}.get(bag.specimen, result)
        stamp = f"{bag.tested_at:{MESSY_DAY}}" if bag.specimen == 5 else stamp
    return stamp, _comma(result), unit


def _write_captures(folder: Path, measured: list[Bag]) -> None:
    """The captures of the first bag of the last test of the evening bench; the name of the file says which."""
    last = max(bag.test.begun for bag in measured)
    bag = next(bag for bag in measured if bag.test.begun == last)
    test = bag.test
    folder.mkdir(exist_ok=True)
    name = f"{test.supplier}_{test.lot}_{bag.specimen}_{bag.tested_at:{DAY}}.csv"
    (folder / name).write_text("".join(f"{line}\n" for line in capture_lines(bag)), encoding="utf-8", newline="")


def _comma(number: str) -> str:
    return number.replace(".", ",")


if __name__ == "__main__":
    write_feeds(Path(__file__).parent)
