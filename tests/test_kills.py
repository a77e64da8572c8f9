"""A load that dies or fails: the store opens, whole files are kept, and the next load comes to the same tables."""

import random
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from conftest import CALLS, CALLS_SOURCE, LONG_SOURCE, WIDE_SOURCE, SmallFleet

from lowambient.profile import load_profile
from lowambient.records import inputs
from lowambient.store import Store, load_all

# Each script makes the load kill itself at a named point; `at` is how often the point is passed before.
DIE = """
import itertools, os, signal, sys, threading
from pathlib import Path
from lowambient import pipeline
from lowambient.store import database, ledger, queries, watching

passed = itertools.count()
def die(at):
    if next(passed) == at:
        os.kill(os.getpid(), signal.SIGKILL)

def before(owner, name, at, wanted=lambda *given: True):
    whole = getattr(owner, name)
    def patched(*given, **named):
        if wanted(*given):
            die(at)
        return whole(*given, **named)
    setattr(owner, name, patched)
"""
POINTS = {
    "before commit": "before(ledger, '_refuse_changed', {at})",
    "after commit": "before(queries, 'text', {at}, lambda kind, name: name == 'drop_working_tables')",
    "between files": "before(watching.Watch, 'at', {at})",
    "in checkpoint": (
        "whole = database.Store.checkpoint\n"
        "def checkpoint(store):\n"
        "    threading.Timer(0.001 * {at}, os.kill, (os.getpid(), signal.SIGKILL)).start()\n"
        "    whole(store)\n"
        "    threading.Event().wait(1)\n"
        "database.Store.checkpoint = checkpoint"
    ),
}
LOAD = "\npipeline.load(Path(sys.argv[1]))\n"
PASSES = {"before commit": range(6), "after commit": range(6), "between files": range(5), "in checkpoint": (0, 1, 3)}
NAMED = [
    pytest.param(point, at, marks=[pytest.mark.slow] if at else []) for point, passes in PASSES.items() for at in passes
]
TABLES = [f"in_{table}" for table in inputs.TABLES]


@pytest.fixture(scope="module")
def exports(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with seven export files, not yet loaded."""
    made = SmallFleet(tmp_path_factory.mktemp("exports"))
    hours = [f"2016-01-{1 + n // 24:02d} {n % 24:02d}:00" for n in range(600)]
    made.write("calls_a.csv", CALLS)
    made.write("calls_b.csv", CALLS.replace("C1", "C8").replace("C2", "C9").replace("RTU-3", "RTU-77"))
    made.write("wide_a.csv", "Unit,Time,SP,LP,OAT\n" + "".join(f"RTU-1,{hour},110,240,37\n" for hour in hours))
    made.write("wide_b.csv", "Unit,Time,SP,LP,OAT\n" + "".join(f"RTU-2,{hour},60,200,37\n" for hour in hours))
    made.write("long.csv", "Unit,Time,Point,Value\n" + "".join(f"RTU-3,{hour},SP,100\n" for hour in hours))
    made.add(CALLS_SOURCE).add(WIDE_SOURCE).add(LONG_SOURCE)
    assert made.profile_path.exists()
    return made.folder


def contents(folder: Path) -> dict[str, list[tuple[object, ...]]]:
    """All input tables and the ledger after a load that was let finish."""
    profile = load_profile(folder / "fleet.toml")
    with Store(profile.store) as store:
        load_all(store, profile)
        store.build("loads")
        store.build("quarantine")
        return {name: store.frame(name, "all").rows() for name in (*TABLES, "loads", "quarantine")}


def whole_files(folder: Path) -> int:
    """Files that stand in a store after a kill; each must be there with all of its records or not at all."""
    profile = load_profile(folder / "fleet.toml")
    with Store(profile.store) as store:
        rows = store.query(
            "select files.rows_read, files.refused, files.repeated, files.target, files.file_no,"
            " (select count(*) from refused_records as r where r.file_no = files.file_no) as in_quarantine from files"
        ).rows()
        for rows_read, refused, repeated, target, file_no, in_quarantine in rows:
            kept = store.query(f"select count(*) from raw_{target} where file_no = {file_no}").item()
            assert in_quarantine == refused
            assert rows_read == kept + refused + repeated
        return len(rows)


def kill_load(folder: Path, script: str, after_s: float | None = None) -> int:
    """Runs a load in a process of its own that is killed, by itself or after a time; returns how it ended."""
    process = subprocess.Popen([sys.executable, "-c", DIE + script + LOAD, str(folder / "fleet.toml")])
    if after_s is not None:
        time.sleep(after_s)
        process.kill()
    return process.wait(timeout=60)


@pytest.fixture(scope="module")
def expected(exports: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[tuple[object, ...]]]:
    folder = tmp_path_factory.mktemp("whole") / "fleet"
    shutil.copytree(exports, folder)
    found = contents(folder)
    assert len(found["in_readings"]) == 1800
    return found


@pytest.mark.parametrize(("point", "at"), NAMED)
def test_a_load_killed_at_a_named_point_loses_nothing(
    exports: Path, expected: dict[str, list[tuple[object, ...]]], tmp_path: Path, point: str, at: int
) -> None:
    folder = tmp_path / "fleet"
    shutil.copytree(exports, folder)
    assert kill_load(folder, POINTS[point].format(at=at)) == -signal.SIGKILL
    stood = whole_files(folder)
    if point != "in checkpoint":
        assert stood == {"before commit": at, "after commit": at + 1, "between files": at}[point]
    assert contents(folder) == expected


@pytest.mark.slow
def test_loads_killed_at_random_lose_nothing(
    exports: Path, expected: dict[str, list[tuple[object, ...]]], tmp_path: Path
) -> None:
    folder = tmp_path / "fleet"
    shutil.copytree(exports, folder)
    chance = random.Random(20)
    stood = 0
    for _ in range(10):
        kill_load(folder, "", after_s=chance.uniform(0.6, 2.5))
        if (folder / "fleet.duckdb").exists():
            now = whole_files(folder)
            assert now >= stood
            stood = now
    assert contents(folder) == expected


def test_ctrl_c_in_a_long_statement_ends_it_soon_and_leaves_the_store_whole(
    exports: Path, expected: dict[str, list[tuple[object, ...]]], tmp_path: Path
) -> None:
    folder = tmp_path / "fleet"
    shutil.copytree(exports, folder)
    script = (
        "import sys\nfrom lowambient.store import ledger\nfrom lowambient.cli import main\n"
        "whole = ledger._note_ids\n"
        "def slow(con, plan, file_no):\n"
        "    if plan.target == 'readings':\n"
        "        print('at it', flush=True)\n"
        "        con.execute('select sum(a.range * b.range) from range(100000000) as a, range(100000000) as b')\n"
        "    whole(con, plan, file_no)\n"
        "ledger._note_ids = slow\nmain()\n"
    )
    command = [sys.executable, "-c", script, "load", str(folder / "fleet.toml")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "at it\n"
        time.sleep(0.5)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=15)
    assert process.returncode == 130
    assert "interrupted" in said
    assert "Traceback" not in said
    assert whole_files(folder) == 4
    assert contents(folder) == expected


def test_a_full_disk_is_exit_4_and_the_next_load_goes_on(
    exports: Path, expected: dict[str, list[tuple[object, ...]]], tmp_path: Path
) -> None:
    folder = tmp_path / "fleet"
    shutil.copytree(exports, folder)
    script = (
        "import resource, sys\nfrom lowambient.cli import main\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (600_000, 600_000))\nmain()\n"
    )
    command = [sys.executable, "-c", script, "load", str(folder / "fleet.toml")]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 4, done.stderr
    assert "no space" in done.stderr
    assert "Traceback" not in done.stderr
    assert contents(folder) == expected


def test_a_file_that_changes_while_it_is_read_is_refused_and_nothing_of_it_kept(exports: Path, tmp_path: Path) -> None:
    folder = tmp_path / "fleet"
    shutil.copytree(exports, folder)
    script = (
        "import sys\nfrom pathlib import Path\nfrom lowambient.store import ledger\nfrom lowambient.cli import main\n"
        "whole = ledger._note_ids\n"
        "def meanwhile(con, plan, file_no):\n"
        "    if plan.source == 'calls_b.csv':\n"
        "        with plan.path.open('a') as file:\n"
        "            file.write('C7,RTU-1,2016-01-09 09:00,,service,late,1\\n')\n"
        "    whole(con, plan, file_no)\n"
        "ledger._note_ids = meanwhile\nmain()\n"
    )
    command = [sys.executable, "-c", script, "load", str(folder / "fleet.toml")]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 2
    assert "calls_b.csv changed while it was read" in done.stderr
    assert whole_files(folder) == 3
    found = contents(folder)["in_calls"]
    assert [row[0] for row in found] == ["C1", "C2", "C7", "C8"]
