"""Generated worlds agree with themselves, with physics known outside, and with what the package's loader accepts."""

import csv
import datetime as dt
import hashlib
import subprocess
import sys
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from world import Options, World, make
from world.circuit import COIL_LOAD, Condition, lowest_head_c, suction_curve
from world.fleet import Circuit
from world.life import Lockout
from world.saturation import BUBBLE, STANDARD_KPA, bubble_c, bubble_kpa, dew_kpa, gauge_kpa
from world.truth import COOLS_BELOW_C
from world.winters import count_spells
from world.written import write_world

HEAD_CAUSES = {"no head control", "head control out", "beyond control"}


def fahrenheit(celsius: float) -> float:
    return celsius * 1.8 + 32


def rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def instant(text: str) -> dt.datetime:
    return dt.datetime.fromisoformat(text.replace("Z", "+00:00")) if text else dt.datetime(2999, 1, 1, tzinfo=dt.UTC)


# --- saturation: common practice of the field (no source) and CoolProp 8.0.0 ------------------------------------------


def test_reset_of_117_psig_is_39_fahrenheit_at_sea_level_and_38_a_mile_up() -> None:
    """Common practice: R-410A switches reset at about 117 psig; standing pressure at 37-38 °F is 112-114 psig."""
    assert fahrenheit(bubble_c("R-410A", gauge_kpa(117, 0))) == pytest.approx(39.2, abs=0.2)
    assert fahrenheit(bubble_c("R-410A", gauge_kpa(117, 1609.3))) == pytest.approx(38.1, abs=0.2)
    at_37 = (bubble_kpa("R-410A", (37 - 32) / 1.8) - STANDARD_KPA) / 6.894757
    assert 111.5 < at_37 < 114.5
    assert fahrenheit(bubble_c("R-410A", gauge_kpa(250, 0))) == pytest.approx(84, abs=0.6)


@pytest.mark.slow
@pytest.mark.parametrize("refrigerant", ["R-410A", "R-22", "R-407C", "R-32", "R-404A", "R-134a", "R-507A"])
def test_saturation_agrees_with_coolprop(refrigerant: str) -> None:
    coolprop = pytest.importorskip("CoolProp.CoolProp")
    name = refrigerant.replace("-", "")
    for celsius in np.arange(-45.0, 56.0, 5.0):
        for quality, ours in ((0, bubble_kpa), (1, dew_kpa)):
            theirs = coolprop.PropsSI("P", "T", celsius + 273.15, "Q", quality, name) / 1000
            assert ours(refrigerant, celsius) == pytest.approx(theirs, rel=2e-3)


# --- one circuit ------------------------------------------------------------------------------------------------------


def circuit(**changes: Any) -> Circuit:
    plain: dict[str, Any] = {
        "name": "1",
        "refrigerant": "R-410A",
        "cut_out_kpa": gauge_kpa(54, 0),
        "reset_kpa": gauge_kpa(117, 0),
        "reset_c": 4.0,
        "condenser_over_k": 12.0,
        "design_evaporating_c": 6.0,
        "space_c": 23.0,
        "valve": "txv",
        "oversize": 1.2,
        "start_dip": 0.8,
        "head_control": "none",
        "fans": 2,
        "fan_on_c": 46.0,
        "fan_off_c": 27.0,
        "hold_c": 32.0,
        "baffle": False,
        "still_air": 0.06,
        "latch_after": 0,
        "clears_with_call": False,
        "coil_bias_k": 0.0,
        "anti_recycle_min": 3.0,
        "start_delay_s": 60.0,
        "pump_down": False,
    }
    return Circuit(**(plain | changes))


def test_head_follows_the_air_without_a_control_and_is_held_with_one() -> None:
    air, wind = np.array([-10.0, 0.0, 10.0]), np.full(3, 2.0)
    bare = lowest_head_c(circuit(), Condition(), air, wind)
    assert np.diff(bare) == pytest.approx([10.0, 10.0])
    assert bare[1] == pytest.approx(12.0 * COIL_LOAD)
    held = lowest_head_c(circuit(), Condition(control_fitted="fan speed"), air, wind)
    assert held == pytest.approx(np.full(3, 32.0), abs=2.0)
    lost = lowest_head_c(circuit(), Condition(control_fitted="fan speed", control_out=True), air, wind)
    assert lost == pytest.approx(bare)


def test_suction_falls_with_head_and_sooner_with_a_leak_or_a_restriction() -> None:
    sound = suction_curve(circuit(), Condition())
    assert (np.diff(sound) > -1e-3).mean() > 0.9
    for faulty in (Condition(charge=0.6), Condition(metering=0.5)):
        assert (suction_curve(circuit(), faulty) < sound - 0.05).mean() > 0.7


def test_spells_are_counted_from_the_end_of_one_to_the_start_of_the_next() -> None:
    def lockout(began: float, ended: float) -> Lockout:
        return Lockout(0, began, 1, "no head control", True, ended)

    assert count_spells([]) == 0
    assert count_spells([lockout(0, 5), lockout(70, 80), lockout(140, 141)]) == 1
    assert count_spells([lockout(0, 5), lockout(78, 80), lockout(151.9, 153)]) == 2


# --- whole worlds -----------------------------------------------------------------------------------------------------


@pytest.mark.slow
def test_mild_weather_makes_no_cold_lockouts() -> None:
    world = make(Options(3, units=80, winters=2, logger_share=0.0, climate="mild"))
    assert not [x for life in world.lives for x in life.lockouts if x.cold]
    assert not [t for life in world.lives for t in life.tickets if t.cold_lockout]
    assert sum(len(life.tickets) for life in world.lives) > 100
    assert not [r for stretches in world.recurring for r in stretches if r.by == "cold"]


@pytest.fixture(scope="module")
def made() -> World:
    return make(Options(11, units=60, winters=2, climate="continental", checks=0.3))


@pytest.fixture(scope="module")
def written(made: World, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("world")
    write_world(made, folder)
    return folder


@pytest.mark.slow
def test_every_cold_lockout_lies_in_cold_hours_and_in_its_condition(made: World, written: Path) -> None:
    held: dict[tuple[str, str], list[tuple[dt.datetime, dt.datetime, str]]] = defaultdict(list)
    for r in rows(written / "truth/conditions.csv"):
        held[(r["unit_id"], r["condition"])].append((instant(r["began_at"]), instant(r["ended_at"]), r["circuit"]))
        assert instant(r["began_at"]) < instant(r["ended_at"])
    life_of = {life.unit.unit_id: life for life in made.lives}
    cold = 0
    for r in rows(written / "truth/lockouts.csv"):
        began = instant(r["started_at"])
        assert began < instant(r["ended_at"])
        hour = (began.replace(tzinfo=None) - made.habits.start).total_seconds() / 3600
        life = life_of[r["unit_id"]]
        if r["is_cold"] == "true":
            cold += 1
            assert r["cause"] in HEAD_CAUSES
            if r["resolved"] == "hour" and r["ended_by"] != "cooling call ended":
                assert life.around.outdoor_c[int(hour)] < 17.0
        if r["cause"] in {"unknown", "beyond control"}:
            continue
        slack = dt.timedelta(hours=3)
        places = {"", r["circuit"]}
        assert any(a - slack <= began <= b + slack and c in places for a, b, c in held[(r["unit_id"], r["cause"])]), r
    assert cold > 20


@pytest.mark.slow
def test_truth_refers_to_exported_units_and_calls(written: Path) -> None:
    units = {r["unit_id"] for r in rows(written / "truth/units.csv")}
    assert len(units) == 60
    for name in ("conditions", "lockouts", "calls", "recurring", "next_winter", "next_winter_fixed"):
        assert {r["unit_id"] for r in rows(written / f"truth/{name}.csv")} <= units
    exported = "".join(p.read_text(encoding="utf-8") for p in (written / "exports").glob("calls_*.csv"))
    calls = rows(written / "truth/calls.csv")
    assert len({r["call_id"] for r in calls}) == len(calls)
    assert all(r["call_id"] in exported for r in calls)
    for r in calls:
        assert r["is_cold_lockout"] == "false" or r["cause"] in HEAD_CAUSES
        assert set(r["statements_written"].split("; ")) - {""} <= set(r["statements"].split("; "))
    blank = np.mean([r["note_blank"] == "true" for r in calls])
    assert 0.1 < blank < 0.4
    assert len(rows(written / "truth/next_winter.csv")) == 5 * len(units)


@pytest.mark.slow
def test_a_sound_head_control_saves_most_calls_of_the_cold(written: Path) -> None:
    def total(name: str) -> int:
        return sum(int(r["cold_lockout_calls"]) for r in rows(written / f"truth/{name}.csv"))

    assert total("next_winter") > 10
    assert total("next_winter_fixed") < 0.6 * total("next_winter")


@pytest.mark.slow
def test_cooling_in_the_cold_is_what_makes_a_missing_control_a_condition(written: Path) -> None:
    cools = {r["unit_id"]: r["cools_in_cold"] == "true" for r in rows(written / "truth/units.csv")}
    assert COOLS_BELOW_C < 10
    missing = {r["unit_id"] for r in rows(written / "truth/conditions.csv") if r["condition"] == "no head control"}
    assert missing
    assert all(cools[unit] for unit in missing)


@pytest.mark.slow
def test_the_loader_takes_every_export_and_refuses_nothing(written: Path) -> None:
    program = [sys.executable, "-c", "from lowambient.cli import main; main()"]
    done = subprocess.run([*program, "load", str(written / "fleet.toml")], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    listed = subprocess.run(
        [*program, "table", str(written / "fleet.toml"), "refused_records"], capture_output=True, text=True, check=False
    )
    assert listed.returncode == 0, listed.stderr
    assert len(listed.stdout.strip().splitlines()) <= 1, listed.stdout[:2000]
    read = subprocess.run(
        [*program, "table", str(written / "fleet.toml"), "in_units"], capture_output=True, text=True, check=False
    )
    assert len(list(csv.DictReader(read.stdout.splitlines()))) == 60


@pytest.mark.slow
def test_same_seed_same_bytes_other_seed_other_bytes(tmp_path: Path) -> None:
    def digests(name: str, seed: int) -> dict[str, str]:
        write_world(make(Options(seed, units=10, winters=1, logger_share=0.1)), tmp_path / name)
        files = sorted(p for p in (tmp_path / name).rglob("*") if p.is_file())
        return {str(p.relative_to(tmp_path / name)): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}

    first, second, other = digests("a", 5), digests("b", 5), digests("c", 6)
    assert first == second
    assert first["truth/calls.csv"] != other["truth/calls.csv"]
    assert first["fleet.toml"] != other["fleet.toml"]


def test_every_refrigerant_has_both_curves_and_bubble_is_over_dew() -> None:
    for refrigerant in BUBBLE:
        temperatures = np.arange(-40.0, 50.0, 10.0)
        assert (bubble_kpa(refrigerant, temperatures) >= dew_kpa(refrigerant, temperatures) * 0.997).all()
        assert bubble_c(refrigerant, bubble_kpa(refrigerant, 5.0)) == pytest.approx(5.0, abs=0.01)
