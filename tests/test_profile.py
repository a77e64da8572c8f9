"""The profile: what a right one says, and every way a wrong one is told, all problems at once."""

import dataclasses
import doctest
import itertools
import json
import tomllib
import zoneinfo

import pytest

from lowambient import reference
from lowambient.errors import ProfileRefused
from lowambient.intake import instants
from lowambient.profile import ChannelSource, ColumnSource, load_profile, problems, rules, source_digest
from lowambient.profile.checks import DATE_WORDS, area_names
from lowambient.records import inputs

GOOD = """
[fleet]
name = "Larkspur Climate Services"
units = "si"
time_zone = "America/Denver"

[thresholds]
recall_window_days = 45

[costs]
truck_roll = 95
currency = "USD"

[[source]]
table = "units"
files = "exports/units.xlsx"
sheet = "Units"
dates = ["%m/%d/%Y", "iso"]
missing = ["?", -999]
pressure = "gauge"
[source.columns]
unit_id = "Asset Tag"
site_id = "Site"
refrigerant = "Gas"
duty = "Use"
capacity_kw = { column = "Tons", unit = "Tons" }
lp_reset_kpa = { column = "LP", unit = "psi" }
[source.constants]
circuits = 2
heat_pump = false
installed_on = 2015-05-01
[source.values.duty]
"24x7" = "year-round"

[[source]]
table = "readings"
files = ["logs/*.csv.gz", "more/*.csv"]
layout = "long"
time_zone = "UTC-06:00"
dates = "day first"
[source.columns]
read_at = "t"
channel = "Point"
value = "v"
[source.channels]
"Suc P" = { channel = "suction_kpa", unit = "bar(g)" }
"Run" = "compressor_on"
[source.from_file_name]
pattern = '(?P<unit_id>[A-Z]+-\\d+)_c(?P<circuit>\\d)'

[[source]]
table = "weather"
files = ["w/*.gz"]
format = "isd-lite"
"""

CALLS = """
[fleet]
name = "x"
[[source]]
table = "calls"
files = "c.csv"
{keys}
[source.columns]
call_id = "T"
unit_id = "U"
opened_at = "O"
{columns}
"""

READINGS = """
[fleet]
name = "x"
[[source]]
table = "readings"
files = "r.csv"
{keys}
[source.columns]
unit_id = "U"
read_at = "T"
suction_kpa = {{ column = "SP", unit = "psig" }}
{columns}
"""


@pytest.fixture
def written(tmp_path):
    """Writes a profile and hands out its path."""

    def write(text):
        path = tmp_path / "fleet.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def refused(path):
    with pytest.raises(ProfileRefused) as refusal:
        load_profile(path)
    assert str(path) in str(refusal.value)
    assert refusal.value.exit_code == 2
    return refusal.value.problems


def test_a_right_profile_says_what_was_written(written, tmp_path):
    profile = load_profile(written(GOOD))
    assert profile.name == "Larkspur Climate Services"
    assert profile.store == tmp_path / "fleet.duckdb"
    assert profile.folder == tmp_path
    assert profile.units == "si"
    assert profile.thresholds["recall_window_days"] == 45
    assert profile.changed_thresholds == {"recall_window_days": 45}
    assert profile.thresholds.keys() == reference.thresholds().keys()
    assert profile.thresholds["episode_days"] == reference.thresholds()["episode_days"].value
    assert profile.costs.truck_roll == 95
    assert profile.costs.labour_per_h is None
    units, readings, weather = profile.sources
    assert units.key == "source[1]"
    assert units.files == ("exports/units.xlsx",)
    assert units.dates == ("%m/%d/%Y", "iso")
    assert units.missing == ("?", "-999")
    assert units.time_zone == "America/Denver"
    assert units.columns["capacity_kw"] == ColumnSource("Tons", "Tons")
    assert units.columns["unit_id"] == ColumnSource("Asset Tag")
    assert units.constants == {"circuits": "2", "heat_pump": "false", "installed_on": "2015-05-01"}
    assert units.values == {"duty": {"24x7": "year-round"}}
    assert readings.time_zone == "UTC-06:00"
    assert (readings.dates, readings.date_order) == ((), "day first")
    assert readings.channels == {
        "Suc P": ChannelSource("suction_kpa", "bar(g)"),
        "Run": ChannelSource("compressor_on"),
    }
    assert readings.file_name_pattern == r"(?P<unit_id>[A-Z]+-\d+)_c(?P<circuit>\d)"
    assert (weather.format, weather.columns, weather.kind) == ("isd-lite", {}, "observed")


def test_a_byte_order_mark_is_read_over(tmp_path):
    path = tmp_path / "fleet.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.encode())
    assert load_profile(path).name == "Larkspur Climate Services"


def test_an_absolute_or_named_store_is_taken_as_written(written, tmp_path):
    text = GOOD.replace('units = "si"', f'store = "{(tmp_path / "elsewhere.duckdb").as_posix()}"')
    assert load_profile(written(text)).store == tmp_path / "elsewhere.duckdb"


FAULTS = [
    # what is changed in GOOD, and what the one problem must say
    (
        "name = ",
        "nmae = ",
        'fleet.nmae: found "nmae"; allowed: name, store, units, time_zone, words (did you mean name?)',
    ),
    ('units = "si"', 'units = "US"', 'fleet.units: found "US"; allowed: us, si (did you mean us?)'),
    (
        '"America/Denver"',
        '"MST"',
        'fleet.time_zone: found "MST"; allowed: an area name such as America/Chicago, UTC',
    ),
    ('"America/Denver"', '"EST"', "no daylight saving"),
    ('"America/Denver"', '"EST5EDT"', "an abbreviation"),
    ('"America/Denver"', '"Etc/GMT+7"', "turn the sign"),
    ('"America/Denver"', '"America/Denvr"', "did you mean America/Denver?"),
    ('"America/Denver"', '"GMT"', "did you mean UTC?"),
    ('"America/Denver"', '"UTC-06:00"', "fleet.time_zone: found"),
    ('"America/Denver"', '"site"', "fleet.time_zone: found"),
    ("recall_window_days = 45", "recall_window_day = 45", "did you mean recall_window_days?"),
    ("recall_window_days = 45", "recall_window_days = 4500", "found 4500; allowed: a number from 1 to 365 d"),
    ("recall_window_days = 45", "recall_window_days = nan", "thresholds.recall_window_days: found NaN"),
    ("recall_window_days = 45", "recall_window_days = true", "thresholds.recall_window_days: found true"),
    ("truck_roll = 95", "truck_roll = -1", "costs.truck_roll: found -1"),
    ("truck_roll = 95", "truckroll = 95", 'costs.truckroll: found "truckroll"'),
    ('table = "units"', 'table = "unit"', 'source[1].table: found "unit"'),
    ('files = "exports/units.xlsx"\n', "", "source[1].files: not given"),
    ('files = "exports/units.xlsx"\n', "files = []\n", "source[1].files: found an empty list"),
    (
        'files = "exports/units.xlsx"\n',
        'files = ["a.xlsx", "a.xlsx"]\n',
        'source[1].files[2]: found "a.xlsx" a second time',
    ),
    ('files = "exports/units.xlsx"\n', 'files = "a.csv"\n', "source[1].sheet: found with csv files"),
    ('"%m/%d/%Y", "iso"', '"%m/%d %H:%M"', "year, month and day"),
    ('"%m/%d/%Y", "iso"', '"%m/%d/%Y %I:%M"', "%I (hour of 12) and %p"),
    ('"%m/%d/%Y", "iso"', '"%m/%d/%Q"', "(here %Q)"),
    ('"%m/%d/%Y", "iso"', '"m/d/Y"', 'source[1].dates[1]: found "m/d/Y"; allowed: "day first"'),
    ('"%m/%d/%Y", "iso"', '"%m/%d/%Y %m"', "each part of the date once"),
    (
        'pressure = "gauge"\n',
        "",
        'source[1].columns.lp_reset_kpa.unit: found "psi"; allowed: a unit that says gauge',
    ),
    ('pressure = "gauge"', 'pressure = "gage"', "did you mean gauge?"),
    ('unit = "psi"', 'unit = "pisg"', "did you mean psig?"),
    (', unit = "psi"', "", "source[1].columns.lp_reset_kpa.unit: not given; one of psig"),
    ('unit = "psi"', 'unti = "psi"', 'source[1].columns.lp_reset_kpa.unti: found "unti"'),
    (
        'duty = "Use"',
        'duty = { column = "Use", unit = "h" }',
        'source[1].columns.duty.unit: found "h"; allowed: no unit',
    ),
    ('unit_id = "Asset Tag"', 'unitid = "Asset Tag"', "did you mean unit_id?"),
    ('site_id = "Site"\n', "", "source[1].columns.site_id: not given; every row of units needs it"),
    (
        'refrigerant = "Gas"',
        "refrigerant = 5",
        "source[1].columns.refrigerant: found 5; allowed: a text, or a table",
    ),
    ("circuits = 2", 'circuits = "two"', 'source[1].constants.circuits: found "two"; allowed: a number'),
    (
        "circuits = 2",
        "lp_cut_out_kpa = -5",
        'source[1].constants.lp_cut_out_kpa: found "-5"; allowed: a number from',
    ),
    (
        "circuits = 2",
        'duty = "comfort"',
        "source[1].constants.duty: found a column that [source.columns] maps too",
    ),
    (
        "heat_pump = false",
        'heat_pump = "perhaps"',
        'source[1].constants.heat_pump: found "perhaps"; allowed: true, false',
    ),
    (
        "installed_on = 2015-05-01",
        'installed_on = "May"',
        'source[1].constants.installed_on: found "May"; allowed: a date',
    ),
    ('= "year-round"', '= "yearround"', 'source[1].values.duty.24x7: found "yearround"'),
    ("[source.values.duty]", "[source.values.coverage]", 'source[1].values.coverage: found "coverage"'),
    (
        '"UTC-06:00"',
        '"UTC-6"',
        'source[2].time_zone: found "UTC-6"; allowed: an area name such as America/Chicago, UTC, site',
    ),
    ('layout = "long"', 'layout = "wide"', "source[2].channels: found without layout"),
    ('value = "v"\n', "", "source[2].columns.value: not given"),
    ('channel = "suction_kpa"', 'channel = "suction"', 'source[2].channels."Suc P".channel: found "suction"'),
    (', unit = "bar(g)"', "", 'source[2].channels."Suc P".unit: not given; one of psig'),
    (
        'unit = "bar(g)"',
        'unit = "bar"',
        'source[2].channels."Suc P".unit: found "bar"; allowed: a unit that says gauge',
    ),
    ("?P<unit_id>[", "?P<unt_id>[", 'source[2].from_file_name.pattern: found "unt_id"'),
    ("(?P<unit_id>", "((?P<unit_id>", "a regular expression (missing )"),
    ("(?P<unit_id>[A-Z]+-\\d+)_c(?P<circuit>\\d)", "RTU", "named groups that are contract columns"),
    ('value = "v"', 'value = "v"\nunit_id = "U"', "group unit_id, which is given elsewhere too"),
    ('format = "isd-lite"', 'format = "isd"', "did you mean isd-lite?"),
    ('format = "isd-lite"', 'format = "isd-lite"\nkind = "measured"', 'source[3].kind: found "measured"'),
    ('format = "isd-lite"', 'format = "isd-lite"\ntime_zone = "site"', "its rows name no site"),
    ('format = "isd-lite"', 'format = "isd-lite"\nlayout = "long"', "in readings sources only"),
    (
        'format = "isd-lite"',
        'format = "isd-lite"\nheader_row = 0',
        "source[3].header_row: found 0; allowed: a whole number",
    ),
    ('format = "isd-lite"', 'format = "isd-lite"\nencoding = "utf8x"', 'source[3].encoding: found "utf8x"'),
    ('format = "isd-lite"', 'format = "isd-lite"\nencoding = "rot13"', 'source[3].encoding: found "rot13"'),
    (
        'format = "isd-lite"',
        'format = "isd-lite"\ncolumns = { hour = "h" }',
        "source[3].columns: found columns of isd-lite",
    ),
    ('format = "isd-lite"', 'format = "isd-lite"\ndelimiter = "ab"', 'source[3].delimiter: found "ab"'),
    ('format = "isd-lite"', 'format = "isd-lite"\nfilse = "x"', "did you mean files?"),
]


@pytest.mark.parametrize(("right", "wrong", "says"), FAULTS, ids=[f"{wrong[:30]!r}" for _, wrong, _ in FAULTS])
def test_each_fault_is_named_with_key_found_and_allowed(written, right, wrong, says):
    assert right in GOOD
    found = refused(written(GOOD.replace(right, wrong, 1)))
    assert any(says in problem for problem in found), found


def test_all_problems_are_told_at_once_and_each_once(written):
    text = GOOD
    for right, wrong in (
        ('units = "si"', 'units = "US"'),
        ("recall_window_days = 45", "recall_window_days = 0"),
        ('site_id = "Site"', 'siteid = "Site"'),
        ('unit = "bar(g)"', 'unit = "barr"'),
        ('format = "isd-lite"', 'format = "isd"'),
    ):
        text = text.replace(right, wrong)
    found = refused(written(text))
    keys = [problem.split(":")[0] for problem in found]
    assert keys == [
        "fleet.units",
        "thresholds.recall_window_days",
        "source[1].columns.siteid",
        "source[1].columns.site_id",
        'source[2].channels."Suc P".unit',
        "source[3].format",
    ]


def test_a_source_key_below_its_columns_is_told_where_it_belongs(written):
    found = refused(written(CALLS.format(keys="", columns='time_zone = "UTC"')))
    assert len(found) == 1
    assert "write it above [source.columns]" in found[0]


@pytest.mark.parametrize("zone", ["UTC", "site", "UTC-06:00", "UTC+05:30", "Europe/Berlin", "US/Central"])
def test_zones_that_a_source_may_have(written, zone):
    assert load_profile(written(CALLS.format(keys=f'time_zone = "{zone}"', columns=""))).sources[0].time_zone == zone


@pytest.mark.parametrize(
    "zone", ["EST", "CST", "PDT", "CST6CDT", "UTC-25:00", "UTC+05:75", "Z", "local", "Etc/GMT+6", ""]
)
def test_zones_that_no_source_may_have(written, zone):
    (found,) = refused(written(CALLS.format(keys=f'time_zone = "{zone}"', columns="")))
    assert found.startswith("source[1].time_zone")


@pytest.mark.parametrize("part", ["values.time_zone", "constants"])
def test_the_zones_of_sites_are_checked_where_the_profile_writes_them(written, part):
    mapped = 'time_zone = "Zone"\n' if part == "values.time_zone" else ""
    name = "Central" if part == "values.time_zone" else "time_zone"
    text = (
        f'[fleet]\nname = "x"\n[[source]]\ntable = "sites"\nfiles = "s.csv"\n[source.columns]\nsite_id = "S"\n{mapped}'
        f'[source.{part}]\n{name} = "America/Chicago"\n'
    )
    assert load_profile(written(text)).sources[0].table == "sites"
    (found,) = refused(written(text.replace("America/Chicago", "America/Chicgo")))
    assert found.startswith(f"source[1].{part}.{name}: found")
    assert "did you mean America/Chicago?" in found


def test_numbers_have_no_words_to_map(written):
    found = refused(written(GOOD.replace("[source.values.duty]", "[source.values.capacity_kw]")))
    assert found[0].startswith("source[1].values.capacity_kw")
    assert "allowed: duty, refrigerant, site_id, unit_id (capacity_kw has no words to map)" in found[0]


def test_every_area_of_the_tz_database_is_allowed_and_no_other_name():
    # Source: the IANA tz database as Python's zoneinfo carries it.
    allowed = {name for name in zoneinfo.available_timezones() if "/" in name and not name.startswith("Etc/")}
    assert set(area_names()) == allowed
    assert not {"EST", "MST", "HST", "GMT", "CET"} & allowed


@pytest.mark.parametrize("unit", ["psi", "bar", "kPa", "MPa", "#"])
def test_units_that_leave_the_reference_open_are_settled_by_the_source(written, unit):
    text = READINGS.replace('"psig"', f'"{unit}"')
    (found,) = refused(written(text.format(keys="", columns="")))
    assert found.startswith("source[1].columns.suction_kpa.unit")
    for pressure in rules.PRESSURES:
        assert (
            load_profile(written(text.format(keys=f'pressure = "{pressure}"', columns=""))).sources[0].pressure
            == pressure
        )


def test_a_unit_column_does_for_all_channels(written):
    text = GOOD.replace(', unit = "bar(g)"', "").replace('value = "v"', 'value = "v"\nvalue_unit = "u"')
    assert load_profile(written(text)).sources[1].columns["value_unit"] == ColumnSource("u")


def test_readings_need_at_least_one_channel(written):
    text = READINGS.replace('suction_kpa = {{ column = "SP", unit = "psig" }}\n', "")
    (found,) = refused(written(text.format(keys="", columns="")))
    assert found.startswith("source[1].columns: not given; readings need at least one of suction_kpa")


@pytest.mark.parametrize("table", list(inputs.TABLES))
def test_every_required_column_is_missed_by_name(written, table):
    text = f'[fleet]\nname = "x"\n[[source]]\ntable = "{table}"\nfiles = "a.csv"\n'
    found = refused(written(text))
    needed = [name for name in inputs.required_columns(table) if (table, name) != ("weather", "kind")]
    for name in needed:
        assert any(problem.startswith(f"source[1].columns.{name}: not given") for problem in found)


@pytest.mark.parametrize("name", ["isd-lite", "tmy3", "epw"])
def test_formats_with_columns_of_their_own_need_none(written, name):
    text = f'[fleet]\nname = "x"\n[[source]]\ntable = "weather"\nfiles = "a.gz"\nformat = "{name}"\n'
    assert load_profile(written(text)).sources[0].columns == {}
    (found,) = refused(written(text.replace('"weather"', '"sites"')))
    assert "in weather sources only" in found


def test_the_same_files_read_twice_in_the_same_way_are_refused(written):
    once = READINGS.format(keys="", columns="")
    twice = once + once.split('name = "x"\n')[1]
    (found,) = refused(written(twice))
    assert found.startswith("source[2].files: found r.csv, which source[1] reads in the same way")
    other = once + once.split('name = "x"\n')[1].replace('"SP"', '"SP2"') + '[source.constants]\ncircuit = "2"\n'
    assert len(load_profile(written(other)).sources) == 2


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "it is empty"),
        ("# only a comment\n", "it is empty"),
        ('[fleet]\nname = "x"\nunits = us\n', "line 3"),
        ('[fleet]\nname = "C:\\exports"\n', "single quotes"),
        ('[fleet]\nname = "x"\n[source]\ntable = "units"\n', "in double brackets"),
        ('[fleet]\nname = "x"\n', "source: not given"),
        ('fleet = 3\nsource = ["a"]\n', 'source[1]: found "a"; allowed: a table'),
        ('[fleet]\nname = "x"\nname = "y"\n', "it is not TOML"),
    ],
)
def test_files_that_are_no_profile_are_told_so(written, text, says):
    found = refused(written(text))
    assert any(says in problem for problem in found), found


def test_paths_that_hold_no_profile_are_told_so(tmp_path, written):
    assert "there is no such file" in refused(tmp_path / "fleet.toml")[0]
    written(GOOD)
    assert "beside it: fleet.toml" in refused(tmp_path / "flet.toml")[0]
    assert f"name the file in it, {tmp_path / 'fleet.toml'}" in refused(tmp_path)[0]
    binary = tmp_path / "binary.toml"
    binary.write_bytes(b"\x7fELF\xff\xfe\x00")
    assert "not UTF-8" in refused(binary)[0]
    utf16 = tmp_path / "utf16.toml"
    utf16.write_bytes(GOOD.encode("utf-16"))
    assert "save it as UTF-8" in refused(utf16)[0]


WRONG = [
    "0",
    "-1",
    "1.5",
    "inf",
    "true",
    '""',
    '"zzz"',
    "[]",
    "[[]]",
    "{}",
    '["a", 3]',
    "1979-05-27",
    '{ a = "b" }',
]


def _places(tree, path=()):
    for key, value in tree.items() if isinstance(tree, dict) else enumerate(tree):
        yield (*path, key)
        if isinstance(value, (dict, list)):
            yield from _places(value, (*path, key))


def _toml(value):
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(key)} = {_toml(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, str):
        return value[5:] if value.startswith("RAW: ") else json.dumps(value)
    return value.isoformat() if hasattr(value, "isoformat") else json.dumps(value)


def _problems(path):
    try:
        load_profile(path)
    except ProfileRefused as refusal:
        return refusal.problems
    return []


def test_no_wrong_type_anywhere_gets_past_the_refusal(written):
    # Every place of a right profile holds every wrong thing once: it loads, or is refused and the place named.
    refusals = 0
    for place, wrong in itertools.product(list(_places(tomllib.loads(GOOD))), WRONG):
        tree = tomllib.loads(GOOD)
        inside = tree
        for key in place[:-1]:
            inside = inside[key]
        inside[place[-1]] = f"RAW: {wrong}"
        path = written("\n".join(f"{key} = {_toml(value)}" for key, value in tree.items()))
        if told := _problems(path):
            refusals += 1
            assert any(str(place[0]) in problem for problem in told), (place, wrong, told)
    assert refusals > 500


def test_the_digest_changes_with_how_a_source_is_read_and_with_nothing_else(written):
    source = load_profile(written(GOOD)).sources[1]
    digest = source_digest(source)
    assert len(digest) == 64
    assert source_digest(dataclasses.replace(source, files=("other.csv",), key="source[9]")) == digest
    turned = dict(reversed(list(source.channels.items())))
    assert source_digest(dataclasses.replace(source, channels=turned)) == digest
    changes = {
        "table": "calls",
        "format": "csv",
        "encoding": "cp1252",
        "delimiter": ";",
        "sheet": "S",
        "header_row": 2,
        "decimal": ",",
        "missing": ("-1",),
        "time_zone": "UTC",
        "dates": ("iso",),
        "date_order": "month first",
        "replaces": "key",
        "layout": "wide",
        "kind": "typical",
        "pressure": "absolute",
        "columns": {"read_at": ColumnSource("t")},
        "constants": {"circuit": "1"},
        "values": {"mode": {"C": "cooling"}},
        "channels": {"Run": ChannelSource("cooling_called")},
        "file_name_pattern": "(?P<unit_id>.+)",
    }
    fields = {field.name for field in dataclasses.fields(source)} - {"key", "files"}
    assert changes.keys() == fields
    digests = {source_digest(dataclasses.replace(source, **{name: value})) for name, value in changes.items()}
    assert len(digests | {digest}) == len(changes) + 1


def test_the_fleets_zone_is_part_of_the_digest_of_sources_without_their_own(written):
    first = load_profile(written(GOOD))
    second = load_profile(written(GOOD.replace("America/Denver", "America/Chicago")))
    same = [source_digest(a) == source_digest(b) for a, b in zip(first.sources, second.sources, strict=True)]
    assert same == [False, True, False]


def test_words_for_dates_are_those_that_the_intake_reads():
    assert DATE_WORDS == instants.WORDS


def test_examples_in_the_docstrings():
    for module in (problems, rules):
        results = doctest.testmod(module)
        assert results.attempted > 0
        assert results.failed == 0


def test_the_plan_and_its_options_are_read_and_their_mistakes_told(tmp_path):
    path = tmp_path / "fleet.toml"
    path.write_text(
        GOOD.replace(
            "[[source]]",
            '[plan]\nbudget = 9000\ncrew_h = 40\nobjective = "money"\n'
            '[options."wind baffles"]\noffered = false\n'
            '[options."fan-cycling control"]\nparts_cost = 210\neffect = 0.7\n'
            "[[source]]",
            1,
        ),
        encoding="utf-8",
    )
    profile = load_profile(path)
    assert (profile.plan.budget, profile.plan.crew_h, profile.plan.objective) == (9000.0, 40.0, "money")
    assert not profile.options["wind baffles"].offered
    assert profile.options["fan-cycling control"].effect == 0.7
    assert profile.options["fan-cycling control"].crew_h is None
    path.write_text(
        path.read_text(encoding="utf-8")
        .replace("offered = false", "offered = 0")
        .replace("effect = 0.7", "effect = 1.7")
        .replace("fan-cycling", "fan cycling")
        .replace('"money"', '"both"')
        .replace("budget = 9000", "budget = -1"),
        encoding="utf-8",
    )
    with pytest.raises(ProfileRefused) as refused:
        load_profile(path)
    told = " ".join(refused.value.problems)
    assert len(refused.value.problems) == 4
    for words in ("plan.budget", "plan.objective", "wind baffles", "fan-cycling control"):
        assert words in told


OWN_WORDS = (
    "words\tmeant\tweight\n# our shop\nzlp\tlow pressure\t\nChirper {bad}\tfan\t4.0\ndid the dance\tpower cycled\t0.9\n"
)


def with_words(tmp_path, table, name="our_words.tsv"):
    """A profile that names a table of the company's own words."""
    (tmp_path / name).write_text(table, encoding="utf-8")
    path = tmp_path / "fleet.toml"
    path.write_text(GOOD.replace('units = "si"', f'units = "si"\nwords = "{name}"', 1), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", ["our_words.tsv", "our_words.csv"])
def test_own_words_of_a_company(tmp_path, name):
    table = OWN_WORDS if name.endswith("tsv") else OWN_WORDS.replace("\t", ",")
    words = load_profile(with_words(tmp_path, table, name)).words
    assert [dataclasses.astuple(one) for one in words] == [
        ("zlp", "low pressure", None),
        ("chirper {bad}", "fan", 4.0),
        ("did the dance", "power cycled", 0.9),
    ]


@pytest.mark.parametrize(
    ("table", "says"),
    [
        ("word\tmeaning\nzlp\tlow pressure\n", "found columns word, meaning; allowed: words, meant, weight"),
        ("words\tmeant\tweight\nzlp\t\t\n", "fleet.words, row 1: found an empty cell"),
        ("words\tmeant\tweight\na\tfan\t40\n", 'found weight "40"; allowed: a number above 0, to 10'),
        ("words\tmeant\tweight\na\tswitch reset\t1.5\n", 'found weight "1.5"; allowed: a number above 0, to 1'),
        ("words\tmeant\tweight\na\tlow pressure\t2\n", "no weight where words stand for other words"),
        ("words\tmeant\tweight\na\tfan\tmuch\n", 'found weight "much"'),
    ],
)
def test_own_words_that_are_refused(tmp_path, table, says):
    with pytest.raises(ProfileRefused) as refused:
        load_profile(with_words(tmp_path, table))
    assert says in "\n".join(map(str, refused.value.args[1] if len(refused.value.args) > 1 else [refused.value]))


def test_own_words_that_are_not_there(tmp_path):
    path = with_words(tmp_path, OWN_WORDS)
    (tmp_path / "our_words.tsv").unlink()
    with pytest.raises(ProfileRefused, match="a file that is there"):
        load_profile(path)
