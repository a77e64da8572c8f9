"""How a file is written: its format, encoding, delimiter and header, found once and then held to.

Nothing here converts a value. A file that cannot be a table at all is refused with a sentence that says what to do.
"""

import codecs
import csv
import gzip
import hashlib
import io
import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from charset_normalizer import from_bytes

from lowambient.errors import InputRefused

HEAD_BYTES = 65_536
HEADER_WITHIN = 60
GZIP_BYTES = 64 * 2**30
GZIP_RATIO = 1_100
DELIMITERS = (",", ";", "\t", "|")
TEXT_FORMATS = ("csv", "jsonl", "isd-lite", "tmy3", "epw")
_SUFFIXES = {
    ".csv": "csv",
    ".txt": "csv",
    ".tsv": "csv",
    ".tab": "csv",
    ".dat": "csv",
    ".log": "csv",
    ".xlsx": "xlsx",
    ".xlsm": "xlsx",
    ".parquet": "parquet",
    ".pq": "parquet",
    ".jsonl": "jsonl",
    ".ndjson": "jsonl",
    ".json": "jsonl",
    ".epw": "epw",
}
_MAGIC = {
    b"%PDF": "a PDF document",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"\xd0\xcf\x11\xe0": "an old binary spreadsheet (.xls); save it as .xlsx or CSV",
    b"7z\xbc\xaf": "a 7z archive; unpack it first",
    b"Rar!": "a RAR archive; unpack it first",
    b"SQLite": "a SQLite database; export its tables as CSV",
}


@dataclass(frozen=True)
class Fingerprint:
    """What one pass over a file's bytes shows.

    `lines` counts line feeds of the (unpacked) text, plus one for an unended last line; `utf8` says that all of
    it decodes as UTF-8, `partly_utf8` that most of what is not ASCII does.
    """

    digest: str
    size: int
    modified_ns: int
    lines: int
    quotes: int
    nuls: int
    utf8: bool
    partly_utf8: bool


@dataclass(frozen=True)
class Dialect:
    """How to read one file. `header_record` is the place of the header among its records, from 0; -1 for none."""

    format: str
    packed: bool
    encoding: str
    encoding_proposed: bool
    delimiter: str
    header_record: int
    header_line: int
    columns: tuple[str, ...]


def check_is_file(path: Path) -> None:
    """Raises InputRefused for a path that is missing, a directory, empty or unreadable."""
    if path.is_dir():
        raise InputRefused(f"{path} is a folder: name the files in it, for example {path / '*.csv'}")
    if not path.exists():
        raise InputRefused(f"{path} does not exist: check the name, or where the profile says it lies")
    try:
        if path.stat().st_size == 0:
            raise InputRefused(f"{path} is empty: export it again, or take it out of the profile")
        with path.open("rb"):
            pass
    except PermissionError as error:
        raise InputRefused(f"{path} cannot be read: you have no permission to open it") from error


def is_packed(path: Path) -> bool:
    """Whether the file is gzip, by its first bytes."""
    with path.open("rb") as file:
        return file.read(2) == b"\x1f\x8b"


class _Capped(io.RawIOBase):
    """An unpacked gzip stream that refuses to grow without end."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._packed_size = path.stat().st_size
        self._file = gzip.open(path, "rb")  # noqa: SIM115 - closed with this stream
        self._seen = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        try:
            data = self._file.read(len(buffer))
        except (EOFError, OSError) as error:
            raise InputRefused(f"{self._path} is a damaged gzip file ({error}): copy or export it again") from error
        self._seen += len(data)
        if self._seen > GZIP_BYTES or self._seen > GZIP_RATIO * (self._packed_size + 1000):
            raise InputRefused(f"{self._path} unpacks to far more than it should: unpack and look at it first")
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        self._file.close()
        super().close()


def open_bytes(path: Path) -> BinaryIO:
    """The file's bytes, unpacked where it is gzip."""
    if is_packed(path):
        return io.BufferedReader(_Capped(path), 1 << 20)
    return path.open("rb")


def head(path: Path) -> bytes:
    """The first 64 KB of the unpacked file."""
    with open_bytes(path) as file:
        return file.read(HEAD_BYTES)


def fingerprint(path: Path) -> Fingerprint:
    """Reads the file once: digest, size, and what decides how it can be read."""
    stat = path.stat()
    digest = hashlib.sha256()
    if is_packed(path):
        with path.open("rb") as file:
            for chunk in iter(lambda: file.read(1 << 20), b""):
                digest.update(chunk)
        with open_bytes(path) as file:
            shape = _shape(file, None)
    else:
        with path.open("rb") as file:
            shape = _shape(file, digest)
    return Fingerprint(digest.hexdigest(), stat.st_size, stat.st_mtime_ns, *shape)


def _shape(file: BinaryIO, digest: "hashlib._Hash | None") -> tuple[int, int, int, bool, bool]:
    lines = quotes = nuls = good = bad = 0
    last = b""
    while chunk := file.read(1 << 20):
        if digest is not None:
            digest.update(chunk)
        lines += chunk.count(b"\n")
        quotes += chunk.count(b'"')
        nuls += chunk.count(b"\0")
        if not chunk.isascii():
            more_good, more_bad = _utf8_letters(chunk)
            good, bad = good + more_good, bad + more_bad
        last = chunk[-1:]
    lines += last not in (b"\n", b"")
    return lines, quotes, nuls, bad == 0, good > bad


def _utf8_letters(chunk: bytes) -> tuple[int, int]:
    """Letters beyond ASCII in the chunk, and bytes that are no UTF-8; letters cut by its ends are passed over."""
    start = 0
    while start < min(4, len(chunk)) and chunk[start] & 0xC0 == 0x80:
        start += 1
    stop = len(chunk)
    for back in range(1, min(4, len(chunk)) + 1):
        if chunk[-back] & 0xC0 == 0xC0:
            stop = len(chunk) - back
            break
        if chunk[-back] < 0x80:
            break
    text = chunk[start:stop].decode("utf-8", "replace")
    bad = text.count("\ufffd")
    return len(text) - bad - len(text.encode("ascii", "ignore")), bad


def encoding_of(start: bytes, shape: Fingerprint | None, declared: str | None) -> tuple[str, bool]:
    """Encoding of a text file, and whether it is a proposal rather than declared, marked or proven."""
    if declared:
        return codecs.lookup(declared).name, False
    for mark, name in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if start.startswith(mark):
            return name, False
    for side, name in ((1, "utf-16-le"), (0, "utf-16-be")):
        if start[side::2].count(0) > len(start) // 4:
            return name, True
    seen = shape or _shape_of_head(start)
    if seen.utf8 or seen.partly_utf8:
        return "utf-8", not seen.utf8
    return _proposed(start), True


def _shape_of_head(start: bytes) -> Fingerprint:
    return Fingerprint("", len(start), 0, *_shape(io.BytesIO(start), None))


def _proposed(start: bytes) -> str:
    """Western exports are CP-1252; Cyrillic only where whole words say so."""
    best = from_bytes(start, cp_isolation=["cp1252", "cp1251"]).best()
    words = re.findall(r"[\u0400-\u04ff]{4,}", start.decode("cp1251", "ignore"))
    return "cp1251" if best is not None and best.encoding == "cp1251" and len(words) > 2 else "cp1252"


def format_of(path: Path, start: bytes, declared: str | None) -> str:
    """Format by what the profile says, else by the first bytes, else by the suffix.

    Raises InputRefused for files that are no table.
    """
    for magic, what in _MAGIC.items():
        if start.startswith(magic):
            raise InputRefused(f"{path} is {what}, not a table")
    if declared:
        return declared
    if start.startswith(b"PAR1"):
        return "parquet"
    suffixes = [suffix.lower() for suffix in path.suffixes if suffix.lower() != ".gz"]
    if start.startswith(b"PK\x03\x04"):
        if suffixes[-1:] in ([".xlsx"], [".xlsm"]) or b"[Content_Types].xml" in start or b"xl/" in start:
            return "xlsx"
        raise InputRefused(f"{path} is a zip archive, not a table: unpack it first")
    if start.startswith(b"LOCATION,"):
        return "epw"
    named = _SUFFIXES.get(suffixes[-1]) if suffixes else None
    if named in ("xlsx", "parquet"):
        raise InputRefused(f"{path} is named like {named} but its content is not: export it again")
    return named or _text_format(start)


def _text_format(start: bytes) -> str:
    first = start.lstrip(b"\xef\xbb\xbf").lstrip()
    return "jsonl" if first.startswith(b"{") else "csv"


def refuse_binary(path: Path, start: bytes, encoding: str) -> None:
    """Raises InputRefused where the first 64 KB cannot be text."""
    if encoding.startswith("utf-16"):
        return
    controls = sum(start.count(bytes([code])) for code in range(32) if code not in (9, 10, 12, 13, 26, 27))
    if controls > max(2, len(start) // 50):
        raise InputRefused(f"{path} is not text: it looks like a binary file; export it as CSV, XLSX or Parquet")


def text_lines(path: Path, encoding: str) -> Iterator[str]:
    """Physical lines with their ends; bytes that cannot be decoded come as lone surrogates."""
    with open_bytes(path) as file, io.TextIOWrapper(file, encoding, "surrogateescape", newline="") as text:
        try:
            yield from text
        except UnicodeError as error:
            raise InputRefused(
                f"{path} cannot be decoded as {encoding} ({error}): say its `encoding` in the profile"
            ) from error


def name_form(name: str) -> str:
    """Column names are compared in this form: NFKC, case folded, spaces collapsed."""
    return " ".join(unicodedata.normalize("NFKC", name).replace("\ufeff", "").casefold().split())


def delimiter_of(lines: Sequence[str]) -> str:
    """The delimiter under which most records have the same number of cells, more than one."""

    def score(delimiter: str) -> tuple[float, int]:
        try:
            widths = Counter(len(cells) for cells in csv.reader(lines, delimiter=delimiter) if cells)
        except csv.Error:
            return (0.0, 0)
        wide = {width: count for width, count in widths.items() if width > 1}
        if not wide:
            return (0.0, 0)
        width, count = max(wide.items(), key=lambda item: (item[1] * min(item[0], 3), item[0]))
        return (count / sum(widths.values()), width)

    best = max(DELIMITERS, key=score)
    return best if score(best)[1] > 1 else ","


def header_place(records: Iterable[Sequence[str]], wanted: Sequence[str]) -> int:
    """Place of the record that holds most of the wanted names; without names, the first as wide as most are.

    Returns -1 where no record holds any wanted name.
    """
    firsts = [list(record) for record, _ in zip(records, range(HEADER_WITHIN), strict=False)]
    if wanted:
        forms = {name_form(name) for name in wanted}
        hits = [len(forms & {name_form(cell) for cell in record}) for record in firsts]
        best = max(hits, default=0)
        return hits.index(best) if best else -1
    widths = Counter(len(record) for record in firsts if len(record) > 1)
    if not widths:
        return 0
    usual = widths.most_common(1)[0][0]
    return next((place for place, record in enumerate(firsts) if len(record) >= usual), 0)
