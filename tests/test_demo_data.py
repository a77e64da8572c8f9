"""The demo fleet: its weather is observed weather, its circuits behave as the trade knows them, its generator repeats.

Physics is checked against facts of the trade (common practice, no source) and against CoolProp; the package under
`src` takes no part in it.
"""

import csv
import importlib
import importlib.util
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[1] / "demo_data"
MODULES = [path.stem for path in DEMO.glob("*.py")]
MEGABYTE = 1_000_000
PSI = 6.894757  # kPa


@pytest.fixture(scope="module")
def demo() -> Iterator[dict[str, ModuleType]]:
    """The generator's modules, taken out of the way of other tests afterwards."""
    before = set(sys.modules)
    sys.path.insert(0, str(DEMO))
    try:
        yield {name: importlib.import_module(name) for name in MODULES}
    finally:
        sys.path.remove(str(DEMO))
        for name in set(MODULES) - before:
            sys.modules.pop(name, None)


def psig_to_kpa(psig: float) -> float:
    """Gauge to absolute at sea level."""
    return psig * PSI + 101.325


def r410a_circuit(demo: dict[str, ModuleType], **changes: object) -> object:
    """One R-410A circuit with a factory fan-cycling switch and the usual LP switch: 54 / 117 psig."""
    circuit, refrigerants = demo["circuit"], demo["refrigerants"]
    sat = refrigerants.Saturation.of(["R-410A"])
    values: dict[str, object] = {
        "evap_kpa": sat.dew_kpa(np.array([7.0]))[0],
        "cond_kpa": sat.bubble_kpa(np.array([48.0]))[0],
        "evap_td_k": 18.0,
        "cond_td_k": 13.0,
        "valve_feed": 0.95,
        "thermostatic": False,
        "charge_s": 165.0,
        "settle_s": 1800.0,
        "equalise_s": 80.0,
        "indoor_hold": 0.7,
        "fans": 2.0,
        "always_fans": 0.0,
        "head": circuit.CYCLING,
        "fan_on_kpa": psig_to_kpa(418),
        "fan_off_kpa": psig_to_kpa(240),
        "hold_low_c": 30.0,
        "hold_high_c": 40.0,
        "least_speed": 0.1,
        "stage_c": 15.0,
        "exposure": 1.0,
        "shared_fans": False,
        "sister": 0,
        "lp_out_kpa": psig_to_kpa(54),
        "lp_reset_kpa": psig_to_kpa(117),
        "lp_at_liquid": False,
        "lp_delay_s": 60.0,
        "starts_open": False,
        "anti_recycle_s": 180.0,
        "trips_to_latch": 0.0,
        "clears_on_call": False,
        "hp_out_kpa": psig_to_kpa(645),
        "hp_reset_kpa": psig_to_kpa(464),
        "pump_down": False,
    } | changes
    return circuit.Circuits(sat=sat, **{name: np.array([value]) for name, value in values.items()})


def run(
    demo: dict[str, ModuleType],
    lane: object,
    outdoor_c: float,
    *,
    hours: float,
    wind_m_s: float = 1.0,
    fans_always_on: bool = False,
) -> dict[str, np.ndarray]:
    """A call for cooling from rest, ten seconds a step; suction and head in psig, temperatures in °C."""
    circuit = demo["circuit"]
    condition = circuit.sound(1)
    condition.head[:] = circuit.FANS_ALWAYS_ON if fans_always_on else circuit.WORKING
    standing = np.array([outdoor_c])
    state = circuit.at_rest(lane, condition, standing)
    around = circuit.Around(standing, standing, np.array([wind_m_s]), np.array([23.0]), np.array([True]))
    kept: dict[str, list[float]] = {
        name: [] for name in ("suction", "head", "condensing", "running", "lp_trip", "fans", "open")
    }
    for _ in range(int(hours * 360)):
        flows = circuit.step(lane, condition, state, around, 10.0)
        for name, value in (
            ("suction", (state.suction_kpa - 101.325) / PSI),
            ("head", (state.head_kpa - 101.325) / PSI),
            ("condensing", flows.condensing_c),
            ("running", state.running),
            ("lp_trip", flows.lp_trip),
            ("fans", state.fan_share),
            ("open", state.lp_open),
        ):
            kept[name].append(float(value[0]))
    return {name: np.array(values) for name, values in kept.items()}


def test_factory_fan_cycling_swings_between_its_two_pressures(demo: dict[str, ModuleType]) -> None:
    # Common practice, no source: R-410A fans start at 415-420 psig and stop at about 240 psig.
    trace = run(demo, r410a_circuit(demo), outdoor_c=2.0, hours=1.0)
    fans = trace["fans"][120:]
    head = trace["head"][120:]
    starts = np.flatnonzero((fans[1:] > 0.5) & (fans[:-1] < 0.5)) + 1
    stops = np.flatnonzero((fans[1:] < 0.5) & (fans[:-1] > 0.5)) + 1
    assert len(starts) >= 3
    assert len(stops) >= 3
    # The switch acts on the pressure at the end of the step before.
    assert np.all((head[starts - 1] >= 415) & (head[starts - 1] <= 450)), "one step of rise at most above the setting"
    assert np.all((head[stops - 1] >= 236) & (head[stops - 1] <= 240))
    assert trace["lp_trip"].sum() == 0


def test_without_its_control_the_same_circuit_trips_at_54_and_stays_out(demo: dict[str, ModuleType]) -> None:
    # Common practice, no source: the LP switch opens at 54 psig and resets at about 117 psig, 39 °F standing.
    lane = r410a_circuit(demo, lp_delay_s=0.0)
    cold = run(demo, lane, outdoor_c=-8.0, hours=6.0, fans_always_on=True)
    trips = np.flatnonzero(cold["lp_trip"])
    assert trips.size >= 1
    assert cold["suction"][trips[0]] == pytest.approx(54, abs=1.0)
    assert cold["open"][-360:].all(), "an hour after the last trip the switch is still open"
    assert cold["suction"][-1] < 117
    held = run(demo, r410a_circuit(demo, lp_delay_s=180.0), outdoor_c=-8.0, hours=6.0)
    assert held["lp_trip"][90:].sum() == 0, "with the control in service it may trip on its first start, then it runs"
    assert held["running"][-360:].all()


def test_standing_pressure_at_37_to_38_f_is_112_to_114_psig(demo: dict[str, ModuleType]) -> None:
    # Common practice, no source.
    sat = demo["refrigerants"].Saturation.of(["R-410A", "R-410A"])
    psig = (sat.bubble_kpa((np.array([37.0, 38.0]) - 32) / 1.8) - 101.325) / PSI
    assert psig[0] == pytest.approx(112, abs=0.6)
    assert psig[1] == pytest.approx(114, abs=0.6)


def test_one_of_two_fans_on_a_cold_day_condenses_at_84_to_90_f(demo: dict[str, ModuleType]) -> None:
    # Common practice, no source. A cold day: 45 °F; one fan is not under the control, the other stays off.
    # Rated condensing over ambient 15 K, within the 20-30 °F of comfort cooling (Wang).
    lane = r410a_circuit(
        demo, cond_td_k=15.0, always_fans=1.0, valve_feed=1.3, thermostatic=True, fan_on_kpa=psig_to_kpa(600)
    )
    trace = run(demo, lane, outdoor_c=(45.0 - 32) / 1.8, hours=1.0)
    condensing_f = trace["condensing"][-60:].mean() * 1.8 + 32
    assert 84 <= condensing_f <= 90


def test_liquid_left_indoors_holds_the_low_side_up_at_first(demo: dict[str, ModuleType]) -> None:
    # The design's reason for restarts before a lockout: standing pressure settles over minutes to hours.
    circuit = demo["circuit"]
    lane = r410a_circuit(demo)
    condition = circuit.sound(1)
    out = np.array([-5.0])
    state = circuit.at_rest(lane, condition, out)
    state.low_liquid_s[:] = 60.0
    around = circuit.Around(out, out, np.array([1.0]), np.array([23.0]), np.array([False]))
    suction = []
    for _ in range(6 * 360):
        circuit.step(lane, condition, state, around, 10.0)
        suction.append(state.suction_kpa[0])
    standing = lane.sat.bubble_kpa(out)[0]
    assert max(suction[:120]) > 1.3 * standing
    assert suction[-1] == pytest.approx(standing, rel=0.05)


def test_wind_takes_head_pressure_from_staged_fan_cycling(demo: dict[str, ModuleType]) -> None:
    # A cold windy day defeats staged fan cycling (trade press): colder condensing with the fans off.
    hardy = r410a_circuit(
        demo, thermostatic=True, valve_feed=1.6, lp_out_kpa=psig_to_kpa(5), lp_reset_kpa=psig_to_kpa(20)
    )
    calm, windy = (
        run(demo, hardy, outdoor_c=-20.0, hours=1.0, wind_m_s=wind)["condensing"][-120:].mean() for wind in (0.5, 12.0)
    )
    assert windy < calm - 2.0


def test_saturation_of_the_generator_agrees_with_coolprop(demo: dict[str, ModuleType]) -> None:
    # CoolProp 8, flashed at temperatures between those of the fit.
    from CoolProp.CoolProp import PropsSI

    refrigerants = demo["refrigerants"]
    for name in ("R-410A", "R-22", "R-407C", "R-404A"):
        sat = refrigerants.Saturation.of([name])
        for celsius in (-41.3, -7.7, 12.9, 44.1):
            for quality, curve in ((0, sat.bubble_c), (1, sat.dew_c)):
                kpa = PropsSI("P", "T", celsius + 273.15, "Q", quality, refrigerants.COOLPROP_NAME[name]) / 1000
                assert curve(np.array([kpa]))[0] == pytest.approx(celsius, abs=0.03)


def diyepw_folder() -> Path:
    """Where the PyPI package keeps NOAA's files (found without importing it)."""
    spec = importlib.util.find_spec("diyepw")
    assert spec is not None
    assert spec.origin is not None
    return Path(spec.origin).parent / "data" / "noaa_isd_lite_files"


def test_observed_weather_is_byte_for_byte_that_of_noaa() -> None:
    # NOAA ISD-Lite as carried by diyepw 1.3.1.
    theirs = {path.name: path.read_bytes() for path in diyepw_folder().glob("*.gz")}
    ours = {path.name: path.read_bytes() for path in (DEMO / "noaa_isd_lite").glob("*.gz")}
    assert ours == theirs
    assert len(ours) == 8
    exported = sorted((DEMO / "exports" / "weather").glob("725300-*.gz"))
    assert [path.name for path in exported] == ["725300-2015.gz", "725300-2016.gz", "725300-2017.gz"]
    assert all(path.read_bytes() == theirs[path.name] for path in exported)


def test_resampled_weather_comes_from_the_same_season(demo: dict[str, ModuleType]) -> None:
    # Every resampled month lies within the observed extremes of the months around it (blocks move 15 days at most).
    blocks = demo["weather_blocks"]
    start = datetime(2014, 9, 1, tzinfo=UTC)
    weather = blocks.make_weather("highlands", start, 24 * 700, np.random.default_rng(5))
    observed: dict[int, list[float]] = {}
    for year, values in blocks.observed_years(weather.station).items():
        for hour, temperature_c in enumerate(values[0]):
            month = (datetime(year, 1, 1, tzinfo=UTC) + timedelta(hours=hour)).month
            observed.setdefault(month, []).append(temperature_c)
    assert not weather.observed.any()
    joins_k = 6.0  # a join lifts or lowers the first day of a block by what is left of the jump
    for hour in range(0, weather.temperature_c.size, 7):
        month = (start + timedelta(hours=hour)).month
        around = [t for m in (month - 1, month, month + 1) for t in observed[(m - 1) % 12 + 1]]
        assert min(around) - joins_k <= weather.temperature_c[hour] <= max(around) + joins_k


def read(path: Path) -> list[dict[str, str]]:
    """A truth file."""
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_committed_demo_is_small_and_its_truth_readable() -> None:
    assert (
        sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file() and "__pycache__" not in path.parts)
        < 13 * MEGABYTE
    )
    truth = DEMO / "truth"
    units = {row["unit_id"] for row in read(truth / "units.csv")}
    assert len(units) == 300
    assert len({row["site_id"] for row in read(truth / "units.csv")}) == 90
    for name in ("conditions", "calls", "lockouts", "trips", "set_points", "loggers", "next_winter"):
        rows = read(truth / f"{name}.csv")
        assert rows, name
        assert {row["unit_id"] for row in rows} <= units, name
    logged = {row["unit_id"] for row in read(truth / "loggers.csv")}
    assert 50 <= len(logged) <= 60


def test_every_exported_ticket_has_a_planted_cause() -> None:
    planted = {row["call_id"] for row in read(DEMO / "truth" / "calls.csv")}
    exported = set()
    for path in (DEMO / "exports").glob("calls_*.csv"):
        with path.open(encoding="cp1252", newline="") as stream:
            rows = list(csv.reader(stream))
        exported |= {row[0] for row in rows if row[0] not in ("Ticket", "Total")}
    assert planted <= exported
    extra = exported - planted
    # Second tickets for the same trouble carry the number after the first's.
    assert all(f"QM{int(ticket[2:]) - 1}" in planted for ticket in extra)
    assert 0 < len(extra) < 0.03 * len(planted)


def test_lockouts_and_calls_tell_one_story() -> None:
    # A call for a cold lockout has a lockout on its unit that began before it (and within its long silence).
    began: dict[str, list[str]] = {}
    for row in read(DEMO / "truth" / "lockouts.csv"):
        began.setdefault(row["unit_id"], []).append(row["started_at"])
    cold = {
        row["call_id"]: row["unit_id"]
        for row in read(DEMO / "truth" / "calls.csv")
        if row["cause"] == "cold lockout" and row["circuit"] and row["work_type"] == "service"
    }
    assert len(cold) > 200
    assert all(unit in began for unit in cold.values())


def test_same_seed_same_bytes_and_another_seed_another_fleet(demo: dict[str, ModuleType], tmp_path: Path) -> None:
    generate = demo["generate"]
    small = ["--units", "6", "--sites", "3", "--start", "2016-10-01", "--end", "2017-02-28", "--logger-share", "0.34"]
    small += ["--log-days", "3", "--probe-sessions", "3", "--future-winters", "1"]
    made = []
    for seed, name in (("3", "first"), ("3", "again"), ("4", "other")):
        counts = generate.generate(generate.parse([*small, "--seed", seed, "--out", str(tmp_path / name)]))
        assert counts["units"] == 6
        files = sorted(path for path in (tmp_path / name).rglob("*") if path.is_file())
        made.append({str(path.relative_to(tmp_path / name)): path.read_bytes() for path in files})
    assert made[0] == made[1]
    assert made[0]["exports/units.xlsx"] != made[2]["exports/units.xlsx"]
    assert "fleet.toml" in made[0]
