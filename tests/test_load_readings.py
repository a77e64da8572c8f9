"""Logged readings, wide and long: units of measure, clocks, repeats, conflicts, and channels off the grid."""

import gzip
import io
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from conftest import LONG_SOURCE, WIDE_SOURCE, SmallFleet

from lowambient.store import Store

WIDE = "Unit,Time,SP,LP,OAT\nRTU-1,2016-01-05 09:00,117,250,38\nRTU-1,2016-01-05 09:05,110,240,37\n"
LONG = (
    "Unit,Time,Point,Value\n"
    "RTU-1,2016-01-05 09:00,SP,117\nRTU-1,2016-01-05 09:00,LP,250\nRTU-1,2016-01-05 09:00,OAT,38\n"
    "RTU-1,2016-01-05 09:05,SP,110\nRTU-1,2016-01-05 09:05,LP,240\nRTU-1,2016-01-05 09:05,OAT,37\n"
    "RTU-1,2016-01-05 09:05,RUN,1\n"
)
ORDER = "unit_id, circuit, read_at"
# barometer at the 205 m of site S1 (ISO 2533), kPa
BAROMETER_KPA = 98.88


def readings(store: Store) -> pl.DataFrame:
    return store.frame("in_readings", ORDER)


def load_long(fleet: SmallFleet, rows: str, *changes: tuple[str, str]) -> Store:
    """A long file of `Unit,Time,Point,Value` rows, loaded with parts of the source changed."""
    fleet.write("long.csv", "Unit,Time,Point,Value\n" + rows)
    source = LONG_SOURCE
    for old, new in changes:
        assert old in source
        source = source.replace(old, new)
    return fleet.add(source).load()


def load_wide(fleet: SmallFleet, rows: str, *changes: tuple[str, str]) -> Store:
    """A wide file of `Unit,Time,SP,LP,OAT` rows, loaded with parts of the source changed."""
    fleet.write("wide.csv", "Unit,Time,SP,LP,OAT\n" + rows)
    source = WIDE_SOURCE
    for old, new in changes:
        assert old in source
        source = source.replace(old, new)
    return fleet.add(source).load()


def notes(store: Store) -> list[str]:
    return [row[0] for row in store.connection.execute("select note from file_notes order by all").fetchall()]


# --- values and their units -------------------------------------------------------------------------------------


def test_wide_and_long_files_of_the_same_readings_read_alike(fleet: SmallFleet) -> None:
    base = fleet.profile_text
    fleet.write("wide.csv", WIDE)
    fleet.profile_text = base + WIDE_SOURCE
    wide = readings(fleet.load())
    fleet.write("long.csv", LONG)
    fleet.profile_text = base + LONG_SOURCE
    store = fleet.load()
    long = readings(store)
    assert wide.drop("compressor_on").equals(long.drop("compressor_on"))
    assert long["compressor_on"].to_list() == [None, True]
    # 117 psig is 806.69 kPa above the barometer
    assert wide["suction_kpa"][0] == pytest.approx(806.69 + BAROMETER_KPA, abs=0.05)
    assert wide["outdoor_c"][0] == pytest.approx(3.333, abs=0.001)
    assert wide["read_at"][0] == datetime(2016, 1, 5, 15, 0, tzinfo=UTC)
    assert fleet.counts(store, "long.csv") == (7, 7, 0, 0)


@pytest.mark.parametrize("load", [load_wide, load_long], ids=["wide", "long"])
@pytest.mark.parametrize(
    ("unit", "pressure", "written", "expected_kpa"),
    [
        # factors: NIST SP 811 (2008), appendix B
        ("psia", "", "100", 689.476),
        ("bara", "", "7", 700.0),
        ("kPa", 'pressure = "absolute"', "700", 700.0),
        ("MPa", 'pressure = "absolute"', "0.7", 700.0),
        ("barg", 'pressure = "gauge"', "7", 700.0 + BAROMETER_KPA),
        ("kPag", "", "700", 700.0 + BAROMETER_KPA),
        ("psi", 'pressure = "gauge"', "100", 689.476 + BAROMETER_KPA),
        ("psig", 'pressure = "sealed-gauge"', "100", 689.476 + 101.325),
        ("psig", "", "100 psig", 689.476 + BAROMETER_KPA),
        ("psig", "", "100psi", 689.476 + BAROMETER_KPA),
        ("psig", "", "1,000", 6894.757 + BAROMETER_KPA),
    ],
)
def test_pressures_become_absolute(
    fleet: SmallFleet,
    load: Callable[..., Store],
    unit: str,
    pressure: str,
    written: str,
    expected_kpa: float,
) -> None:
    zone = ('time_zone = "America', f'{pressure}\ntime_zone = "America')
    if load is load_wide:
        store = load(
            fleet, f'RTU-1,2016-01-05 09:00,"{written}",,\n', ('"SP", unit = "psig"', f'"SP", unit = "{unit}"'), zone
        )
    else:
        told = ('"suction_kpa", unit = "psig"', f'"suction_kpa", unit = "{unit}"')
        store = load(fleet, f'RTU-1,2016-01-05 09:00,SP,"{written}"\n', told, zone)
    assert readings(store)["suction_kpa"][0] == pytest.approx(expected_kpa, abs=0.05)


@pytest.mark.parametrize("load", [load_wide, load_long], ids=["wide", "long"])
@pytest.mark.parametrize(
    ("unit", "written", "expected_c"),
    [
        ("°F", "38", 3.3333),
        ("°F", "38.0 °F", 3.3333),
        ("°C", "-3.5", -3.5),
        ("K", "276.15", 3.0),
        ("degF", "(4)", -20.0),
    ],
)
def test_temperatures_become_celsius(
    fleet: SmallFleet, load: Callable[..., Store], unit: str, written: str, expected_c: float
) -> None:
    if load is load_wide:
        store = load(fleet, f"RTU-1,2016-01-05 09:00,,,{written}\n", ('"OAT", unit = "°F"', f'"OAT", unit = "{unit}"'))
    else:
        told = ('"outdoor_c", unit = "°F"', f'"outdoor_c", unit = "{unit}"')
        store = load(fleet, f"RTU-1,2016-01-05 09:00,OAT,{written}\n", told)
    assert readings(store)["outdoor_c"][0] == pytest.approx(expected_c, abs=0.0001)


@pytest.mark.parametrize("load", [load_wide, load_long], ids=["wide", "long"])
def test_a_value_in_another_unit_than_its_column_is_not_taken(fleet: SmallFleet, load: Callable[..., Store]) -> None:
    if load is load_wide:
        store = load(fleet, "RTU-1,2016-01-05 09:00,7 bar,,3 °C\n")
        assert store.frame("set_aside")["written"].to_list() == ["3 °C", "7 bar"]
    else:
        store = load(fleet, "RTU-1,2016-01-05 09:00,SP,7 bar\nRTU-1,2016-01-05 09:00,OAT,3 °C\n")
        assert fleet.counts(store, "long.csv") == (2, 0, 2, 0)
    assert readings(store)["outdoor_c"].to_list() in ([None], [])


def test_units_of_a_long_file_record_by_record(fleet: SmallFleet) -> None:
    fleet.write(
        "long.csv",
        "Unit,Time,Point,Value,EU\n"
        "RTU-1,2016-01-05 09:00,SP,117,psig\n"
        "RTU-1,2016-01-05 09:05,SP,806.69,kPa(g)\n"
        "RTU-1,2016-01-05 09:00,OAT,38, degF\n"
        "RTU-1,2016-01-05 09:05,OAT,3,°C\n"
        "RTU-1,2016-01-05 09:10,SP,117,psi\n"
        "RTU-1,2016-01-05 09:10,OAT,38,furlong\n"
        "RTU-1,2016-01-05 09:15,OAT,38,\n"
        "RTU-1,2016-01-05 09:15,RUN,on,\n",
    )
    source = LONG_SOURCE.replace(', unit = "psig"', "").replace(', unit = "°F"', "")
    store = fleet.add(source.replace('value = "Value"', 'value = "Value"\nvalue_unit = "EU"')).load()
    frame = readings(store)
    assert frame["suction_kpa"].to_list() == pytest.approx([905.57, 905.57, None], abs=0.05)
    assert frame["outdoor_c"].to_list() == pytest.approx([3.3333, 3.0, None], abs=0.001)
    assert frame["compressor_on"].to_list() == [None, None, True]
    assert fleet.reasons(store) == [
        (6, 'value_unit: "psi" is not a unit that tells how to read the channel'),
        (7, 'value_unit: "furlong" is not a unit that tells how to read the channel'),
        (8, "value_unit is empty"),
    ]


FLAGS = [
    ("compressor_on", ["Running", "OFF", "1", "0.0"], [True, False, True, False]),
    ("lp_switch_closed", ["Closed", "Open", "TRIPPED", "true"], [True, False, False, True]),
    ("liquid_solenoid_open", ["open", "closed", "Y", "n"], [True, False, True, False]),
    ("mode", ["Clg", "HEATING", "Defrost", "cool"], ["cooling", "heating", "defrost", "cooling"]),
    ("fans_running", ["0", "1", "2.0", "2"], [0, 1, 2, 2]),
]


@pytest.mark.parametrize("layout", ["wide", "long"])
@pytest.mark.parametrize(("channel", "written", "expected"), FLAGS, ids=[each[0] for each in FLAGS])
def test_flags_modes_and_counts(
    fleet: SmallFleet, layout: str, channel: str, written: list[str], expected: list[object]
) -> None:
    times = [f"2016-01-05 09:{minute:02d}" for minute in range(5)]
    values = [*written, "perhaps"]
    if layout == "long":
        fleet.write(
            "long.csv",
            "Unit,Time,Point,Value\n" + "".join(f"RTU-1,{t},RUN,{v}\n" for t, v in zip(times, values, strict=True)),
        )
        store = fleet.add(LONG_SOURCE.replace('"compressor_on"', f'"{channel}"')).load()
        assert fleet.counts(store, "long.csv") == (5, 4, 1, 0)
    else:
        fleet.write(
            "wide.csv",
            "Unit,Time,SP,LP,OAT\n" + "".join(f"RTU-1,{t},{v},,\n" for t, v in zip(times, values, strict=True)),
        )
        store = fleet.add(
            WIDE_SOURCE.replace('suction_kpa = { column = "SP", unit = "psig" }', f'{channel} = "SP"')
        ).load()
        assert store.frame("set_aside")["written"].to_list() == ["perhaps"]
    assert readings(store)[channel].to_list()[:4] == expected


@pytest.mark.parametrize("load", [load_wide, load_long], ids=["wide", "long"])
def test_decimal_commas(fleet: SmallFleet, load: Callable[..., Store]) -> None:
    values = ["-3,5", "1.234,5", "12", "21.5"]
    zone = ('time_zone = "America', 'decimal = ","\ntime_zone = "America')
    if load is load_wide:
        told = ('"OAT", unit = "°F"', '"OAT", unit = "°C"')
        rows = "".join(f'RTU-1,2016-01-05 09:0{n},,"{value}",\n' for n, value in enumerate(values))
        store = load(fleet, rows, told, zone, ('"LP", unit = "psig"', '"LP", unit = "kPag"'))
    else:
        rows = "".join(f'RTU-1,2016-01-05 09:0{n},LP,"{value}"\n' for n, value in enumerate(values))
        store = load(fleet, rows, zone, ('"liquid_kpa", unit = "psig"', '"liquid_kpa", unit = "kPag"'))
    found = readings(store)["liquid_kpa"].to_list()
    # 21.5 under a decimal comma is neither 21,5 nor 215: it is not taken
    expected = [95.38, 1234.5 + BAROMETER_KPA, 12 + BAROMETER_KPA, None]
    assert found == pytest.approx(expected if load is load_wide else expected[:3], abs=0.05)


def test_texts_that_mean_no_value(fleet: SmallFleet) -> None:
    rows = "RTU-1,2016-01-05 09:00,-999,NaN,\nRTU-1,2016-01-05 09:05,-999.0,---,38\nRTU-1,2016-01-05 09:10,n/a,bad,38\n"
    store = load_wide(fleet, rows, ('time_zone = "America', 'missing = [-999]\ntime_zone = "America'))
    assert readings(store).select("suction_kpa", "liquid_kpa").null_count().row(0) == (3, 3)
    assert store.frame("set_aside")["written"].to_list() == ["-999.0", "bad"]


def test_values_of_a_wide_file_that_cannot_be_are_set_aside(fleet: SmallFleet) -> None:
    fleet.write("wide.csv", WIDE.replace(",110,", ",-999,").replace(",250,", ",OPEN,"))
    store = fleet.add(WIDE_SOURCE).load()
    frame = readings(store)
    assert frame["suction_kpa"].to_list()[1] is None
    assert frame["liquid_kpa"].to_list()[0] is None
    assert store.connection.execute('select line, "column" from set_aside').fetchall() == [
        (2, "liquid_kpa"),
        (3, "suction_kpa"),
    ]


def test_bad_records_of_a_long_file_are_refused_one_by_one(fleet: SmallFleet) -> None:
    fleet.write(
        "long.csv",
        LONG
        + "RTU-9,2016-01-05 09:00,SP,50\n"
        + "RTU-1,2016-01-05 09:10,SP,broken\n"
        + "RTU-1,2016-01-05 09:10,LP,99999\n"
        + "RTU-1,2016-01-05 09:10,OAT,36\n"
        + "RTU-1,2016-01-05 09:10,BATT,12\n"
        + "RTU-1,soon,SP,50\n"
        + "RTU-1,2016-01-05 09:10,RUN,\n"
        + "RTU-1,2016-01-05 09:00,SP,117\n"
        + "RTU-1,2016-01-05 09:05,LP,241\n"
        + ",,,\n",
    )
    store = fleet.add(LONG_SOURCE).load()
    assert fleet.counts(store, "long.csv") == (17, 7, 9, 1)
    frame = readings(store)
    assert frame["outdoor_c"].count() == 3
    assert frame["liquid_kpa"].to_list()[1:] == [None, None]
    assert fleet.reasons(store) == [
        (6, CONFLICT),
        (9, "unit 'RTU-9' is not on the unit list (nearest: RTU-1)"),
        (10, 'value: "broken" cannot be read'),
        (11, 'value: "99999" is not plausible for its channel'),
        (13, 'channel "BATT" is not among the channels of the profile'),
        (14, 'read_at: "soon" is no date in the form of this file, or an hour that the clocks skipped'),
        (15, "value is empty"),
        (17, CONFLICT),
        (18, "every cell is empty"),
    ]
    rows = dict(store.connection.execute("select line, row from quarantine").fetchall())
    assert rows[9] == "RTU-9,2016-01-05 09:00,SP,50"


CONFLICT = "conflict: another record of this file has the same unit, circuit, instant and channel and another value"


# --- ways of writing --------------------------------------------------------------------------------------------


def parquet(text: str) -> bytes:
    frame = pl.read_csv(text.encode(), infer_schema=False).with_columns(
        pl.col("Time").str.to_datetime("%Y-%m-%d %H:%M", time_zone="America/Chicago")
    )
    out = io.BytesIO()
    frame.write_parquet(out)
    return out.getvalue()


WRITTEN: dict[str, Callable[[str], bytes]] = {
    "plain": lambda text: text.encode(),
    "gzip": lambda text: gzip.compress(text.encode()),
    "crlf": lambda text: text.replace("\n", "\r\n").encode(),
    "cr alone": lambda text: text.replace("\n", "\r").encode(),
    "utf-8 mark": lambda text: text.encode("utf-8-sig"),
    "utf-16": lambda text: text.encode("utf-16"),
    "semicolons": lambda text: text.replace(",", ";").encode(),
    "quoted": lambda text: "".join(
        ",".join(f'"{cell}"' for cell in line.split(",")) + "\n" for line in text.splitlines()
    ).encode(),
    "blanks around cells": lambda text: text.replace(",", " , ").encode(),
    "title and blank lines": lambda text: ("Trend export\n\n" + text.replace("\n", "\n\n", 3)).encode(),
    "blank line at the end": lambda text: (text + "\n").encode(),
    "no last line end": lambda text: text.rstrip("\n").encode(),
    "parquet": parquet,
}


@pytest.mark.parametrize("way", list(WRITTEN))
@pytest.mark.parametrize("layout", ["wide", "long"])
def test_ways_of_writing_the_same_readings(fleet: SmallFleet, layout: str, way: str) -> None:
    """Each way also carries a bad record, whose line and reason do not depend on the reader that took the file."""
    source, text = (WIDE_SOURCE, WIDE) if layout == "wide" else (LONG_SOURCE, LONG)
    text += "RTU-77,2016-01-05 09:10,1,1,1\n" if layout == "wide" else "RTU-77,2016-01-05 09:10,SP,1\n"
    fleet.add(source.replace(f"{layout}*.csv", "export.*"))
    fleet.write("export.csv", text)
    store = fleet.load()
    plain, counts = readings(store), fleet.counts(store, "export.csv")
    (fleet.folder / "export.csv").unlink()
    name = "export.parquet" if way == "parquet" else "export.csv"
    fleet.write(name, WRITTEN[way](text))
    store = fleet.load()
    assert readings(store).equals(plain)
    assert fleet.counts(store, name) == counts
    assert [reason for _, reason in fleet.reasons(store)] == ["unit 'RTU-77' is not on the unit list (nearest: RTU-1)"]


@pytest.mark.parametrize("quote", ["", '"'])
@pytest.mark.parametrize("layout", ["wide", "long"])
def test_a_header_that_comes_again_is_no_unit(fleet: SmallFleet, layout: str, quote: str) -> None:
    source, text = (WIDE_SOURCE, WIDE) if layout == "wide" else (LONG_SOURCE, LONG)
    header, _, rest = text.partition("\n")
    text = f"{header}\n{rest}{header}\n" + rest.replace("09:", "10:").replace("RTU-1", f"{quote}RTU-1{quote}")
    fleet.write(f"{layout}.csv", text)
    store = fleet.add(source).load()
    assert fleet.reasons(store) == [(text.count("\n") // 2 + 1, "repeated header line")]
    assert store.frame("unmatched").is_empty()


def test_lines_are_counted_from_the_top_of_the_file(fleet: SmallFleet) -> None:
    text = "A title\r\nanother\r\n" + (LONG + "RTU-1,2016-01-05 10:00,SP,bad\n").replace("\n", "\r\n")
    fleet.write("long.csv", text.encode("utf-8-sig"))
    store = fleet.add(LONG_SOURCE).load()
    assert fleet.reasons(store) == [(11, 'value: "bad" cannot be read')]
    assert store.connection.execute("select row from quarantine").fetchall() == [("RTU-1,2016-01-05 10:00,SP,bad",)]


def test_one_file_a_unit_named_by_its_unit(fleet: SmallFleet) -> None:
    fleet.write("rtu-1_c2.csv", "Time,SP\n2016-01-05 09:00,117\n")
    fleet.write("rtu-3_c1.csv", "Time,SP\n2016-01-05 09:00,117\n")
    fleet.add(
        '[[source]]\ntable = "readings"\nfiles = "rtu*.csv"\ntime_zone = "site"\n'
        '[source.columns]\nread_at = "Time"\nsuction_kpa = { column = "SP", unit = "psig" }\n'
        "[source.from_file_name]\npattern = '(?P<unit_id>rtu-\\d+)_c(?P<circuit>\\d)'\n"
    )
    frame = readings(fleet.load())
    assert frame.select("unit_id", "circuit").rows() == [("RTU-1", "2"), ("RTU-3", "1")]
    assert frame["read_at"].dt.hour().to_list() == [15, 16]


def test_a_unit_spelled_in_two_ways_is_one_unit(fleet: SmallFleet) -> None:
    rows = (
        "RTU-1,2016-01-05 09:00,SP,117\nrtu 1,2016-01-05 09:00,LP,250\nRTU-1,2016-01-05 09:05,SP,110\n"
        "rtu1,2016-01-05 09:05,SP,110\nRtu_1,2016-01-05 09:10,SP,100\nRTU-1,2016-01-05 09:10,SP,101\n"
    )
    store = load_long(fleet, rows)
    assert fleet.counts(store, "long.csv") == (6, 3, 2, 1)
    assert readings(store).select("suction_kpa", "liquid_kpa").null_count().row(0) == (0, 1)


def test_no_circuit_and_circuits(fleet: SmallFleet) -> None:
    fleet.write(
        "wide.csv",
        "Unit,Ckt,Time,SP\nRTU-1,1,2016-01-05 09:00,117\nRTU-1,,2016-01-05 09:00,118\nRTU-1,-,2016-01-05 09:05,119\n"
        "RTU-1,,2016-01-05 09:00,118\n",
    )
    fleet.add(
        WIDE_SOURCE.replace('"SP", unit = "psig" }', '"SP", unit = "psig" }\ncircuit = "Ckt"').split("liquid_kpa")[0]
    )
    store = fleet.load()
    assert readings(store).select("circuit", "read_at").rows() == [
        ("1", datetime(2016, 1, 5, 15, tzinfo=UTC)),
        (None, datetime(2016, 1, 5, 15, tzinfo=UTC)),
        (None, datetime(2016, 1, 5, 15, 5, tzinfo=UTC)),
    ]
    assert fleet.counts(store, "wide.csv") == (4, 3, 0, 1)


# --- clocks -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("load", [load_wide, load_long], ids=["wide", "long"])
@pytest.mark.parametrize(
    ("written", "hour_utc"),
    [
        ("2016-01-05 09:00", 15),
        ("2016-01-05T09:00", 15),
        ("2016-01-05 09:00:00.000", 15),
        ("2016-01-05T09:00Z", 9),
        ("2016-01-05 09:00:00-05:00", 14),
        ("2016-01-05T09:00+0530", 3),
        ("2016-01-05 03:00:00 PM", 21),
        ("2016-01-05 09:00:00 EST", None),
        ("2016-01-05 09", None),
        ("01/05/2016 09:00", None),
    ],
)
def test_instants_are_read_strictly_and_never_lose_a_part(
    fleet: SmallFleet, load: Callable[..., Store], written: str, hour_utc: int | None
) -> None:
    """Among plain ISO instants; what follows a time, such as PM or a zone, is never passed over."""
    minutes = 30 if written.endswith("30") else 0
    value = ",1,," if load is load_wide else ",SP,1"
    rows = "".join(f"RTU-1,2016-02-0{day} 10:00:00{value}\n" for day in range(1, 6)) + f"RTU-1,{written}{value}\n"
    found = readings(load(fleet, rows))
    january = found.filter(pl.col("read_at").dt.month() == 1)["read_at"].to_list()
    assert january == ([] if hour_utc is None else [datetime(2016, 1, 5, hour_utc, minutes, tzinfo=UTC)])
    assert found.height == 5 + len(january)


def test_one_instant_written_in_two_ways_is_one_instant(fleet: SmallFleet) -> None:
    rows = (
        "RTU-1,2016-01-05 09:00:00,SP,117\nRTU-1,2016-01-05 09:05:00,SP,116\nRTU-1,2016-01-05T09:00,LP,250\n"
        "RTU-1,2016-01-05T09:05,SP,116\nRTU-1,2016-01-05T15:00:00Z,OAT,38\n"
    )
    store = load_long(fleet, rows)
    assert fleet.counts(store, "long.csv") == (5, 4, 0, 1)
    first = readings(store).row(0, named=True)
    assert None not in (first["suction_kpa"], first["liquid_kpa"], first["outdoor_c"])


@pytest.mark.parametrize("blocks", ["by time", "by channel"])
@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("layout", ["wide", "long"])
def test_the_hour_that_comes_twice_is_told_by_file_order(
    fleet: SmallFleet, layout: str, newest_first: bool, blocks: str
) -> None:
    times = ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"]
    rows = [(f"2016-11-06 {time}", 30 + place) for place, time in enumerate(times)]
    rows = rows[::-1] if newest_first else rows
    if layout == "wide":
        lines = [f"{unit},{time},,,{value}" for unit in ("RTU-1", "RTU-2") for time, value in rows]
        if blocks == "by time":
            lines = [lines[place + half] for place in range(6) for half in (0, 6)]
        store = load_wide(fleet, "\n".join(lines) + "\n")
    else:
        lines = [f"RTU-1,{time},{point},{value}" for point in ("OAT", "SP") for time, value in rows]
        if blocks == "by time":
            lines = [lines[place + half] for place in range(6) for half in (0, 6)]
        store = load_long(fleet, "\n".join(lines) + "\n")
    frame = readings(store).filter(unit_id="RTU-1")
    assert frame["read_at"].dt.to_string("%H:%M").to_list() == ["05:30", "06:00", "06:30", "07:00", "07:30", "08:00"]
    assert frame["outdoor_c"].is_sorted()


@pytest.mark.parametrize("newest_first", [False, True])
@pytest.mark.parametrize("load", [load_wide, load_long], ids=["wide", "long"])
def test_an_hourly_logger_passes_the_repeated_hour_twice(
    fleet: SmallFleet, load: Callable[..., Store], newest_first: bool
) -> None:
    rows = [(f"2016-11-06 {hour:02d}:00", 30 + place) for place, hour in enumerate([0, 1, 1, 2, 3])]
    rows = rows[::-1] if newest_first else rows
    text = "".join(f"RTU-1,{time}{',,,' if load is load_wide else ',OAT,'}{value}\n" for time, value in rows)
    frame = readings(load(fleet, text))
    assert frame["read_at"].dt.hour().to_list() == [5, 6, 7, 8, 9]
    assert frame["outdoor_c"].is_sorted()


@pytest.mark.parametrize("load", [load_wide, load_long], ids=["wide", "long"])
def test_the_hour_that_does_not_exist_is_quarantined(fleet: SmallFleet, load: Callable[..., Store]) -> None:
    rows = "RTU-1,2016-03-13 02:30,,,30\nRTU-1,2016-03-13 03:30,,,31\n"
    store = load(fleet, rows if load is load_wide else rows.replace(",,,", ",OAT,"))
    assert readings(store)["read_at"].to_list() == [datetime(2016, 3, 13, 8, 30, tzinfo=UTC)]
    assert [line for line, _ in fleet.reasons(store)] == [2]
    assert "clocks skipped" in fleet.reasons(store)[0][1]


@pytest.mark.parametrize("load", [load_wide, load_long], ids=["wide", "long"])
def test_a_file_in_standard_time_is_told_by_the_hour_that_daylight_saving_skips(
    fleet: SmallFleet, load: Callable[..., Store]
) -> None:
    start = datetime(2016, 3, 13)
    times = [start + timedelta(minutes=15 * step) for step in range(24)]
    cells = ",,,30" if load is load_wide else ",OAT,30"
    store = load(fleet, "".join(f"RTU-1,{time:%Y-%m-%d %H:%M}{cells}\n" for time in times))
    assert any("standard time or UTC: say so in time_zone" in note for note in notes(store))


def test_years_of_local_time_against_the_zone_data_base(fleet: SmallFleet) -> None:
    """Every half hour around each change of eleven years, against Python's zoneinfo, for both hemispheres."""
    from zoneinfo import ZoneInfo

    fleet.write("sites.csv", "Site,Name,Lat,Lon,Elev,Zone\nS1,a,,,205,America/Chicago\nS2,b,,,5,Australia/Lord_Howe\n")
    rows, expected = [], {}
    for unit, zone in (("RTU-1", "America/Chicago"), ("RTU-3", "Australia/Lord_Howe")):
        for year in range(2010, 2021):
            for month in (3, 4, 10, 11):
                for step in range(0, 48 * 28, 7):
                    local = datetime(year, month, 1) + timedelta(minutes=30 * step)
                    aware = local.replace(tzinfo=ZoneInfo(zone))
                    utc = aware.astimezone(UTC)
                    exists = utc.astimezone(ZoneInfo(zone)).replace(tzinfo=None) == local
                    rows.append(f"{unit},{local:%Y-%m-%d %H:%M},,,50\n")
                    if exists:
                        expected[unit, utc] = None
    store = load_wide(fleet, "".join(rows), ('time_zone = "America/Chicago"', 'time_zone = "site"'))
    found = readings(store)
    assert set(zip(found["unit_id"], found["read_at"], strict=True)) == set(expected)
    assert fleet.counts(store, "wide.csv")[2] == len(rows) - len(expected)


# --- repeats, conflicts, replacement ----------------------------------------------------------------------------


def test_exact_repeats_and_conflicts_within_a_wide_file(fleet: SmallFleet) -> None:
    cells = ("09:00,117", "09:00,117.0", "09:05,1", "09:05,2")
    store = load_wide(fleet, "".join(f"RTU-1,2016-01-05 {each},,\n" for each in cells))
    assert fleet.counts(store, "wide.csv") == (4, 1, 2, 1)
    assert [line for line, _ in fleet.reasons(store)] == [4, 5]


def test_files_that_complete_each_other_are_merged_and_those_that_differ_refused(fleet: SmallFleet) -> None:
    fleet.write("wide_a.csv", "Unit,Time,SP,LP,OAT\nRTU-1,2016-01-05 09:00,117,,\nRTU-1,2016-01-05 09:05,110,,\n")
    fleet.write("wide_b.csv", "Unit,Time,SP,LP,OAT\nRTU-1,2016-01-05 09:00,,250,\nRTU-1,2016-01-05 09:05,111,,\n")
    store = fleet.add(WIDE_SOURCE).load()
    frame = store.frame("in_readings")
    assert frame.height == 1
    assert frame["suction_kpa"][0] is not None
    assert frame["liquid_kpa"][0] is not None
    assert fleet.counts(store, "wide_a.csv") == (2, 1, 1, 0)
    assert fleet.counts(store, "wide_b.csv") == (2, 1, 1, 0)


def test_a_long_file_conflicts_channel_by_channel(fleet: SmallFleet) -> None:
    fleet.write("long_a.csv", LONG)
    fleet.write(
        "long_b.csv",
        "Unit,Time,Point,Value\nRTU-1,2016-01-05 09:00,OAT,39\nRTU-1,2016-01-05 09:00,LP,250\n"
        "RTU-1,2016-01-05 09:00,RUN,0\n",
    )
    store = fleet.add(LONG_SOURCE).load()
    assert fleet.counts(store, "long_a.csv") == (7, 6, 1, 0)
    assert fleet.counts(store, "long_b.csv") == (3, 1, 1, 1)
    first = readings(store).row(0, named=True)
    assert first["outdoor_c"] is None
    assert first["suction_kpa"] is not None
    assert first["compressor_on"] is False
    refused = store.connection.execute("select source, line, row from quarantine order by all").fetchall()
    assert refused == [
        ("long_a.csv", 4, "RTU-1,2016-01-05 09:00,OAT,38"),
        ("long_b.csv", 2, "RTU-1,2016-01-05 09:00,OAT,39"),
    ]


@pytest.mark.parametrize("layout", ["wide", "long"])
def test_a_later_file_replaces_under_the_same_key_and_says_so(fleet: SmallFleet, layout: str) -> None:
    source, text = (WIDE_SOURCE, WIDE) if layout == "wide" else (LONG_SOURCE, LONG)
    fleet.write(f"{layout}_a.csv", text)
    fleet.write(f"{layout}_b.csv", text.replace("38\n", "39\n"))
    store = fleet.add(source.replace('time_zone = "America', 'replaces = "key"\ntime_zone = "America')).load()
    assert readings(store)["outdoor_c"][0] == pytest.approx(3.8889, abs=0.001)
    rows_read, loaded, refused, repeated = fleet.counts(store, f"{layout}_a.csv")
    assert (loaded, refused, repeated) == (rows_read - 1, 1, 0)
    assert fleet.counts(store, f"{layout}_b.csv") == (rows_read, 1, 0, rows_read - 1)
    assert fleet.reasons(store)[0] == (2 if layout == "wide" else 4, "replaced by a later export")


def test_the_same_file_under_two_names_repeats(fleet: SmallFleet) -> None:
    for name in ("long_a.csv", "long_b.csv"):
        fleet.write(name, LONG)
    store = fleet.add(LONG_SOURCE).load()
    assert store.frame("in_readings").height == 2
    assert fleet.counts(store, "long_a.csv") == (7, 7, 0, 0)
    assert fleet.counts(store, "long_b.csv") == (7, 0, 0, 7)


def test_within_a_long_file_a_later_record_replaces_where_the_source_says_so(fleet: SmallFleet) -> None:
    rows = "RTU-1,2016-01-05 09:00,OAT,38\nRTU-1,2016-01-05 09:00,OAT,39\nRTU-1,2016-01-05 09:00,OAT,38\n"
    rows += "RTU-1,2016-01-05 09:00,OAT,39\n"
    store = load_long(fleet, rows, ('time_zone = "America', 'replaces = "key"\ntime_zone = "America'))
    assert readings(store)["outdoor_c"][0] == pytest.approx(3.8889, abs=0.001)
    assert fleet.counts(store, "long.csv") == (4, 1, 1, 2)
    assert fleet.reasons(store) == [(2, "replaced by a later record under the same key")]


# --- off the grid -----------------------------------------------------------------------------------------------


def test_channels_off_the_grid_come_together_within_half_an_interval(fleet: SmallFleet) -> None:
    times: dict[str, list[datetime]] = {}
    rows = []
    for minute in range(30):
        for second, point, value in ((3, "SP", 100), (9, "LP", 240), (20, "OAT", 30)):
            time = datetime(2016, 1, 5, 9, minute, second + minute % 3)
            times.setdefault(point, []).append(time + timedelta(hours=6))
            rows.append(f"RTU-1,{time:%Y-%m-%d %H:%M:%S},{point},{value + minute}\n")
    store = load_long(fleet, "".join(rows))
    frame = readings(store)
    assert fleet.counts(store, "long.csv") == (90, 90, 0, 0)
    assert frame.height == 30
    assert frame.select("suction_kpa", "liquid_kpa", "outdoor_c").null_count().row(0) == (0, 0, 0)
    assert [at.replace(tzinfo=None) for at in frame["read_at"]] == times["SP"]
    for point in times.values():
        moved = [abs(at.replace(tzinfo=None) - exact) for at, exact in zip(frame["read_at"], point, strict=True)]
        assert max(moved) <= timedelta(seconds=30)


def test_a_reading_is_never_carried_over_a_gap(fleet: SmallFleet) -> None:
    rows = "".join(f"RTU-1,2016-01-05 09:{minute:02d}:10,SP,{minute}\n" for minute in range(20))
    rows += "".join(f"RTU-1,2016-01-05 09:{minute:02d}:40,LP,{100 + minute}\n" for minute in range(20) if minute != 7)
    frame = readings(load_long(fleet, rows))
    missing = frame.filter(pl.col("liquid_kpa").is_null())["read_at"].to_list()
    assert 1 <= len(missing) <= 2
    assert frame["liquid_kpa"].count() == 19


def test_channels_of_different_intervals_on_one_grid_stay_where_they_are(fleet: SmallFleet) -> None:
    rows = "".join(f"RTU-1,2016-01-05 09:{minute:02d}:00,SP,{minute}\n" for minute in range(30))
    rows += "".join(f"RTU-1,2016-01-05 09:{minute:02d}:00,OAT,30\n" for minute in range(0, 30, 15))
    frame = readings(load_long(fleet, rows))
    assert frame.height == 30
    assert frame.filter(pl.col("outdoor_c").is_not_null())["read_at"].dt.minute().to_list() == [0, 15]
