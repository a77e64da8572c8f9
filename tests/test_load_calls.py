"""Exports of calls with the dirt of real ones: every record ends in exactly one place."""

import gzip
from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from conftest import CALLS, CALLS_SOURCE, SmallFleet

from lowambient.errors import InputRefused


def calls(
    fleet: SmallFleet, text: str | bytes, name: str = "calls.csv", extra: str = ""
) -> tuple[pl.DataFrame, object]:
    fleet.write(name, text)
    source = CALLS_SOURCE.replace("[source.columns]", f"{extra}\n[source.columns]", 1)
    store = fleet.add(source.replace("calls*.csv", name)).load()
    return store.frame("in_calls", "call_id"), store


def test_local_times_become_utc(fleet: SmallFleet) -> None:
    frame, _ = calls(fleet, CALLS)
    assert frame["opened_at"].to_list() == [
        datetime(2016, 1, 5, 15, 0, tzinfo=UTC),
        datetime(2016, 1, 6, 16, 30, tzinfo=UTC),
    ]


def test_each_sites_own_zone(fleet: SmallFleet) -> None:
    fleet.write("calls.csv", CALLS)
    store = fleet.add(CALLS_SOURCE.replace("America/Chicago", "site")).load()
    opened = store.frame("in_calls", "call_id")["opened_at"].to_list()
    assert opened == [datetime(2016, 1, 5, 15, 0, tzinfo=UTC), datetime(2016, 1, 6, 17, 30, tzinfo=UTC)]


@pytest.mark.parametrize(
    "content",
    [
        CALLS.encode("utf-8-sig"),
        CALLS.encode("utf-16"),
        CALLS.replace(",", ";").encode(),
        CALLS.replace(",", "\t").encode(),
        CALLS.replace("\n", "\r\n").encode("cp1252"),
        ("Export of 6 January\n\n" + CALLS).encode(),
        gzip.compress(CALLS.encode()),
        CALLS.encode().rstrip(b"\n"),
    ],
    ids=["utf-8 mark", "utf-16", "semicolon", "tab", "crlf", "title lines", "gzip", "no last line end"],
)
def test_ways_of_writing_the_same_file(fleet: SmallFleet, content: bytes) -> None:
    frame, store = calls(fleet, content)
    assert frame["call_id"].to_list() == ["C1", "C2"]
    assert frame["labour_h"].to_list() == [1.5, 1.0]
    assert fleet.counts(store, "calls.csv") == (2, 2, 0, 0)


def test_line_breaks_in_quotes_stay_in_their_cell(fleet: SmallFleet) -> None:
    text = CALLS + 'C3,RTU-1,2016-01-07 09:00,,service,"first line\r\nsecond, ""quoted""",2\n'
    frame, _ = calls(fleet, text)
    assert frame["complaint"].to_list()[2] == 'first line\r\nsecond, "quoted"'


def test_records_that_cannot_be_read_are_refused_with_line_and_text(fleet: SmallFleet) -> None:
    text = (
        CALLS
        + "C3,RTU-1\n"
        + 'C4,RTU-1,"2016-01-07 09:00,,service,unclosed,2\n'
        + "C5,RTU-1,2016-01-08 09:00,,service,fine,2\n"
        + "Ticket,Unit,Opened,Closed,Type,Complaint,Hours\n"
        + "C6,RTU-99,2016-01-08 09:00,,service,whose,2\n"
        + "C7,RTU-1,soon,,service,when,2\n"
        + "C8,RTU-1,2016-01-09 09:00,2016-01-08 09:00,service,backwards,2\n"
        + ",RTU-1,2016-01-09 09:00,,service,nameless,2\n"
        + "Total,,,,,,42\n"
    )
    frame, store = calls(fleet, text)
    assert frame["call_id"].to_list() == ["C1", "C2", "C5", "C8"]
    assert fleet.counts(store, "calls.csv") == (11, 4, 7, 0)
    found = dict(fleet.reasons(store))
    assert found[4] == "2 cells where the header has 7"
    assert found[5].startswith("quotes do not pair")
    assert found[7] == "repeated header line"
    assert found[8] == "unit 'RTU-99' is not on the unit list (nearest: RTU-1)"
    assert found[9].startswith('opened_at: "soon" is no date')
    assert found[11] == "call_id is empty"
    assert found[12] == "totals line"
    rows = dict(store.connection.execute("select line, row from quarantine").fetchall())
    aside = store.connection.execute('select line, "column", written, reason from set_aside').fetchall()
    assert aside == [(10, "closed_at", "2016-01-08 09:00", "opened_at lies above closed_at")]
    assert rows[5] == 'C4,RTU-1,"2016-01-07 09:00,,service,unclosed,2'


def test_calls_of_the_future_are_refused(fleet: SmallFleet) -> None:
    ahead = f"{datetime.now(UTC) + timedelta(days=60):%Y-%m-%d} 09:00"
    text = f"{CALLS}C3,RTU-1,2096-01-08 09:00,,service,mistyped year,2\nC4,RTU-1,{ahead},,planned,scheduled,2\n"
    frame, store = calls(fleet, text)
    assert frame["call_id"].to_list() == ["C1", "C2"]
    assert [reason for _, reason in fleet.reasons(store)] == ["opened_at lies in the future"] * 2


def test_bytes_that_cannot_be_decoded_quarantine_their_record(fleet: SmallFleet) -> None:
    text = (CALLS + "C3,RTU-1,2016-01-07 09:00,,service,caf\u00e9 \u00fcber,2\n").encode() + (
        b"C4,RTU-1,2016-01-07 10:00,,service,caf\xe9 au lait,2\n"
    )
    frame, store = calls(fleet, text)
    assert frame["call_id"].to_list() == ["C1", "C2", "C3"]
    assert fleet.reasons(store) == [(5, "bytes that are not utf-8")]
    assert store.connection.execute("select row from quarantine").fetchall()[0][0].endswith("caf\\xe9 au lait,2")


def test_cp1252_is_proposed_and_said(fleet: SmallFleet) -> None:
    frame, store = calls(fleet, CALLS.replace("belt", "caf\u00e9 belt").encode("cp1252"))
    assert frame["complaint"].to_list()[1] == "caf\u00e9 belt squeals"
    assert ("read as cp1252, which the profile does not say",) in store.connection.execute(
        "select note from file_notes"
    ).fetchall()


def test_unreadable_optional_cells_are_set_aside_and_the_call_kept(fleet: SmallFleet) -> None:
    frame, store = calls(fleet, CALLS.replace(",1.5", ",a while").replace("service,belt", "magic,belt"))
    assert frame["labour_h"].to_list() == [None, 1.0]
    assert frame["work_type"].to_list() == ["service", None]
    found = store.connection.execute('select line, "column", written from set_aside').fetchall()
    assert found == [(2, "labour_h", "a while"), (3, "work_type", "magic")]


def test_values_as_exports_write_them(fleet: SmallFleet) -> None:
    text = CALLS.replace(",service,no", ",Demand,no").replace(",service,belt", ",P.M.,belt").replace(",1.5", ",90 min")
    source = CALLS_SOURCE.replace('unit = "h"', 'unit = "min"') + '[source.values.work_type]\n"Demand" = "service"\n'
    fleet.write("calls.csv", text)
    frame = fleet.add(source).load().frame("in_calls", "call_id")
    assert frame["work_type"].to_list() == ["service", "planned"]
    assert frame["labour_h"][0] == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("written", "form"),
    [
        ("1/5/2016 9:00 AM", "month first"),
        ("05.01.2016 09:00", "day first"),
        ("5-Jan-16 09:00", "month first"),
        ("2016-01-05T15:00:00Z", None),
        ("2016-01-05T08:00:00-07:00", None),
        ("1452006000", None),
    ],
)
def test_dates_as_people_write_them(fleet: SmallFleet, written: str, form: str | None) -> None:
    text = f"Ticket,Unit,Opened,Closed,Type,Complaint,Hours\nC1,RTU-1,{written},,service,x,1\n"
    frame, _ = calls(fleet, text, extra=f'dates = "{form}"' if form else "")
    assert frame["opened_at"].to_list() == [datetime(2016, 1, 5, 15, 0, tzinfo=UTC)]


def test_day_and_month_are_proven_by_one_date_anywhere(fleet: SmallFleet) -> None:
    rows = "".join(f"C{n},RTU-1,0{1 + n % 9}/05/2016 09:00,,service,x,1\n" for n in range(800))
    header = "Ticket,Unit,Opened,Closed,Type,Complaint,Hours\n"
    frame, _ = calls(fleet, header + rows + "C999,RTU-1,13/05/2016 09:00,,service,x,1\n")
    assert frame.filter(pl.col("call_id") == "C0")["opened_at"].item() == datetime(2016, 5, 1, 14, 0, tzinfo=UTC)


def test_day_and_month_that_cannot_be_told_apart_are_asked_for(fleet: SmallFleet) -> None:
    text = "Ticket,Unit,Opened,Closed,Type,Complaint,Hours\nC1,RTU-1,03/04/2016 09:00,,service,x,1\n"
    with pytest.raises(InputRefused, match='dates = "day first" or "month first"'):
        calls(fleet, text)


def test_the_hour_that_does_not_exist_and_the_hour_that_comes_twice(fleet: SmallFleet) -> None:
    text = (
        "Ticket,Unit,Opened,Closed,Type,Complaint,Hours\n"
        "C1,RTU-1,2016-03-13 02:30,,service,x,1\n"
        "C2,RTU-1,2016-11-06 01:30,,service,x,1\n"
    )
    frame, store = calls(fleet, text)
    assert frame["opened_at"].to_list() == [datetime(2016, 11, 6, 6, 30, tzinfo=UTC)]
    assert "clocks skipped" in fleet.reasons(store)[0][1]


def test_exact_repeats_and_conflicts_within_a_file(fleet: SmallFleet) -> None:
    again = CALLS.splitlines()[1] + "\n"
    other = CALLS.splitlines()[2].replace("belt squeals", "something else") + "\n"
    frame, store = calls(fleet, CALLS + again + other)
    assert frame["call_id"].to_list() == ["C1"]
    assert fleet.counts(store, "calls.csv") == (4, 1, 2, 1)


def test_files_of_one_source_held_against_each_other(fleet: SmallFleet) -> None:
    fleet.write("calls_a.csv", CALLS)
    fleet.write("calls_b.csv", CALLS.replace("belt squeals", "belt replaced"))
    store = fleet.add(CALLS_SOURCE).load()
    assert store.frame("in_calls")["call_id"].to_list() == ["C1"]
    assert fleet.counts(store, "calls_a.csv") == (2, 1, 1, 0)
    assert fleet.counts(store, "calls_b.csv") == (2, 0, 1, 1)


def test_a_later_export_replaces_the_same_calls_and_says_so(fleet: SmallFleet) -> None:
    fleet.write("calls_a.csv", CALLS)
    fleet.write("calls_b.csv", CALLS.replace("belt squeals", "belt replaced"))
    store = fleet.add(CALLS_SOURCE.replace('table = "calls"', 'table = "calls"\nreplaces = "key"')).load()
    assert store.frame("in_calls", "call_id")["complaint"].to_list()[1] == "belt replaced"
    assert fleet.counts(store, "calls_a.csv") == (2, 1, 1, 0)
    assert fleet.counts(store, "calls_b.csv") == (2, 1, 0, 1)
    assert fleet.reasons(store) == [(3, "replaced by a later export (calls_b.csv)")]


def test_loading_again_changes_nothing_and_a_corrected_profile_loads_afresh(fleet: SmallFleet) -> None:
    fleet.write("calls.csv", CALLS)
    first = fleet.add(CALLS_SOURCE).load().frame("in_calls", "call_id")
    assert fleet.loaded.fresh == ("sites.csv", "units.csv", "calls.csv")
    second = fleet.load().frame("in_calls", "call_id")
    assert fleet.loaded.fresh == ()
    assert first.equals(second)
    fleet.profile_text = fleet.profile_text.replace('time_zone = "America/Chicago"', 'time_zone = "America/Denver"')
    third = fleet.load().frame("in_calls", "call_id")
    assert fleet.loaded.fresh == ("calls.csv",)
    assert third["opened_at"][0] == datetime(2016, 1, 5, 16, 0, tzinfo=UTC)


def test_a_file_no_longer_named_is_taken_out(fleet: SmallFleet) -> None:
    fleet.write("calls_a.csv", CALLS)
    fleet.write("calls_b.csv", CALLS.replace("C1", "C8").replace("C2", "C9"))
    assert fleet.add(CALLS_SOURCE).load().frame("in_calls").height == 4
    (fleet.folder / "calls_b.csv").unlink()
    assert fleet.load().frame("in_calls", "call_id")["call_id"].to_list() == ["C1", "C2"]
    assert fleet.loaded.removed == ("calls_b.csv",)


def test_an_alias_and_forgiving_spellings_match(fleet: SmallFleet) -> None:
    fleet.write("aliases.csv", "Seen,Unit\nnorth one,RTU-1\n")
    fleet.add(
        '[[source]]\ntable = "aliases"\nfiles = "aliases.csv"\n[source.columns]\nwritten = "Seen"\nunit_id = "Unit"\n'
    )
    frame, _ = calls(fleet, CALLS.replace("C1,RTU-1", "C1,North One").replace("C2,RTU-3", "C2,rtu 3"))
    assert frame["unit_id"].to_list() == ["RTU-1", "RTU-3"]


def test_a_match_that_is_not_unique_is_refused_with_its_candidates(fleet: SmallFleet) -> None:
    fleet.write("units.csv", "Tag,Site,Gas,Tons,Duty,Cut out,Reset\nRTU-1,S1,R-22,1,,,\nRTU 1,S1,R-22,1,,,\n")
    _, store = calls(fleet, CALLS.replace("C1,RTU-1", "C1,rtu1"))
    assert fleet.reasons(store)[0][1] == "unit 'rtu1' could be any of RTU 1, RTU-1"


def test_gauge_pressures_of_the_unit_list_use_the_sites_barometer(fleet: SmallFleet) -> None:
    units = fleet.load().frame("in_units", "unit_id")
    # 117 psig is 806.69 kPa above the barometer: 98.88 kPa at 205 m, 83.43 kPa at a mile (ISO 2533).
    assert units["lp_reset_kpa"][0] == pytest.approx(806.69 + 98.88, abs=0.05)
    assert units["lp_reset_kpa"][2] == pytest.approx(806.69 + 83.43, abs=0.05)


def test_a_xlsx_parquet_or_json_lines_export_reads_alike(fleet: SmallFleet) -> None:
    frame = pl.read_csv(CALLS.encode(), try_parse_dates=True)
    frame.write_excel(fleet.folder / "calls.xlsx", autofit=False)
    frame.write_parquet(fleet.folder / "calls.parquet")
    fleet.write("calls.jsonl", frame.with_columns(pl.col("Opened", "Closed").cast(pl.String)).write_ndjson().encode())
    fleet.write("calls.csv", CALLS)
    base = fleet.profile_text
    found = []
    for name in ("calls.csv", "calls.xlsx", "calls.parquet", "calls.jsonl"):
        fleet.profile_text = base + CALLS_SOURCE.replace("calls*.csv", name)
        found.append(fleet.load().frame("in_calls", "call_id"))
    assert all(each.equals(found[0]) for each in found[1:])


def test_a_unit_with_doubtful_cells_is_kept_with_its_calls(fleet: SmallFleet) -> None:
    fleet.write("units.csv", "Tag,Site,Gas,Tons,Duty,Cut out,Reset\nRTU-1,S1,,10,comfort,117,54\nRTU-3,S2,R-22,,,,\n")
    frame, store = calls(fleet, CALLS)
    assert frame["call_id"].to_list() == ["C1", "C2"]
    units = store.frame("in_units", "unit_id")
    assert units["refrigerant"].to_list() == [None, "R-22"]
    assert units["lp_reset_kpa"].to_list() == [None, None]
    assert store.frame("set_aside").height == 2


def test_a_zone_that_is_none_refuses_its_site_and_the_profile_can_say_what_it_means(fleet: SmallFleet) -> None:
    fleet.write("sites.csv", "Site,Name,Lat,Lon,Elev,Zone\nS1,a,,,,Central\nS2,b,,,,EST\n")
    words = '\n[source.values.time_zone]\n"Central" = "America/Chicago"\n'
    fleet.profile_text = fleet.profile_text.replace('time_zone = "Zone"\n', f'time_zone = "Zone"\n{words}')
    _, store = calls(fleet, CALLS)
    assert store.frame("in_sites")["time_zone"].to_list() == ["America/Chicago"]
    assert [reason for _, reason in fleet.reasons(store)] == [
        'time_zone: "EST" is no area name such as America/Chicago, nor UTC'
    ]
