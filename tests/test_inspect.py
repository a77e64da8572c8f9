"""`inspect`: proposals for invented exports with many habits of writing, and for published weather files.

Each export is written here with a known meaning; the proposal, wrapped in a profile, must load and say it.
"""

import doctest
import gzip
import importlib.util
import json
import math
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
import xlsxwriter

from lowambient import reference
from lowambient.errors import InputRefused
from lowambient.intake import clock_guesses, header_words, samples
from lowambient.intake.clock_guesses import guess_clock, parsed
from lowambient.intake.column_guesses import guess_channel
from lowambient.intake.instants import reads
from lowambient.intake.proposals import CHECK, propose
from lowambient.profile import ChannelSource, ColumnSource, load_profile
from lowambient.records.inputs import CHANNELS, TABLES, required_columns

START = datetime(2016, 2, 20)


def package_file(package, name):
    """A data file of an installed package, found without importing it."""
    spec = importlib.util.find_spec(package)
    return next(Path(spec.submodule_search_locations[0]).rglob(name))


@pytest.fixture
def proposed(tmp_path):
    """Proposes for files in a folder and hands out the text and the sources of the profile that it makes."""

    def run(*names):
        text = propose([tmp_path / name for name in names])
        path = tmp_path / "fleet.toml"
        path.write_text(f'[fleet]\nname = "x"\n{text}', encoding="utf-8")
        return text, load_profile(path).sources

    return run


def names_of(source):
    return {target: column.column for target, column in source.columns.items()}


def units_of(source):
    return {target: column.unit for target, column in source.columns.items() if column.unit}


def line_with(text, word):
    return next(line for line in text.splitlines() if word in line)


def test_us_calls_with_a_twelve_hour_clock_and_a_totals_line(tmp_path, proposed):
    lines = ["Work Order #,Asset Tag,Customer,Call Type,Status,Date Opened,Date Closed,Problem Description,Labor Hrs"]
    for each in range(60):
        day, hour = 1 + each % 28, 1 + each % 12
        kind, status = ("Service", "PM", "Emergncy")[each % 3], ("Completed", "Void")[each % 2]
        opened, closed = f"03/{day:02d}/2016 {hour}:05 AM", f"03/{day:02d}/2016 {hour}:55 PM"
        lines.append(f"W{each},RTU-{each % 9},Birch Hall,{kind},{status},{opened},{closed},no cooling,{1 + each % 4}.5")
    lines.append("Total,,,,,,,,150.0")
    (tmp_path / "calls.csv").write_text("\n".join(lines), encoding="utf-8")
    text, (source,) = proposed("calls.csv")
    assert source.table == "calls"
    assert names_of(source) == {
        "call_id": "Work Order #",
        "unit_id": "Asset Tag",
        "opened_at": "Date Opened",
        "closed_at": "Date Closed",
        "work_type": "Call Type",
        "complaint": "Problem Description",
        "labour_h": "Labor Hrs",
        "status": "Status",
    }
    assert units_of(source) == {"labour_h": "h"}
    assert source.dates == ("%m/%d/%Y %I:%M %p",)
    assert source.time_zone == "site"
    assert CHECK in line_with(text, "time_zone =")
    assert source.values == {"work_type": {"Emergncy": "service"}}
    assert '"PM" = planned' in text
    assert '"Void" = cancelled' in text
    assert "totals line (line 62)" in text
    assert '# not mapped: "Customer"' in text


def test_a_german_unit_list_in_cp1252_with_semicolons_and_decimal_commas(tmp_path, proposed):
    lines = ["Anlage;Standort;Kältemittel;Kälteleistung [kW];Betriebsart;ND aus [bar];ND ein [bar];Inbetriebnahme"]
    for each in range(40):
        gas, use = ("R410A", "R-407C", "R32")[each % 3], ("ganzjährig", "Komfort")[each % 2]
        lines.append(f"KA {each:03d};S{each % 7};{gas};{10 + each},5;{use};3,7;8,1;{1 + each % 28:02d}.06.2011")
    (tmp_path / "anlagen.csv").write_bytes("\r\n".join(lines).encode("cp1252"))
    text, (source,) = proposed("anlagen.csv")
    assert source.table == "units"
    assert (source.encoding, source.delimiter, source.decimal) == ("cp1252", ";", ",")
    assert source.dates == ("%d.%m.%Y",)
    assert names_of(source) == {
        "unit_id": "Anlage",
        "site_id": "Standort",
        "refrigerant": "Kältemittel",
        "capacity_kw": "Kälteleistung [kW]",
        "duty": "Betriebsart",
        "lp_cut_out_kpa": "ND aus [bar]",
        "lp_reset_kpa": "ND ein [bar]",
        "installed_on": "Inbetriebnahme",
    }
    assert units_of(source) == {"capacity_kw": "kW", "lp_cut_out_kpa": "barg", "lp_reset_kpa": "barg"}
    assert CHECK in line_with(text, "ND aus")
    assert source.values["duty"] == {"Komfort": "comfort"}
    assert '# "ganzjährig" = "…"  # 20 rows' in text


def test_a_workbook_gives_a_source_for_each_sheet(tmp_path, proposed):
    units = pl.DataFrame(
        {
            "Unit ID": [f"RTU-{each}" for each in range(30)],
            "Site": ["A", "B"] * 15,
            "Refrigerant Type": ["R-410A"] * 30,
            "Nominal Tons": [5.0, 7.5, 20.0] * 10,
            "Low Ambient Kit": ["Fan Cycle", "VFD", "Flood"] * 10,
            "LP Open (psig)": [54] * 30,
            "Installed": [datetime(2010, 5, 1), datetime(2012, 7, 9)] * 15,
        }
    )
    sites = pl.DataFrame(
        {
            "Site Code": ["A", "B"],
            "Lat": [41.9, 42.1],
            "Long": [-87.9, -88.0],
            "Elev (ft)": [650, 700],
            "TZ": ["Central", "America/Denver"],
        }
    )
    with xlsxwriter.Workbook(str(tmp_path / "lists.xlsx")) as book:
        units.write_excel(book, "Units")
        sites.write_excel(book, "Sites")
    text, (first, second) = proposed("lists.xlsx")
    assert (first.table, first.sheet, second.table, second.sheet) == ("units", "Units", "sites", "Sites")
    assert units_of(first) == {"capacity_kw": "ton", "lp_cut_out_kpa": "psig"}
    assert names_of(first)["head_control"] == "Low Ambient Kit"
    assert '"VFD" = fan speed' in text
    assert first.dates == ("iso",)
    assert names_of(second) == {
        "site_id": "Site Code",
        "latitude": "Lat",
        "longitude": "Long",
        "elevation_m": "Elev (ft)",
        "time_zone": "TZ",
    }
    assert units_of(second) == {"elevation_m": "ft"}
    assert second.values["time_zone"] == {"Central": "America/Chicago"}


def test_long_readings_with_instants_in_utc(tmp_path, proposed):
    points = {
        "SuctPress_psig": lambda hour: 118 + hour % 5,
        "HeadPress": lambda hour: 290 + hour % 9,
        "OA Temp": lambda hour: 30 + 10 * math.sin(hour),
        "CompSts": lambda hour: hour % 2,
        "ZoneHumidity": lambda hour: 40,
    }
    lines = ["Timestamp|Equip|Point Name|Value"]
    for hour in range(300):
        at = f"{START + timedelta(hours=hour):%Y-%m-%dT%H:%M:%SZ}"
        lines += [f"{at}|AC-1|{point}|{value(hour):.1f}" for point, value in points.items()]
    (tmp_path / "trend.csv").write_text("\n".join(lines), encoding="utf-8")
    text, (source,) = proposed("trend.csv")
    assert (source.table, source.layout, source.delimiter, source.dates) == ("readings", "long", "|", ("iso",))
    assert names_of(source) == {
        "unit_id": "Equip",
        "read_at": "Timestamp",
        "channel": "Point Name",
        "value": "Value",
    }
    assert source.channels == {
        "SuctPress_psig": ChannelSource("suction_kpa", "psig"),
        "HeadPress": ChannelSource("liquid_kpa", "psig"),
        "OA Temp": ChannelSource("outdoor_c", "°F"),
        "CompSts": ChannelSource("compressor_on"),
    }
    assert "from the header" in line_with(text, '"SuctPress_psig" =')
    assert "a guess" in line_with(text, '"HeadPress" =')
    assert CHECK in line_with(text, '"HeadPress" =')
    assert '# "ZoneHumidity" = "…"' in text
    assert "time_zone is not needed" in text


def test_packed_logger_files_named_by_unit_and_circuit_share_a_source(tmp_path, proposed):
    zone = ZoneInfo("America/Chicago")
    for name in ("RTU-12_c1", "RTU-13_c2"):
        lines = ["Trend export", "", "Date/Time,SP (psi),LP (psi),OAT_F,Comp,Fan Speed,Spare"]
        for step in range(288 * 20):
            at = (datetime(2016, 3, 1, 6, tzinfo=UTC) + timedelta(minutes=5 * step)).astimezone(zone)
            air = 40 + 10 * math.cos(2 * math.pi * (at.hour - 15) / 24)
            lines.append(
                f"{at:%m/%d/%y %H:%M},{115 + step % 7},{280 + step % 9},{air:.1f}"
                f",{('ON', 'OFF')[step % 2]},{step % 101},"
            )
        with gzip.open(tmp_path / f"{name}.csv.gz", "wt", encoding="utf-8") as file:
            file.write("\n".join(lines))
    text, (source,) = proposed("RTU-12_c1.csv.gz", "RTU-13_c2.csv.gz")
    assert len(source.files) == 2
    assert names_of(source) == {
        "read_at": "Date/Time",
        "suction_kpa": "SP (psi)",
        "liquid_kpa": "LP (psi)",
        "outdoor_c": "OAT_F",
        "compressor_on": "Comp",
        "fan_speed_fraction": "Fan Speed",
    }
    assert units_of(source) == {
        "suction_kpa": "psig",
        "liquid_kpa": "psig",
        "outdoor_c": "°F",
        "fan_speed_fraction": "%",
    }
    assert source.dates == ("%m/%d/%y %H:%M",)
    assert "stand on line 3" in text
    assert 'gives unit_id "RTU-12", circuit "1"' in text
    assert "circuit" not in source.constants
    assert source.time_zone == "site"
    assert "the hour from 2016-03-13 02:00 is left out" in line_with(text, "time_zone =")


def test_a_metric_logger_without_units_on_standard_time(tmp_path, proposed):
    lines = ["Zeitstempel;Anlage;Saugdruck;Hochdruck;Außentemperatur;Verdichter"]
    for step in range(288 * 20):
        at = datetime(2016, 3, 15) + timedelta(minutes=5 * step)
        air = 3 + 5 * math.cos(2 * math.pi * (at.hour - 15) / 24)
        row = f"{7 + step % 10 / 10:.2f};{18 + step % 7 / 10:.2f};{air:.1f};{step % 2}".replace(".", ",")
        lines.append(f"{at:%d.%m.%Y %H:%M:%S};KA 1;{row}")
    (tmp_path / "logger.csv").write_text("\n".join(lines), encoding="utf-8")
    text, (source,) = proposed("logger.csv")
    assert units_of(source) == {"suction_kpa": "barg", "liquid_kpa": "barg", "outdoor_c": "°C"}
    assert all("a guess" in line_with(text, name) for name in ("Saugdruck", "Hochdruck", "Außentemperatur"))
    assert (source.decimal, source.dates, source.time_zone) == (",", ("%d.%m.%Y %H:%M:%S",), None)
    assert "standard time all year or UTC" in text
    assert source.constants == {"circuit": "1"}


def test_json_lines_with_epoch_seconds_and_camel_case(tmp_path, proposed):
    rows = [
        {
            "ts": 1455926400 + 60 * each,
            "unitId": "RTU-5",
            "suctionPressure": 118.2,
            "liquidPressure": 290.1,
            "outdoorAirTemp": -3.2,
            "suctionLineTemp": 8.2,
        }
        for each in range(200)
    ]
    (tmp_path / "probe.jsonl").write_text("\n".join(map(json.dumps, rows)), encoding="utf-8")
    _, (source,) = proposed("probe.jsonl")
    assert names_of(source)["read_at"] == "ts"
    assert (source.dates, source.time_zone) == (("epoch s",), "UTC")
    # -3.2 can only be °C, and so the other temperature is taken as °C too, though the pressures are in psig.
    assert units_of(source) == {
        "suction_kpa": "psig",
        "liquid_kpa": "psig",
        "outdoor_c": "°C",
        "suction_line_c": "°C",
    }


def test_parquet_weather_with_units_in_its_names(tmp_path, proposed):
    hours = [START + timedelta(hours=each) for each in range(48)]
    frame = pl.DataFrame(
        {
            "station": ["ORD"] * 48,
            "time": hours,
            "temp_f": [20.5] * 48,
            "dew_f": [11.0] * 48,
            "wind_mph": [5.0] * 48,
        }
    )
    frame.write_parquet(tmp_path / "wx.parquet")
    _, (source,) = proposed("wx.parquet")
    assert source.table == "weather"
    assert units_of(source) == {"temperature_c": "°F", "dew_point_c": "°F", "wind_m_s": "mph"}
    assert source.dates == ("iso",)


def test_two_circuits_side_by_side_a_line_of_units_and_a_stand_in_for_missing(tmp_path, proposed):
    lines = [
        "Date Time,Unit,Ckt 1 Suction Press,Ckt 2 Suction Press,Ckt 1 Head Press,Outdoor Air Temp,LPS",
        ",,psig,psig,psig,deg F,",
    ]
    for each in range(200):
        first = -999 if each % 50 == 0 else 118 + each % 5
        lines.append(
            f"1/{13 + each % 15}/2016 {1 + each % 12}:00 PM,RTU-7,{first},{119 + each % 3},{300 + each % 8}"
            f",31.5,{('Closed', 'Open')[each % 2]}"
        )
    (tmp_path / "two.csv").write_text("\n".join(lines), encoding="utf-8")
    text, (source,) = proposed("two.csv")
    assert units_of(source) == {"suction_kpa": "psig", "liquid_kpa": "psig", "outdoor_c": "°F"}
    assert names_of(source)["suction_kpa"] == "Ckt 1 Suction Press"
    assert names_of(source)["lp_switch_closed"] == "LPS"
    assert source.constants == {"circuit": "1"}
    assert source.missing == ("-999",)
    assert "looks like suction_kpa, perhaps of another circuit" in line_with(
        text, '# not mapped: "Ckt 2 Suction Press"'
    )
    assert "a line of units" in text


def test_absolute_metric_readings_with_the_time_of_day_apart(tmp_path, proposed):
    lines = ["Date,Time,Suction Temp (°C),Suction Pressure (bar(a)),Discharge Pressure (bar(a)),Amb °C"]
    lines += [
        f"2016-02-{1 + each // 24:02d},{each % 24:02d}:00,8.{each % 9},8.4,19.2,3.{each % 7}" for each in range(200)
    ]
    (tmp_path / "RTU9.csv").write_text("\n".join(lines), encoding="utf-8")
    text, (source,) = proposed("RTU9.csv")
    assert units_of(source) == {
        "suction_kpa": "bara",
        "discharge_kpa": "bara",
        "suction_line_c": "°C",
        "outdoor_c": "°C",
    }
    assert 'stands apart, in "Time"' in text
    assert 'gives unit_id "RTU9"' in text


@pytest.mark.parametrize(("units", "order"), [("psig", "month first"), ("barg", "day first")])
def test_days_and_months_that_cannot_be_told_apart_are_said(tmp_path, proposed, units, order):
    pressure = {"psig": 118.5, "barg": 8.2}[units]
    lines = [f"Unit,Time,Suction Pressure ({units})"]
    lines += [f"U1,0{1 + each % 9}/0{1 + each % 7}/2016 10:{each:02d},{pressure}" for each in range(60)]
    (tmp_path / "log.csv").write_text("\n".join(lines), encoding="utf-8")
    text, (source,) = proposed("log.csv")
    assert (source.dates, source.date_order) == ((), order)
    assert "can be read either way" in line_with(text, "dates =")
    assert CHECK in line_with(text, "dates =")


def test_one_date_column_that_proves_the_order_decides_for_the_other(tmp_path, proposed):
    lines = ["Ticket,Unit,Opened,Closed,Complaint"]
    lines += [
        f"T{each},U1,0{1 + each % 9}/0{1 + each % 7}/2016 10:00,{13 + each % 15}/05/2016 11:00,cold store warm"
        for each in range(60)
    ]
    (tmp_path / "calls.csv").write_text("\n".join(lines), encoding="utf-8")
    _, (source,) = proposed("calls.csv")
    assert (source.dates, source.date_order) == (("%d/%m/%Y %H:%M",), None)


@pytest.mark.parametrize(
    ("name", "text", "table"),
    [
        ("alias.csv", "Alias,Unit ID\nrooftop one,RTU-1\nrooftop two,RTU-2\n", "aliases"),
        (
            "checks.csv",
            "Unit,Suspected,Date,Result\nRTU-1,cold lockout,2016-01-05,confirmed\n"
            "RTU-2,low charge,2016-01-07,not found\n",
            "checks",
        ),
        (
            "stn.tsv",
            "USAF\tSTATION NAME\tLAT\tLON\tELEV(M)\n725300\tCHICAGO\t41.995\t-87.934\t201.8\n",
            "stations",
        ),
        (
            "own.csv",
            "unit_id,read_at,suction_kpa\nU1,2016-01-01T00:00:00Z,900\nU1,2016-01-01T00:05:00Z,905\n",
            "readings",
        ),
    ],
)
def test_small_tables_are_known_by_their_columns(tmp_path, proposed, name, text, table):
    (tmp_path / name).write_text(text, encoding="utf-8")
    _, (source,) = proposed(name)
    assert source.table == table
    assert source.columns.keys() >= set(required_columns(table))


def test_the_contracts_own_column_names_are_absolute(tmp_path, proposed):
    (tmp_path / "own.csv").write_text("unit_id,read_at,suction_kpa\nU1,2016-01-01T00:00:00Z,900\n", encoding="utf-8")
    _, (source,) = proposed("own.csv")
    assert source.columns["suction_kpa"] == ColumnSource("suction_kpa", "kPaa")


def test_a_file_like_no_table_is_told_so_with_its_columns(tmp_path):
    (tmp_path / "junk.csv").write_text("foo,bar\nx,y\nz,w\n", encoding="utf-8")
    text = propose([tmp_path / "junk.csv"])
    assert "looks like no table" in text
    assert '# not mapped: "foo"  # "x", "z"' in text
    assert "[[source]]" not in text


def test_files_that_cannot_be_looked_at_are_refused_with_a_sentence(tmp_path):
    (tmp_path / "empty.csv").write_text("", encoding="utf-8")
    (tmp_path / "binary.csv").write_bytes(bytes(range(256)) * 20)
    (tmp_path / "no.xlsx").write_bytes(b"PK\x03\x04[Content_Types].xml but nothing else")
    (tmp_path / "cut.csv.gz").write_bytes(gzip.compress(b"a,b\n1,2\n" * 500)[:40])
    for name, says in {
        "empty.csv": "is empty",
        "binary.csv": "not text",
        "no.xlsx": "not a readable spreadsheet",
        "cut.csv.gz": "damaged gzip",
        "missing.csv": "does not exist",
        ".": "is a folder",
    }.items():
        with pytest.raises(InputRefused, match=says) as refusal:
            propose([tmp_path / name])
        assert "\n" not in str(refusal.value)


def test_names_with_quotes_breaks_and_controls_still_give_toml(tmp_path, proposed):
    header = '"Asset ""Tag""","Time","Suction\nPressure (psig)","x\x7fy\x01"\n'
    (tmp_path / "odd.csv").write_text(
        header + "U1,2016-01-01 10:00,118,a\nU1,2016-01-01 10:05,119,b\n", encoding="utf-8"
    )
    _, (source,) = proposed("odd.csv")
    assert names_of(source)["unit_id"] == 'Asset "Tag"'
    assert names_of(source)["suction_kpa"] == "Suction\nPressure (psig)"


# --- published weather files

ISD_LITE = package_file("diyepw", "725300-2015.gz")  # NOAA ISD-Lite, Chicago O'Hare, observed 2015, UTC


def ohare():
    """UTC instants and air temperatures of the ISD-Lite file, read by its published layout (NOAA)."""
    with gzip.open(ISD_LITE, "rt", encoding="ascii") as file:
        rows = [line.split() for line in file]
    return [(datetime(*map(int, row[:4]), tzinfo=UTC), int(row[4]) / 10) for row in rows if row[4] != "-9999"]


@pytest.mark.parametrize(
    ("package", "pattern", "format_", "says"),
    [
        ("diyepw", "725300-2015.gz", "isd-lite", 'Station "725300" by the file name'),
        ("pvlib", "723170TYA.CSV", "tmy3", 'Station "723170", "GREENSBORO'),
        ("diyepw", "USA_IL_Chicago*.epw", "epw", "UTC-6 h"),
    ],
)
def test_weather_formats_are_known_by_their_first_lines(tmp_path, package, pattern, format_, says):
    text = propose([package_file(package, pattern)])
    path = tmp_path / "fleet.toml"
    path.write_text(f'[fleet]\nname = "x"\n{text}', encoding="utf-8")
    (source,) = load_profile(path).sources
    assert (source.table, source.format, source.columns) == ("weather", format_, {})
    assert says in text


@pytest.mark.parametrize(
    ("zone", "kind", "says"),
    [
        (
            "America/Chicago",
            "local",
            "North American daylight saving shows: the hour from 2015-03-08 02:00 is left out,"
            " the hour from 2015-11-01 01:00 comes twice",
        ),
        ("Europe/Berlin", "local", "European daylight saving shows: the hour from 2015-03-29 02:00 is left out"),
        ("Etc/GMT+6", "standard", "the air is warmest near 15:00"),
        ("UTC", "utc", "the air is warmest near 21:00"),
    ],
)
def test_real_hours_show_the_clock_they_are_written_by(zone, kind, says):
    # Observed hours of O'Hare (UTC-6), written by four clocks with the tz database's rules.
    rows = ohare()
    texts = [f"{at.astimezone(ZoneInfo(zone)):%Y-%m-%d %H:%M}" for at, _ in rows]
    clock = guess_clock(texts, ["iso"], ["ORD"] * len(rows), [air for _, air in rows])
    assert clock.kind == kind
    assert says in clock.reason


def test_local_hours_are_not_denied_by_the_rules_of_another_hemisphere():
    # 1-19 October 2015 hold the Australian change (the 4th) only; the North American came on 1 November.
    rows = [(at, air) for at, air in ohare() if at.month == 10 and at.day < 20]
    texts = [f"{at.astimezone(ZoneInfo('America/Chicago')):%Y-%m-%d %H:%M}" for at, _ in rows]
    assert guess_clock(texts, ["iso"], ["ORD"] * len(rows), [air for _, air in rows]).kind == "unknown"


def test_rows_of_several_channels_an_instant_are_no_repeated_hour(tmp_path, proposed):
    lines = ["Unit,Time,Point,Value"]
    for hour in range(24 * 20):
        at = f"{datetime(2016, 10, 28) + timedelta(hours=hour):%Y-%m-%d %H:%M}"  # standard time all year
        lines += [f"U1,{at},{point},{value}" for point, value in (("SuctPress", 118), ("LiqPress", 290), ("OAT", 41))]
    (tmp_path / "trend.csv").write_text("\n".join(lines), encoding="utf-8")
    text, _ = proposed("trend.csv")
    assert "comes twice" not in text


def test_hours_within_one_season_cannot_show_the_clock():
    rows = [(at, air) for at, air in ohare() if at.month in (1, 2)]
    texts = [f"{at.astimezone(ZoneInfo('America/Chicago')):%Y-%m-%d %H:%M}" for at, _ in rows]
    assert guess_clock(texts, ["iso"], ["ORD"] * len(rows), [air for _, air in rows]).kind == "unknown"


def test_a_published_local_series_with_its_hour_left_out_is_found_out(tmp_path):
    # vega_datasets 0.9.0 seattle-temps.csv: 8,759 rows, 2010-03-14 03:00 is missing; stamps end their hour.
    text = propose([package_file("vega_datasets", "seattle-temps.csv")])
    assert 'table = "weather"' in text
    assert 'dates = "%Y/%m/%d %H:%M"' in text
    assert "North American daylight saving shows: the hour from 2010-03-14 02:00 is left out" in text
    assert 'temperature_c = { column = "temp", unit = "°F" }' in text


@pytest.mark.parametrize(
    ("format_", "texts"),
    [
        (
            "iso",
            [
                "2016-03-01",
                "2016-03-01 04:05",
                "2016-03-01T04:05:06.25",
                "2016-03-01 04:05Z",
                "2016-03-01T04:05-06:00",
            ],
        ),
        ("epoch s", ["1456805106", "1456805106.5"]),
        ("epoch ms", ["1456805106250"]),
        ("%m/%d/%Y %I:%M %p", ["3/1/2016 4:05 PM", "12/31/2016 12:00 AM"]),
        ("%d.%m.%y %H:%M:%S", ["01.03.16 04:05:06"]),
        ("%d-%b-%Y", ["01-Mar-2016"]),
        ("%Y%m%d %H%M", ["20160301 0405"]),
    ],
)
def test_times_are_parsed_as_the_standard_library_parses_them(format_, texts):
    found = parsed(texts, [format_]).to_list()
    for text, at in zip(texts, found, strict=True):
        assert reads(format_, text)
        if format_ == "iso":
            expected = datetime.fromisoformat(text).replace(tzinfo=None)
        elif format_.startswith("epoch"):
            expected = datetime.fromtimestamp(float(text) / (1000 if "ms" in format_ else 1), UTC).replace(tzinfo=None)
        else:
            expected = datetime.strptime(text, format_)
        assert at == expected


# --- the words that guesses rest on


def test_every_column_of_the_contract_has_words_and_no_word_is_of_another_contract():
    known = {table: set(schema.column_names()) for table, schema in TABLES.items()}
    known["long"] = {"unit_id", "circuit", "read_at", "channel", "value", "value_unit"}
    names = header_words.column_names()
    assert names.keys() == known.keys()
    for table, columns in names.items():
        assert columns.keys() == known[table], table
        assert all(word for words in columns.values() for word in words)


def test_typical_ranges_lie_within_the_limits_of_their_columns():
    ranged = [row for row in reference.rows("column_words") if row["typical_low"]]
    assert len(ranged) > 20
    for row in ranged:
        limit = reference.limit(TABLES[row["table"]].columns()[row["column"]].metadata["limit"])
        assert limit.lower <= float(row["typical_low"]) < float(row["typical_high"]) <= limit.upper


@pytest.mark.parametrize("channel", CHANNELS)
def test_each_channel_is_known_by_its_own_words(channel):
    words = next(
        row["words"] for row in reference.rows("column_words") if (row["table"], row["column"]) == ("readings", channel)
    )
    first = words.split("|")[0]
    assert guess_channel(first) == (channel, 100.0)
    assert guess_channel(first.title().replace(" ", "")) == (channel, 100.0)
    assert guess_channel(first.upper().replace(" ", "_")) == (channel, 100.0)


def test_numbers_are_read_by_the_files_decimal_sign():
    read = samples.as_number
    assert [read(text, ".") for text in ("1.5", "-3", "1,234.5", ".5", "1e3")] == [1.5, -3, 1234.5, 0.5, 1000]
    assert [read(text, ",") for text in ("1,5", "-3", "1.234,5", ",5")] == [1.5, -3, 1234.5, 0.5]
    assert [read(text, ".") for text in ("", "E0", "12 A", "1.2.3", "1,5", "-", "nan", "1e999")] == [None] * 8


def test_a_long_file_is_looked_into_at_several_places(tmp_path, proposed):
    # Sorted by channel: the second and third come long after the records that are read from the start.
    lines = ["Unit,Time,Point,Value"]
    for point, value in (("SuctPress", 118), ("LiqPress", 290), ("OAT", 25)):
        lines += [f"U1,{START + timedelta(minutes=each):%Y-%m-%d %H:%M},{point},{value}" for each in range(40_000)]
    (tmp_path / "long.csv").write_text("\n".join(lines), encoding="utf-8")
    text, (source,) = proposed("long.csv")
    assert "not all of them" in text
    assert {each.channel for each in source.channels.values()} == {"suction_kpa", "liquid_kpa", "outdoor_c"}
    assert {each.unit for each in source.channels.values()} == {"psig", "°F"}


def test_pressures_of_an_idle_circuit_are_told_by_their_upper_tenth(tmp_path, proposed):
    # Idle four hours of five: both sides stand at 290 kPa gauge, which would be usual for a liquid line in psi.
    lines = ["Asset,Stamp,Channel,Value"]
    for each in range(1000):
        at, runs = f"{START + timedelta(minutes=5 * each):%Y-%m-%d %H:%M:%S}", each % 5 == 0
        lines += [f"CU-1,{at},SucP,{310 if runs else 290}", f"CU-1,{at},LiqP,{1500 if runs else 290}"]
    (tmp_path / "ledger.csv").write_text("\n".join(lines), encoding="utf-8")
    text, (source,) = proposed("ledger.csv")
    assert {each.channel: each.unit for each in source.channels.values()} == {
        "suction_kpa": "kPag",
        "liquid_kpa": "kPag",
    }
    assert "an upper tenth of 1500" in line_with(text, '"LiqP" =')


def test_temperatures_of_one_file_are_in_one_unit(tmp_path, proposed):
    # 40 alone would be usual for a liquid line in °C; the others can only be °F.
    lines = ["Unit,Time,Suction Line Temp,Liquid Line Temp,Return Air Temp"]
    lines += [f"U1,{START + timedelta(minutes=each):%Y-%m-%d %H:%M},54.1,40.{each % 9},72.5" for each in range(60)]
    (tmp_path / "log.csv").write_text("\n".join(lines), encoding="utf-8")
    text, (source,) = proposed("log.csv")
    assert units_of(source) == {"suction_line_c": "°F", "liquid_line_c": "°F", "return_air_c": "°F"}
    assert "as the other temperatures of the file" in line_with(text, "Liquid Line Temp")


def test_one_impossible_date_does_not_hide_the_format(tmp_path, proposed):
    lines = ["Ticket,Unit,Opened,Complaint", "T0,U1,13/32/2016 08:00 AM,no cooling"]
    lines += [f"T{each},U1,02/{1 + each % 28:02d}/2016 {1 + each % 12:02d}:00 PM,no cooling" for each in range(1, 60)]
    (tmp_path / "calls.csv").write_text("\n".join(lines), encoding="utf-8")
    _, (source,) = proposed("calls.csv")
    assert source.columns["opened_at"] == ColumnSource("Opened")
    assert source.dates == ("%m/%d/%Y %I:%M %p",)


def test_a_title_above_the_names_of_a_sheet_is_passed_over(tmp_path, proposed):
    with xlsxwriter.Workbook(str(tmp_path / "list.xlsx")) as book:
        sheet = book.add_worksheet("Equipment")
        sheet.write(0, 0, "Larkspur - equipment list")
        for row, cells in enumerate(
            [["Unit Tag", "Site No", "Refrigerant", "Tons"], *[[f"RTU-{n}", "S1", "R-410A", 7.5] for n in range(9)]]
        ):
            sheet.write_row(row + 2, 0, cells)
    text, (source,) = proposed("list.xlsx")
    assert names_of(source)["unit_id"] == "Unit Tag"
    assert "stand on line 3" in text


def test_many_files_of_one_folder_are_named_by_a_glob_that_takes_no_others(tmp_path, proposed):
    for month in range(1, 6):
        (tmp_path / f"log_2016-0{month}.csv").write_text(
            f"Unit,Time,SP (psig)\nU1,2016-0{month}-01 10:00,118\n", encoding="utf-8"
        )
    names = [f"log_2016-0{month}.csv" for month in range(1, 6)]
    _, (source,) = proposed(*names)
    assert source.files == ((tmp_path / "log_2016-*.csv").as_posix(),)
    (tmp_path / "log_2016-old.csv").write_text("", encoding="utf-8")
    _, (source,) = proposed(*names)
    assert source.files == tuple((tmp_path / name).as_posix() for name in names)


def test_a_header_that_names_its_clock_is_believed(tmp_path, proposed):
    (tmp_path / "RTU1.csv").write_text('"Date Time, GMT-06:00",SP (psig)\n01/20/16 01:00:00 PM,118\n', encoding="utf-8")
    _, (source,) = proposed("RTU1.csv")
    assert source.time_zone == "UTC-06:00"
    assert names_of(source)["read_at"] == "Date Time, GMT-06:00"


def test_a_unit_column_without_gauge_or_absolute_asks_for_the_reference(tmp_path, proposed):
    lines = ["Unit,Time,Point,Value,Units"]
    for each in range(60):
        at = f"2016-01-{1 + each % 28:02d} 10:{each:02d}"
        lines += [f"U1,{at},Suction Pressure,118,psi", f"U1,{at},Outdoor Temp,25,deg F"]
    (tmp_path / "trend.csv").write_text("\n".join(lines), encoding="utf-8")
    text, (source,) = proposed("trend.csv")
    assert source.pressure == "gauge"
    assert CHECK in line_with(text, "pressure =")
    assert source.columns["value_unit"].column == "Units"


def test_examples_in_the_docstrings():
    for module in (samples, header_words, clock_guesses):
        assert doctest.testmod(module).failed == 0
    assert doctest.testmod(samples).attempted + doctest.testmod(header_words).attempted >= 2
