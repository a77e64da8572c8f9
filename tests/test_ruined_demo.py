"""The demo fleet and a deliberately ruined copy of it: records in = kept + refused + repeated, for every file.

Records in are counted here with Python's csv module; each of the three is counted from its own table.
"""

import csv
import gzip
import io
import random
import shutil
from collections.abc import Iterator
from pathlib import Path

import fastexcel
import pytest

from lowambient.profile import load_profile
from lowambient.records import inputs
from lowambient.store import Store, load_all

DEMO = Path(__file__).parents[1] / "demo_data"
RUINS = [
    "",
    "garbage",
    "-99999",
    "1e12",
    "31/31/2016",
    "\u2603 \U0001f9ca",
    "=1+1",
    "  ",
    "NaN",
    "2016-03-13 02:30",
    '"',
]


def decoded(path: Path) -> tuple[str, str]:
    """Text of a delimited file, packed or not, and its encoding."""
    data = gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()
    for encoding in ("utf-8-sig" if data.startswith(b"\xef\xbb\xbf") else "utf-8", "cp1252"):
        try:
            return data.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    raise AssertionError(path)


def rows_of(text: str) -> tuple[list[list[str]], str]:
    """Rows that are not blank, and the delimiter: the one that cuts the first row into most cells."""
    first = text.splitlines()[0]
    delimiter = max(",;\t|", key=first.count)
    return [row for row in csv.reader(io.StringIO(text, newline=""), delimiter=delimiter) if row], delimiter


def ruined(text: str, chance: random.Random) -> str:
    """The file with each column spoiled in some rows, some rows cut short, drawn long, doubled or swapped."""
    (header, *rows), delimiter = rows_of(text)
    for column in range(len(header)):
        for row in chance.sample(rows, min(len(rows), max(1, len(rows) // 200))):
            if len(row) > column:
                row[column] = chance.choice(RUINS)
    for row in chance.sample(rows, min(len(rows), 5)):
        del row[max(1, len(row) // 2) :]
    for row in chance.sample(rows, min(len(rows), 5)):
        row.extend(["one", "too many"])
    rows += [list(row) for row in chance.sample(rows, min(len(rows), 5))]
    chance.shuffle(rows)
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=delimiter, lineterminator="\r\n" if "\r\n" in text else "\n").writerows([header, *rows])
    return out.getvalue()


def ruin(folder: Path) -> None:
    chance = random.Random(99)
    for path in sorted(folder.rglob("*.csv*")):
        if path.suffix not in (".csv", ".gz") or "truth" in path.parts:
            continue
        text, encoding = decoded(path)
        data = ruined(text, chance).encode(encoding, "replace")
        path.write_bytes(gzip.compress(data, mtime=0) if path.suffix == ".gz" else data)


def records_in(path: Path) -> int:
    """Records below the header, counted without the package."""
    if path.suffix == ".xlsx":
        return fastexcel.read_excel(path).load_sheet(0, header_row=2).height
    text, _ = decoded(path)
    if ".csv" not in path.suffixes:
        return sum(bool(line.strip()) for line in text.splitlines())
    return len(rows_of(text)[0]) - 1


def counted(store: Store) -> Iterator[tuple[str, str, tuple[int, int, int, int], tuple[int, int, int]]]:
    """Each file: source, target, what `loads` says, and kept, refused and repeated from their own tables."""
    cells = " + ".join(f"cast({name} is not null as bigint)" for name in inputs.CHANNELS)
    for source, target, file_no in store.query("select source, target, file_no from files order by all").rows():
        said = store.query(
            f"select rows_read, loaded, refused, repeated from loads where source = '{source}' and target = '{target}'"
        ).row(0)
        whole = f"from raw_{target} where file_no = {file_no}"
        is_long = target == "readings" and store.query(f"select count(record) = 0 {whole}").item()
        given = store.query(
            f"select coalesce(sum({cells}), 0) {whole}" if is_long else f"select count(*) {whole}"
        ).item()
        gone = store.query(f"select coalesce(sum(records), 0) from resolved_records where file_no = {file_no}").item()
        refused = store.query(
            f"select count(*) from quarantine where source = '{source}' and target = '{target}'"
        ).item()
        repeated = store.query(
            f"select (select count(*) from repeated_records where file_no = {file_no}) + (select"
            f" coalesce(sum(records), 0) from resolved_records where file_no = {file_no} and outcome = 'repeated')"
        ).item()
        yield source, target, said, (int(given - gone), int(refused), int(repeated))


@pytest.mark.parametrize("is_ruined", [False, pytest.param(True, marks=pytest.mark.slow)], ids=["demo", "ruined demo"])
def test_every_record_of_every_file_is_in_exactly_one_place(tmp_path: Path, is_ruined: bool) -> None:
    folder = tmp_path / "demo"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("*.py", "truth", "*.duckdb*", "__pycache__"))
    if is_ruined:
        ruin(folder)
    profile = load_profile(folder / "fleet.toml")
    with Store(profile.store) as store:
        load_all(store, profile)
        for mart in ("loads", "quarantine"):
            store.build(mart)
        files = list(counted(store))
        for source, _, said, counts in files:
            assert (sum(said[1:]), said[1:]) == (said[0], counts), source
            assert records_in(folder / source) == said[0], source
        for target in inputs.TABLES:
            if target not in ("readings", "stations"):
                kept = sum(said[1] for _, each, said, _ in files if each == target)
                assert store.query(f"select count(*) from in_{target}").item() == kept, target
        refused = sum(said[2] for _, _, said, _ in files)
    assert len(files) > 100
    assert (refused > 5_000) == is_ruined
