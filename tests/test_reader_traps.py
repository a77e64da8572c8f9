"""What breaks readers of exports: breaks in quotes, late types, swapped columns, bad bytes, stray marks, odd files.

Records are counted here with Python's csv module or by the lines of the file, never by the package.
"""

import csv
import gzip
import io
import json
import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
import xlsxwriter
from conftest import CALLS, CALLS_SOURCE, LONG_SOURCE, WEATHER_SOURCE, WIDE_SOURCE, SmallFleet

from lowambient.errors import InputRefused
from lowambient.intake import dialect as dialects
from lowambient.store import Store, queries

CALLS_HEADER = "Ticket,Unit,Opened,Closed,Type,Complaint,Hours\n"
WIDE_HEADER = "Unit,Time,SP,LP,OAT\n"
NOTED_HEADER = "Unit,Time,SP,LP,OAT,Note\n"
LONG_HEADER = "Unit,Time,Point,Value\n"
START = datetime(2016, 1, 5)
BREAKS = 'fans on, coil "clean"\nbelt tight; left gauge on\r\n\nback, later\n' * 8
# barometer at the 205 m of site S1 (ISO 2533), and 1 psi (NIST SP 811), kPa
BAROMETER_KPA = 98.88
PSI_KPA = 6.894757


def call(number: int, note: str = "x", hours: str = "1", work: str = "service") -> str:
    return f"C{number},RTU-1,2016-01-{1 + number % 28:02d} 09:00,,{work},{note},{hours}\n"


def wide(number: int, suction: object = 100, more: str = "", unit: str = "RTU-1") -> str:
    return f"{unit},{START + timedelta(minutes=number):%Y-%m-%d %H:%M},{suction},250,38{more}\n"


def long(number: int, value: object = 100, point: str = "SP", unit: str = "RTU-1") -> str:
    return f"{unit},{START + timedelta(minutes=number):%Y-%m-%d %H:%M},{point},{value}\n"


def load(fleet: SmallFleet, source: str, name: str, content: str | bytes, *, threads: int | None = None) -> Store:
    """Writes one file and loads it through the source of its kind, pointed at that name."""
    fleet.write(name, content)
    (old,) = [line for line in source.splitlines() if line.startswith("files")]
    return fleet.add(source.replace(old, f'files = "{name}"')).load(threads=threads)


def in_utc(source: str) -> str:
    """The source with times that no clock change touches."""
    return source.replace("America/Chicago", "UTC")


def calls(store: Store) -> list[str]:
    return store.frame("in_calls", "call_id")["call_id"].to_list()


def readings(store: Store) -> pl.DataFrame:
    return store.frame("in_readings", "unit_id, circuit, read_at")


def suction_psig(store: Store) -> list[float | None]:
    """Suction as it was written."""
    return [
        None if kpa is None else round((kpa - BAROMETER_KPA) / PSI_KPA, 1) for kpa in readings(store)["suction_kpa"]
    ]


def quarantined(store: Store) -> list[tuple[int, str]]:
    return store.connection.execute("select line, row from quarantine order by source, line").fetchall()


def notes(store: Store) -> list[str]:
    return [row[0] for row in store.connection.execute("select note from file_notes order by all").fetchall()]


def csv_rows(text: str) -> list[list[str]]:
    """Records below the header, as Python's csv module reads them."""
    return [row for row in csv.reader(io.StringIO(text, newline="")) if row][1:]


def csv_text(header: str, rows: list[list[object]]) -> str:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n").writerows(rows)
    return header + out.getvalue()


def check_small_files(fleet: SmallFleet, count: int) -> None:
    """Each of `count` logger files is a line of its own in `loads`, and all of their readings are there."""
    for place in range(count):
        fleet.write(f"wide_{place:03d}.csv", WIDE_HEADER + wide(2 * place, place) + wide(2 * place + 1, place))
    store = fleet.add(WIDE_SOURCE).load()
    found = store.frame("loads").filter(target="readings")
    assert found["source"].to_list() == [f"wide_{place:03d}.csv" for place in range(count)]
    assert found.select("rows_read", "loaded", "refused", "repeated").unique().rows() == [(2, 2, 0, 0)]
    assert suction_psig(store) == [place // 2 for place in range(2 * count)]


def check_breaks_in_readings(fleet: SmallFleet, count: int, least_bytes: int) -> None:
    """A file of `count` wide readings, each with a line break in a quoted note, is read whole by several threads.

    Below the break stands as much as a record has cells, so that a reader which begins there takes it for one.
    """
    rows = [
        ["RTU-1", f"note {n} {'long ' * 80}\nbelt, ok", f"{START + timedelta(minutes=n)}", n % 300, 250, 38]
        for n in range(count)
    ]
    text = csv_text("Unit,Note,Time,SP,LP,OAT\n", rows)
    assert len(text) > least_bytes
    assert len(csv_rows(text)) == count
    store = load(fleet, in_utc(WIDE_SOURCE), "wide.csv", text, threads=4)
    assert fleet.counts(store, "wide.csv") == (count, count, 0, 0)
    assert suction_psig(store) == [n % 300 for n in range(count)]


def check_breaks_in_calls(fleet: SmallFleet, count: int, least_bytes: int) -> None:
    """A file of `count` calls, each with line breaks in its complaint, is read whole, and each complaint stands."""
    rows = [
        [f"C{n}", "RTU-1", f"{START + timedelta(minutes=n)}", "", "service", f"{n} {BREAKS}", 1] for n in range(count)
    ]
    text = csv_text(CALLS_HEADER, rows)
    assert len(text) > least_bytes
    expected = {row[0]: row[5].strip() for row in csv_rows(text)}
    store = load(fleet, in_utc(CALLS_SOURCE), "calls.csv", text, threads=4)
    assert fleet.counts(store, "calls.csv") == (count, count, 0, 0)
    assert dict(store.frame("in_calls").select("call_id", "complaint").rows()) == expected


# --- line breaks in quotes, over the bounds of a parallel reader's chunks ------------------------------------------


def test_readings_with_a_break_in_every_record_are_neither_lost_nor_split(
    fleet: SmallFleet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Small buffers stand for a large file: forty bounds of buffers, nearly all of them inside quotes."""
    text_of, limit = queries.text, "max_line_size = 4194304"
    assert limit in text_of("staging", "fast_source")
    small = "max_line_size = 100000, buffer_size = 200000"
    monkeypatch.setattr(queries, "text", lambda kind, name: text_of(kind, name).replace(limit, small))
    check_breaks_in_readings(fleet, 18_000, 8_000_000)


def test_calls_with_a_break_in_every_record_keep_their_texts(fleet: SmallFleet) -> None:
    check_breaks_in_calls(fleet, 15_000, 8_000_000)


# --- what comes late, and what stands elsewhere --------------------------------------------------------------------


def test_a_value_of_another_type_at_row_30001_is_set_aside_alone(fleet: SmallFleet) -> None:
    lines = [wide(n, n % 300) for n in range(30_010)]
    lines[30_000] = wide(30_000, "OPEN")
    lines[30_001] = lines[30_001].replace("2016-", "clock lost 2016-")
    store = load(fleet, WIDE_SOURCE, "wide.csv", WIDE_HEADER + "".join(lines))
    assert fleet.counts(store, "wide.csv") == (30_010, 30_009, 1, 0)
    assert store.frame("set_aside").select("line", "column", "written").rows() == [(30_002, "suction_kpa", "OPEN")]
    assert quarantined(store) == [(30_003, lines[30_001].rstrip())]
    assert suction_psig(store) == [None if n == 30_000 else n % 300 for n in range(30_010) if n != 30_001]


def test_a_value_of_another_type_at_row_30001_of_a_long_file_is_refused_alone(fleet: SmallFleet) -> None:
    lines = [long(n, n % 300) for n in range(30_010)]
    lines[30_000] = long(30_000, "OPEN")
    store = load(fleet, LONG_SOURCE, "long.csv", LONG_HEADER + "".join(lines))
    assert fleet.counts(store, "long.csv") == (30_010, 30_009, 1, 0)
    assert fleet.reasons(store) == [(30_002, 'value: "OPEN" cannot be read')]
    assert suction_psig(store) == [n % 300 for n in range(30_010) if n != 30_000]


def test_columns_in_another_order_in_each_file_of_a_glob(fleet: SmallFleet) -> None:
    fleet.write("wide_a.csv", WIDE_HEADER + "RTU-1,2016-01-05 09:00,117,250,38\n")
    fleet.write("wide_b.csv", "OAT,LP,Extra,SP,Time,Unit\n37,240,9,110,2016-01-05 09:05,RTU-1\n")
    fleet.write("long_a.csv", LONG_HEADER + "RTU-2,2016-01-05 09:00,SP,117\n")
    fleet.write("long_b.csv", "Value,Point,Unit,Time\n110,SP,RTU-2,2016-01-05 09:05\n")
    fleet.write("weather_a.csv", "Station,Time,Temp\nW,2016-01-05 09:00,5\n")
    fleet.write("weather_b.csv", "Temp,Station,Time\n7,W,2016-01-05 10:00\n")
    store = fleet.add(WIDE_SOURCE).add(LONG_SOURCE).add(WEATHER_SOURCE).load()
    assert suction_psig(store) == [117, 110, 117, 110]
    first = readings(store).filter(unit_id="RTU-1")
    assert first["liquid_kpa"].to_list() == pytest.approx(
        [each * PSI_KPA + BAROMETER_KPA for each in (250, 240)], abs=0.05
    )
    assert first["outdoor_c"].to_list() == pytest.approx([3.3333, 2.7778], abs=0.001)
    assert store.frame("in_weather", "hour")["temperature_c"].to_list() == [5, 7]


def test_a_delimiter_of_its_own_in_each_file_of_a_glob(fleet: SmallFleet) -> None:
    for place, delimiter in enumerate(",;\t|"):
        text = WIDE_HEADER + wide(place, 100 + place) + wide(place + 10, "bad")
        fleet.write(f"wide_{place}.csv", text.replace(",", delimiter))
    store = fleet.add(WIDE_SOURCE).load()
    assert suction_psig(store) == [100, 101, 102, 103, None, None, None, None]
    assert store.frame("set_aside")["written"].to_list() == ["bad"] * 4


def test_many_small_logger_files(fleet: SmallFleet) -> None:
    """Twenty here, three hundred in `tests/long`."""
    check_small_files(fleet, 20)


# A browser names a second download "export [1].csv" or "export (1).csv": common practice, no source.
@pytest.mark.parametrize("kind", ["wide", "long", "parquet"])
def test_marks_of_a_glob_in_a_files_own_name(fleet: SmallFleet, kind: str) -> None:
    """The name `log [1].csv` is also a pattern that `log 1.csv` fits."""
    header, row, source = (LONG_HEADER, long, LONG_SOURCE) if kind == "long" else (WIDE_HEADER, wide, WIDE_SOURCE)
    suffix = "parquet" if kind == "parquet" else "csv"
    for place, name in enumerate(["log 1", "log [1]"]):
        text = header + row(place, 100 + place)
        if kind == "parquet":
            pl.read_csv(text.encode(), infer_schema=False).write_parquet(fleet.write(f"{name}.{suffix}", ""))
        else:
            fleet.write(f"{name}.{suffix}", text)
    store = fleet.add(source.replace(f"{'long' if kind == 'long' else 'wide'}*.csv", f"log*.{suffix}")).load()
    assert suction_psig(store) == [100, 101]
    assert [fleet.counts(store, f"{name}.{suffix}") for name in ("log 1", "log [1]")] == [(1, 1, 0, 0)] * 2


# --- quotes and long texts ---------------------------------------------------------------------------------------


def test_long_notes_and_quotes_inside_notes(fleet: SmallFleet) -> None:
    """24" is 24 inches: a quote that opens nothing, as people type it."""
    note = 'said "hi", left\n' * 7_000
    assert len(note) > 100_000
    text = csv_text(CALLS_HEADER, [["C1", "RTU-1", START, "", "service", note, 1]])
    text += call(2, 'belt 24" and 18" long') + call(3, '""') + call(4, '"""quoted"""') + call(5, '"a ""b"", c"')
    store = load(fleet, CALLS_SOURCE, "calls.csv", text)
    assert fleet.counts(store, "calls.csv") == (5, 5, 0, 0)
    assert store.frame("in_calls", "call_id")["complaint"].to_list() == [
        note.strip(),
        'belt 24" and 18" long',
        None,
        '"quoted"',
        'a "b", c',
    ]


def test_long_notes_and_quotes_inside_notes_beside_readings(fleet: SmallFleet) -> None:
    rows = [["RTU-1", START + timedelta(minutes=n), 100 + n, 250, 38, 'said "hi", left\n' * 7_000] for n in range(3)]
    text = csv_text(NOTED_HEADER, rows) + wide(3, 103, ',24" duct') + wide(4, 104, ',"a ""b"", c"')
    store = load(fleet, WIDE_SOURCE, "wide.csv", text)
    assert fleet.counts(store, "wide.csv") == (5, 5, 0, 0)
    assert suction_psig(store) == [100, 101, 102, 103, 104]


def test_an_unclosed_quote_among_readings_loses_its_own_record_only(fleet: SmallFleet) -> None:
    lines = [wide(n, n % 300, ',"n, m"' if n % 2 else ",n") for n in range(3_000)]
    bad = [700, 1501, 2999]
    for place in bad:
        lines[place] = wide(place, 7, ',"never closed, ok')
    store = load(fleet, WIDE_SOURCE, "wide.csv", NOTED_HEADER + "".join(lines))
    assert quarantined(store) == [(place + 2, lines[place].rstrip()) for place in bad]
    assert fleet.counts(store, "wide.csv") == (3_000, 2_997, 3, 0)
    assert suction_psig(store) == [n % 300 for n in range(3_000) if n not in bad]


def test_an_unclosed_quote_among_calls_loses_its_own_record_only(fleet: SmallFleet) -> None:
    lines = [call(n, f'"note {n}, ok"' if n % 2 else "x") for n in range(2_000)]
    bad = [500, 1001, 1999]
    for place in bad:
        lines[place] = call(place, '"never closed')
    store = load(fleet, CALLS_SOURCE, "calls.csv", CALLS_HEADER + "".join(lines))
    assert quarantined(store) == [(place + 2, lines[place].rstrip()) for place in bad]
    assert fleet.counts(store, "calls.csv") == (2_000, 1_997, 3, 0)
    assert set(calls(store)) == {f"C{n}" for n in range(2_000) if n not in bad}


def test_an_unclosed_quote_does_not_hide_the_next_record_that_ends_in_inches(fleet: SmallFleet) -> None:
    """Read as one record, the two would have the header's number of cells, and the second would be gone."""
    texts = ["x", '"unclosed', 'fan 24"', "x"]
    in_calls = [CALLS_HEADER, *(call(n, text) for n, text in enumerate(texts))]
    in_readings = [NOTED_HEADER, *(wide(n, 100 + n, f",{text}") for n, text in enumerate(texts))]
    fleet.write("calls.csv", "".join(in_calls))
    fleet.write("wide.csv", "".join(in_readings))
    store = fleet.add(CALLS_SOURCE).add(WIDE_SOURCE).load()
    assert calls(store) == ["C0", "C2", "C3"]
    assert suction_psig(store) == [100, 102, 103]
    assert quarantined(store) == [(3, in_calls[2].rstrip()), (3, in_readings[2].rstrip())]


def test_a_note_whose_last_line_reads_like_a_record_stays_whole(fleet: SmallFleet) -> None:
    """What tells it from an unclosed quote: its first line alone has too few cells for a record."""
    note = "parts:\nbelt, filter, fuse, coil, cap, key, fan"
    store = load(fleet, CALLS_SOURCE, "calls.csv", CALLS_HEADER + call(1, f'"{note}"') + call(2))
    assert store.frame("in_calls", "call_id")["complaint"].to_list() == [note, "x"]


# --- control characters ------------------------------------------------------------------------------------------


def test_nul_and_control_characters_in_texts_and_numbers(fleet: SmallFleet) -> None:
    text = CALLS_HEADER + "".join(call(n, "an ordinary note of some length") for n in range(10, 40))
    text += call(1, "a\0b\x01c\x07d") + call(2, hours="1\0") + call(3, hours="1\x01") + call(4, work="ser\0vice")
    text += call(5).replace("C5", "C\x025")
    store = load(fleet, CALLS_SOURCE, "calls.csv", text)
    assert fleet.counts(store, "calls.csv") == (35, 35, 0, 0)
    frame = store.frame("in_calls", "call_id")
    assert frame.filter(call_id="C1")["complaint"].item() == "a\0b\x01c\x07d"
    assert frame.filter(call_id="C4")["work_type"].item() == "service"
    assert frame.filter(call_id="C\x025").height == 1
    aside = store.frame("set_aside").select("line", "column", "written").rows()
    assert aside == [(33, "labour_h", "1\0"), (34, "labour_h", "1\x01")]


def test_a_logger_that_lost_power_ends_in_nul_bytes(fleet: SmallFleet) -> None:
    """A block of NUL bytes where a file system had not yet written: common practice, no source."""
    for name, count in (("wide_a.csv", 4_000), ("wide_b.csv", 50)):
        unit = "RTU-1" if count > 50 else "RTU-2"
        text = WIDE_HEADER + "".join(wide(n, n % 300, unit=unit) for n in range(count))
        fleet.write(name, text.encode() + bytes(4_096))
    store = fleet.add(WIDE_SOURCE).load()
    assert fleet.counts(store, "wide_a.csv") == (4_001, 4_000, 1, 0)
    assert fleet.counts(store, "wide_b.csv") == (51, 50, 1, 0)
    assert suction_psig(store) == [n % 300 for n in range(4_000)] + list(range(50))
    assert [line for line, _ in quarantined(store)] == [4_002, 52]


# --- line ends and byte order marks ------------------------------------------------------------------------------


def test_line_ends_of_old_machines_and_of_double_conversion(fleet: SmallFleet) -> None:
    for place, end in enumerate(["\r", "\r\r\n"]):
        text = CALLS_HEADER + call(2 * place) + call(2 * place + 1).replace("RTU-1", "RTU-99")
        fleet.write(f"calls_{place}.csv", text.replace("\n", end))
    store = fleet.add(CALLS_SOURCE).load()
    assert calls(store) == ["C0", "C2"]
    assert [row.replace("RTU-99", "RTU-1") for _, row in quarantined(store)] == [call(1).rstrip(), call(3).rstrip()]


def test_line_ends_that_change_within_a_file(fleet: SmallFleet) -> None:
    """A blank line less and a lone CR more make as many line feeds as records, and are still not one a line."""
    files = {
        "long.csv": (LONG_HEADER, long, "RTU-2", "\n\n", "\r"),
        "wide_a.csv": (WIDE_HEADER, wide, "RTU-1", "\n\n", "\r"),
        "wide_b.csv": (WIDE_HEADER, wide, "RTU-3", "\r\n", "\n"),
    }
    expected = []
    for name, (header, row, unit, *ends) in files.items():
        bad = row(6, 100, unit="RTU-77")
        lines = [header, *(row(n, 100 + n, unit=unit) for n in range(6)), bad, row(7, 107, unit=unit)]
        text = "".join(line.rstrip() + ends[n % 2] for n, line in enumerate(lines)).rstrip()
        fleet.write(name, text)
        before = text[: text.index("RTU-77")]
        line = 1 + before.count("\n") + before.count("\r") - before.count("\r\n")
        expected.append((name, line, bad.rstrip()))
    store = fleet.add(WIDE_SOURCE).add(LONG_SOURCE).load()
    assert readings(store).group_by("unit_id").len().sort("unit_id").rows() == [
        (unit, 7) for unit in ("RTU-1", "RTU-2", "RTU-3")
    ]
    assert suction_psig(store)[:14] == [100, 101, 102, 103, 104, 105, 107] * 2
    found = store.connection.execute("select source, line, row from quarantine order by all").fetchall()
    assert found == expected


def test_a_byte_order_mark_in_the_middle_of_joined_readings(fleet: SmallFleet) -> None:
    parts = [(WIDE_HEADER, wide, WIDE_HEADER), (WIDE_HEADER, wide, ""), (LONG_HEADER, long, LONG_HEADER)]
    for place, (header, row, again) in enumerate(parts):
        joined = [header + row(4 * place, 100) + row(4 * place + 1, 101), again + row(4 * place + 2, 102)]
        name = f"{'wide' if row is wide else 'long'}_{place}.csv"
        fleet.write(name, b"".join(part.encode("utf-8-sig") for part in joined))
    store = fleet.add(WIDE_SOURCE).add(LONG_SOURCE).load()
    assert suction_psig(store) == [100, 101, 102] * 3
    assert fleet.counts(store, "wide_0.csv") == fleet.counts(store, "long_2.csv") == (4, 3, 1, 0)
    assert fleet.counts(store, "wide_1.csv") == (3, 3, 0, 0)
    assert fleet.reasons(store) == [(4, "repeated header line")] * 2


@pytest.mark.parametrize(("encoding", "quote"), [("utf-8-sig", '"'), ("utf-16", "")])
def test_a_byte_order_mark_in_the_middle_of_joined_calls(fleet: SmallFleet, encoding: str, quote: str) -> None:
    """Standing before an opening quote, the mark must not turn the quote into a letter of its cell."""
    parts = [CALLS, CALLS_HEADER + call(3).replace("C3", f"{quote}C3{quote}"), f"{quote}C4{quote}{call(4)[2:]}"]
    store = load(fleet, CALLS_SOURCE, "calls.csv", b"".join(part.encode(encoding) for part in parts))
    assert calls(store) == ["C1", "C2", "C3", "C4"]
    assert fleet.reasons(store) == [(4, "repeated header line")]


# --- encodings ---------------------------------------------------------------------------------------------------


def test_the_letters_of_cp1252_that_latin_1_lacks(fleet: SmallFleet) -> None:
    """Bytes 0x80, 0x91-0x97 of the CP-1252 mapping table at unicode.org (from memory); 0x81 is none."""
    written = b"\x805 for \x91old\x92 \x93belt\x94 \x96 caf\xe9 \x97"
    text = (CALLS_HEADER + call(1, "NOTE") + call(2, "a CUT b")).encode()
    store = load(fleet, CALLS_SOURCE, "calls.csv", text.replace(b"NOTE", written).replace(b"CUT", b"\x81"))
    frame = store.frame("in_calls")
    assert frame["complaint"].to_list() == ["\u20ac5 for \u2018old\u2019 \u201cbelt\u201d \u2013 caf\u00e9 \u2014"]
    assert quarantined(store) == [(3, call(2, "a \\x81 b").rstrip())]
    assert fleet.reasons(store)[0][1].startswith("bytes that are not cp1252")


def test_a_header_in_cp1252(fleet: SmallFleet) -> None:
    text = WIDE_HEADER.replace("OAT", "OAT (°F)") + wide(0)
    store = load(fleet, WIDE_SOURCE.replace('"OAT"', '"OAT (°F)"'), "wide.csv", text.encode("cp1252"))
    assert readings(store)["outdoor_c"].to_list() == pytest.approx([3.3333], abs=0.001)


def test_utf_16_without_a_mark_is_proposed_and_said(fleet: SmallFleet) -> None:
    for place, encoding in enumerate(["utf-16-be", "utf-16-le"]):
        fleet.write(f"calls_{place}.csv", (CALLS_HEADER + call(place, "caf\u00e9 \u20ac")).encode(encoding))
    store = fleet.add(CALLS_SOURCE).load()
    assert store.frame("in_calls", "call_id")["complaint"].to_list() == ["caf\u00e9 \u20ac"] * 2
    assert notes(store) == [f"read as utf-16-{end}, which the profile does not say" for end in ("be", "le")]


def test_half_a_surrogate_pair_in_utf_16_quarantines_its_record(fleet: SmallFleet) -> None:
    text = (CALLS + call(3, "cut HALF here") + call(4)).encode("utf-16")
    store = load(fleet, CALLS_SOURCE, "calls.csv", text.replace("HALF".encode("utf-16-le"), b"\x3d\xd8"))
    assert calls(store) == ["C1", "C2", "C4"]
    ((line, row),) = quarantined(store)
    assert (line, row[:8]) == (4, "C3,RTU-1")
    assert fleet.reasons(store)[0][1].startswith("bytes that are not utf-16")


# --- packed files ------------------------------------------------------------------------------------------------


def test_gzip_that_unpacks_beyond_the_ratio_is_refused(fleet: SmallFleet) -> None:
    with pytest.raises(InputRefused, match=r"calls\.csv\.gz unpacks to far more than it should"):
        load(fleet, CALLS_SOURCE, "calls.csv.gz", gzip.compress(CALLS.encode() + bytes(80_000_000), 9))


def test_gzip_that_unpacks_beyond_the_size_is_refused(fleet: SmallFleet, monkeypatch: pytest.MonkeyPatch) -> None:
    packed = gzip.compress((WIDE_HEADER + "".join(wide(n, n) for n in range(4_000))).encode())
    monkeypatch.setattr(dialects, "GZIP_BYTES", 100_000)
    with pytest.raises(InputRefused, match=r"wide\.csv\.gz unpacks to far more than it should"):
        load(fleet, WIDE_SOURCE, "wide.csv.gz", packed)


def test_a_small_file_that_packs_well_is_no_bomb(fleet: SmallFleet) -> None:
    text = (CALLS_HEADER + call(1, "x" * 900_000)).encode()
    packed = gzip.compress(text, 9)
    assert len(text) > dialects.GZIP_RATIO * len(packed)
    store = load(fleet, CALLS_SOURCE, "calls.csv.gz", packed)
    assert store.frame("in_calls")["complaint"].str.len_chars().to_list() == [900_000]


def test_a_gzip_file_cut_short_is_refused_and_the_store_keeps_what_it_had(fleet: SmallFleet) -> None:
    """The first 64 KB are whole, so that nothing but reading to the end shows it."""
    text = CALLS_HEADER + "".join(call(n, str(n * 7919 % 100_003)) for n in range(3_000))
    packed = gzip.compress(text.encode())
    store = load(fleet, CALLS_SOURCE, "calls.csv.gz", packed)
    assert fleet.counts(store, "calls.csv.gz") == (3_000, 3_000, 0, 0)
    for cut in (4, 2_000):
        fleet.write("calls.csv.gz", packed[:-cut])
        with pytest.raises(InputRefused, match=r"calls\.csv\.gz is a damaged gzip file"):
            fleet.load()
    fleet.write("calls.csv.gz", packed)
    assert fleet.load().frame("in_calls").height == 3_000
    assert fleet.loaded.fresh == ()


def test_gzip_files_joined_are_one_file(fleet: SmallFleet) -> None:
    """RFC 1952, section 2.2: a gzip file is a series of members."""
    parts = [WIDE_HEADER + wide(0, 100), wide(1, 101) + wide(2, "bad")]
    store = load(fleet, WIDE_SOURCE, "wide.csv.gz", b"".join(gzip.compress(part.encode()) for part in parts))
    assert suction_psig(store) == [100, 101, None]
    assert store.frame("set_aside")["line"].to_list() == [4]


# --- files with little in them -----------------------------------------------------------------------------------


def test_a_column_name_that_comes_twice_is_asked_for_where_it_is_mapped(fleet: SmallFleet) -> None:
    with pytest.raises(InputRefused, match="more than one column named 'SP'"):
        load(fleet, WIDE_SOURCE, "wide.csv", "Unit,Time,SP,LP,OAT, sp\n" + wide(0, 100, ",9"))


def test_a_column_name_that_comes_twice_and_is_not_mapped_does_no_harm(fleet: SmallFleet) -> None:
    store = load(
        fleet, WIDE_SOURCE, "wide.csv", "X,Unit,X,,Time,SP,LP,OAT,\n1,RTU-1,2,3,2016-01-05 00:00,100,250,38,4\n"
    )
    assert suction_psig(store) == [100]


def test_files_with_a_header_only_give_nothing(fleet: SmallFleet) -> None:
    files = {
        "calls.csv": CALLS_HEADER.rstrip(),
        "long_a.csv": LONG_HEADER.rstrip(),
        "long_b.csv": LONG_HEADER + "\n\n",
        "wide.csv": WIDE_HEADER,
        "weather.csv": "Station,Time,Temp\n\n",
    }
    for name, text in files.items():
        fleet.write(name, text)
    store = fleet.add(CALLS_SOURCE).add(WIDE_SOURCE).add(LONG_SOURCE).add(WEATHER_SOURCE).load()
    assert [fleet.counts(store, name) for name in files] == [(0, 0, 0, 0)] * 5


@pytest.mark.parametrize(
    "content", [b"\n\n   \n\r\n", b"\xef\xbb\xbf", gzip.compress(b"")], ids=["blank", "mark", "gz"]
)
def test_a_file_without_any_record_is_refused(fleet: SmallFleet, content: bytes) -> None:
    with pytest.raises(InputRefused, match="has no record"):
        load(fleet, CALLS_SOURCE, "calls.csv", content)


# --- files that are none -----------------------------------------------------------------------------------------


def test_a_folder_where_a_file_is_meant(fleet: SmallFleet) -> None:
    (fleet.folder / "calls.csv").mkdir()
    fleet.add(CALLS_SOURCE.replace("calls*.csv", "calls.csv"))
    with pytest.raises(InputRefused, match="is a folder: name the files in it"):
        fleet.load()


def test_a_file_that_may_not_be_read(fleet: SmallFleet) -> None:
    path = fleet.write("calls.csv", CALLS)
    path.chmod(0)
    if os.access(path, os.R_OK):
        pytest.skip("root may read everything")
    with pytest.raises(InputRefused, match="no permission to open it"):
        fleet.add(CALLS_SOURCE).load()


@pytest.mark.parametrize(
    ("files", "to"),
    [("calls_a.csv", "gone.csv"), ("calls_a.csv", "calls_a.csv"), ("calls*.csv", "gone.csv")],
    ids=["by name", "to itself", "by glob"],
)
def test_a_link_that_leads_nowhere_is_refused_and_not_passed_over(fleet: SmallFleet, files: str, to: str) -> None:
    fleet.write("calls_b.csv", CALLS)
    Path(fleet.folder / "calls_a.csv").symlink_to(fleet.folder / to)
    fleet.add(CALLS_SOURCE.replace("calls*.csv", files))
    with pytest.raises(InputRefused, match=r"calls_a\.csv does not exist"):
        fleet.load()


# --- records with more than one fault, and lines that are none -----------------------------------------------------


def test_a_record_with_several_faults_is_one_row_of_the_quarantine(fleet: SmallFleet) -> None:
    both = ["'RTU-99'", '"soon"']
    files = {
        "calls.csv": (CALLS_HEADER + call(1), "C2,RTU-99,soon,,magic,x,lots\n", both),
        "long_a.csv": (LONG_HEADER + long(0), "RTU-99,soon,BATT,bad\n", both),
        "wide_a.csv": (WIDE_HEADER + wide(2), "RTU-99,soon,bad,bad,bad\n", both),
        "wide_b.csv": (WIDE_HEADER + wide(3), "RTU-99,soon,bad\n", ["3 cells where the header has 5"]),
    }
    for name, (sound, bad, _) in files.items():
        fleet.write(name, sound + bad)
    store = fleet.add(CALLS_SOURCE).add(LONG_SOURCE).add(WIDE_SOURCE).load()
    assert [fleet.counts(store, name) for name in files] == [(2, 1, 1, 0)] * 4
    for (line, reason), (_, _, said) in zip(fleet.reasons(store), files.values(), strict=True):
        assert line == 3
        assert all(part in reason for part in said)
    assert store.frame("set_aside").is_empty()


def test_readings_with_too_few_or_too_many_cells(fleet: SmallFleet) -> None:
    """Cells beyond the header that are empty are no cells: some programs end each line with a delimiter."""
    bad = {3: "RTU-1,2016-01-05 00:01\n", 5: wide(2, more=",4"), 7: "RTU-1;2016-01-05 00:09;1;2;3\n"}
    lines = [wide(n, 100 + n, ",," if n == 2 else "") for n in range(4)]
    text = WIDE_HEADER + lines[0] + bad[3] + lines[1] + bad[5] + lines[2] + bad[7] + lines[3]
    store = load(fleet, WIDE_SOURCE, "wide.csv", text)
    assert suction_psig(store) == [100, 101, 102, 103]
    assert quarantined(store) == [(line, row.rstrip()) for line, row in bad.items()]
    assert [reason for _, reason in fleet.reasons(store)] == [
        "2 cells where the header has 5",
        "6 cells where the header has 5",
        "1 cells where the header has 5",
    ]


def test_a_totals_line_below_readings_is_no_unit(fleet: SmallFleet) -> None:
    """Whether it has as many cells as the header or one only."""
    for place, (layout, header, row) in enumerate([("long", LONG_HEADER, long), ("wide", WIDE_HEADER, wide)]):
        unit = f"RTU-{place + 1}"
        lines = [header + row(n, 100 + n, unit=unit) + row(n + 1, 101 + n, unit=unit) for n in (0, 2)]
        fleet.write(f"{layout}_a.csv", lines[0] + "Total" + "," * header.count(",") + "99\n")
        fleet.write(f"{layout}_b.csv", lines[1] + "Total records: 2\n")
    store = fleet.add(WIDE_SOURCE).add(LONG_SOURCE).load()
    assert suction_psig(store) == [100, 101, 102, 103] * 2
    assert fleet.reasons(store) == [(4, "totals line")] * 4
    assert store.frame("unmatched").is_empty()


# --- decimal commas ----------------------------------------------------------------------------------------------


def test_semicolons_with_decimal_commas_and_thousands_separators(fleet: SmallFleet) -> None:
    """Separators of the locales de and fr-CA (U+00A0) in CLDR, from memory; what is in neither is not guessed."""
    written = [
        "1.234,5",
        "1 234,5",
        "1\u00a0234,5",
        "1.234",
        "1234,5",
        "1,5",
        "12.34,5",
        "1.5",
        "1,234,5",
        "1.234.567,8",
    ]
    lines = [f"RTU-1;2016-01-05 00:{place:02d};{value};0,5;-3,5\n" for place, value in enumerate(written)]
    source = WIDE_SOURCE.replace("psig", "kPag").replace("°F", "°C").replace("time_zone", 'decimal = ","\ntime_zone')
    store = load(fleet, source, "wide.csv", WIDE_HEADER.replace(",", ";") + "".join(lines))
    found = readings(store)
    gauge_kpa = [None if each is None else round(each - BAROMETER_KPA, 1) for each in found["suction_kpa"]]
    assert gauge_kpa == [1234.5, 1234.5, 1234.5, 1234, 1234.5, 1.5, None, None, None, None]
    assert store.frame("set_aside")["written"].to_list() == written[6:]
    assert found["outdoor_c"].unique().to_list() == [-3.5]


# --- clocks ------------------------------------------------------------------------------------------------------


def test_calls_of_the_hour_that_comes_twice_are_marked(fleet: SmallFleet) -> None:
    """The first pass is taken, and said, for it may be an hour off (US clocks went back on 2016-11-06)."""
    text = CALLS_HEADER + "C1,RTU-1,2016-11-06 01:30,,service,x,1\nC2,RTU-1,2016-11-06 02:30,,service,x,1\n"
    store = load(fleet, CALLS_SOURCE, "calls.csv", text)
    opened = store.frame("in_calls", "call_id")["opened_at"].to_list()
    assert opened == [datetime(2016, 11, 6, 6, 30, tzinfo=UTC), datetime(2016, 11, 6, 8, 30, tzinfo=UTC)]
    assert len(notes(store)) == 1
    assert "1 time" in notes(store)[0]
    assert "twice" in notes(store)[0]


def test_instants_with_an_offset_over_an_autumn(fleet: SmallFleet) -> None:
    """They name their instant whatever the clocks of the profile's zone do; US clocks went back on 2016-11-06."""
    instants = [datetime(2016, 11, 6, 5, 30, tzinfo=UTC) + timedelta(minutes=30 * step) for step in range(6)]
    kinds = [("wide_a", "%Y-%m-%dT%H:%M:%SZ"), ("wide_b", "%Y-%m-%d %H:%M:%S+00:00"), ("long_c", "%Y-%m-%dT%H:%M:%SZ")]
    for place, (name, form) in enumerate(kinds, 1):
        header, cells = (LONG_HEADER, "SP,{}") if name == "long_c" else (WIDE_HEADER, "{},250,38")
        lines = [f"RTU-{place},{at.strftime(form)},{cells.format(n + 1)}\n" for n, at in enumerate(instants)]
        fleet.write(f"{name}.csv", header + "".join(lines))
    store = fleet.add(WIDE_SOURCE).add(LONG_SOURCE).load()
    assert readings(store)["read_at"].to_list() == instants * 3
    assert suction_psig(store)[:12] == [1, 2, 3, 4, 5, 6] * 2
    assert readings(store)["suction_kpa"][12:].is_sorted()


def test_words_in_a_column_of_instants_are_not_taken_for_an_offset(fleet: SmallFleet) -> None:
    """A colon, and a dash behind it, are all that they share with one."""
    fleet.write("weather.csv", "Station,Time,Temp\nW,2016-01-05 09:00,1\nW,about 10:00 - or later,2\n")
    fleet.write("wide.csv", WIDE_HEADER + wide(0, 100) + wide(1, 101) + wide(2, 102).replace("2016-", "lost: 2016-"))
    fleet.write("calls.csv", CALLS_HEADER + call(1).replace("09:00,", "09:00,2016-01-02 10:00 - tbc"))
    store = fleet.add(WEATHER_SOURCE).add(WIDE_SOURCE).add(CALLS_SOURCE).load()
    assert fleet.counts(store, "weather.csv") == (2, 1, 1, 0)
    assert fleet.counts(store, "wide.csv") == (3, 2, 1, 0)
    assert fleet.counts(store, "calls.csv") == (1, 1, 0, 0)
    assert store.frame("set_aside").select("column", "written").rows() == [("closed_at", "2016-01-02 10:00 - tbc")]


# --- spreadsheets, Parquet, JSON lines -----------------------------------------------------------------------------


def workbook(path: Path, above: list[str | None], *, left: int = 0) -> None:
    """Three calls under a header, with `above` in the rows over it and `left` empty columns beside it."""
    header = CALLS_HEADER.strip().split(",")
    rows = [
        [1001, "RTU-1", datetime(2016, 1, 5, 9), datetime(2016, 1, 5, 11, 30), "service", "no cooling", "1.5"],
        ["1002", "RTU-3", "2016-01-06 10:30:00", None, "service", "belt", "a while"],
        [],
        [1003, "RTU-77", datetime(2016, 1, 7), None, "service", "fan", 2],
    ]
    with xlsxwriter.Workbook(path) as book:
        sheet, form = book.add_worksheet(), book.add_format({"num_format": "m/d/yy h:mm"})
        for line, title in enumerate(above):
            if title is not None:
                sheet.write_string(line, 0, title)
        for line, row in enumerate([header, *rows], len(above)):
            for column, cell in enumerate(row, left):
                if isinstance(cell, datetime):
                    sheet.write_datetime(line, column, cell, form)
                elif cell is not None:
                    sheet.write(line, column, cell)


@pytest.mark.parametrize(
    ("above", "left", "declared"),
    [
        (["Export", "by hand"], 0, "header_row = 3\n"),
        (["Export", None], 1, ""),
        ([None, None], 0, ""),
        ([None, None], 0, "header_row = 3\n"),
    ],
    ids=["text, declared", "gap", "empty", "empty, declared"],
)
def test_a_sheet_with_its_header_on_line_3(
    fleet: SmallFleet, above: list[str | None], left: int, declared: str
) -> None:
    """Lines are those that the spreadsheet program shows, also where the first ones are empty."""
    workbook(fleet.folder / "calls.xlsx", above, left=left)
    source = CALLS_SOURCE.replace("calls*.csv", "calls.xlsx").replace("[source.columns]", f"{declared}[source.columns]")
    store = fleet.add(source).load()
    frame = store.frame("in_calls", "call_id")
    assert frame.select("call_id", "opened_at", "closed_at", "labour_h").rows() == [
        ("1001", datetime(2016, 1, 5, 15, tzinfo=UTC), datetime(2016, 1, 5, 17, 30, tzinfo=UTC), 1.5),
        ("1002", datetime(2016, 1, 6, 16, 30, tzinfo=UTC), None, None),
    ]
    assert store.frame("set_aside").select("line", "written").rows() == [(5, "a while")]
    assert [line for line, _ in quarantined(store)] == [7]


@pytest.mark.parametrize(
    ("table", "zone", "step"),
    [("calls", "UTC", "ms"), ("wide", "America/Denver", "ns"), ("long", "America/Denver", "us")],
)
def test_parquet_instants_with_a_zone_are_that_instant(fleet: SmallFleet, table: str, zone: str, step: str) -> None:
    """Whatever zone the profile says for texts, here America/Chicago; both passes of a repeated hour stay apart."""
    source = {"calls": CALLS_SOURCE, "wide": WIDE_SOURCE, "long": LONG_SOURCE}[table]
    name = "Opened" if table == "calls" else "Time"
    instants = [datetime(2016, 11, 6, hour, 30, tzinfo=UTC) for hour in (6, 7, 8)]
    frame = pl.DataFrame({name: instants}, schema={name: pl.Datetime(step, "UTC")}).with_columns(
        pl.col(name).dt.convert_time_zone(zone),
        pl.lit("RTU-1", pl.Categorical).alias("Unit"),
        pl.Series("Ticket", [1, 2, 3]),
        pl.Series("SP", [1.5, 2.5, None]),
        pl.lit("SP").alias("Point"),
        pl.Series("Value", ["1.50", "2.50", "3.00"]).cast(pl.Decimal(10, 2)),
    )
    frame.write_parquet(fleet.folder / "given.parquet")
    (old,) = [line for line in source.splitlines() if line.startswith("files")]
    store = fleet.add(source.replace(old, 'files = "given.parquet"')).load()
    assert fleet.counts(store, "given.parquet") == (3, 3, 0, 0)
    if table == "calls":
        assert store.frame("in_calls", "opened_at")["opened_at"].to_list() == instants
    else:
        assert readings(store)["read_at"].to_list() == instants
        assert suction_psig(store) == [1.5, 2.5, None if table == "wide" else 3]


def json_call(number: int, **more: object) -> str:
    known = {"Ticket": f"C{number}", "Unit": "RTU-1", "Opened": "2016-01-05 09:00", "Type": "service", "Hours": 1}
    return json.dumps(known | more) + "\n"


def test_json_lines_with_missing_keys_and_nested_values(fleet: SmallFleet) -> None:
    lines = [
        json_call(1, Complaint={"text": "hot", "seen": [1, 2]}),
        '{"Opened": "2016-01-05 10:00", "Unit": "RTU-3", "Ticket": "C2"}\n',
        '{"Ticket": "C3"}\n',
        "[1]\n",
        '{"Ticket": "C4",\n',
        json_call(5, Hours=None, Complaint="line\nbreak"),
        json_call(6, Hours=[1.5]),
        json_call(7, Hours=float("nan"), Ticket=7),
    ]
    store = load(fleet, CALLS_SOURCE, "calls.jsonl", "".join(lines))
    frame = store.frame("in_calls", "call_id")
    assert frame["call_id"].to_list() == ["7", "C1", "C2", "C5", "C6"]
    assert json.loads(frame["complaint"][1]) == {"text": "hot", "seen": [1, 2]}
    assert frame["complaint"][3] == "line\nbreak"
    assert frame["labour_h"].to_list() == [None, 1, None, None, None]
    assert quarantined(store) == [(line, lines[line - 1].rstrip()) for line in (3, 4, 5)]
    assert store.frame("set_aside").select("line", "written").rows() == [(7, "[1.5]")]


def test_json_lines_that_cannot_be_text_are_quarantined(fleet: SmallFleet) -> None:
    """RFC 8259, section 8.2, on half a surrogate pair: what readers do with it is unpredictable."""
    letters = json.dumps({"Note": "\u00e9\u00e9\u00e9\u00e9 \u20ac"}, ensure_ascii=False)[1:-1]
    lines = [
        (json_call(1)[:-2] + ", " + letters + "}\n").encode(),
        json_call(2, Complaint="cut HERE").encode().replace(b"HERE", rb"\ud83d"),
        json_call(3, Complaint="cut HERE").encode().replace(b"HERE", b"caf\xe9"),
        b'{"Ticket": "C4", "Complaint": ' + b"[" * 100_000 + b"]" * 100_000 + b"}\n",
        json_call(5).encode(),
    ]
    store = load(fleet, CALLS_SOURCE, "calls.jsonl", b"".join(lines))
    assert calls(store) == ["C1", "C5"]
    assert fleet.counts(store, "calls.jsonl") == (5, 2, 3, 0)
    assert [(line, row[:16]) for line, row in quarantined(store)] == [
        (line, f'{{"Ticket": "C{line}",') for line in (2, 3, 4)
    ]


def test_weather_of_the_hour_that_comes_twice_goes_by_the_order_of_the_file(fleet: SmallFleet) -> None:
    """US clocks went back on 2016-11-06: 01:00 is read twice, first at 06:00 UTC and then at 07:00."""
    hours = ["2016-11-06 00:00", "2016-11-06 01:00", "2016-11-06 01:00", "2016-11-06 02:00"]
    text = "Station,Time,Temp\n" + "".join(f"W,{hour},{place}\n" for place, hour in enumerate(hours))
    source = WEATHER_SOURCE.replace('"UTC"', '"America/Chicago"')
    store = load(fleet, source, "weather.csv", text)
    found = store.frame("in_weather", "hour").select(pl.col("hour").dt.hour(), "temperature_c")
    assert found.rows() == [(5, 0), (6, 1), (7, 2), (8, 3)]
    assert fleet.counts(store, "weather.csv") == (4, 4, 0, 0)
