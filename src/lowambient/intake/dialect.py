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
import zlib
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from charset_normalizer import from_bytes

from lowambient.errors import InputRefused

HEAD_BYTES = 65_536
HEADER_WITHIN = 60
CHUNK_BYTES = 1 << 20
GZIP_BYTES = 64 * 2**30
GZIP_FREE_BYTES = 64 * 2**20
GZIP_RATIO = 300
"""Exports of readings pack 5 to 60 times (seen in this project's own files); gzip cannot pass 1,032."""
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

    `lines` counts line feeds of the (unpacked) text, plus one for an unended last line; `quotes` and `nuls` say whether
    it has any; `utf8` that all of it decodes as UTF-8, `partly_utf8` that most of what is not ASCII does.
    """

    digest: str
    size: int
    modified_ns: int
    lines: int
    quotes: bool
    nuls: bool
    utf8: bool
    partly_utf8: bool


@dataclass(frozen=True)
class Dialect:
    """How to read one file. The header ends on `header_line` (0: none) and begins after `header_record` lines (-1)."""

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
        except (EOFError, OSError, zlib.error) as error:
            raise InputRefused(f"{self._path} is a damaged gzip file ({error}): copy or export it again") from error
        self._seen += len(data)
        if self._seen > GZIP_BYTES or self._seen > max(GZIP_FREE_BYTES, GZIP_RATIO * self._packed_size):
            raise InputRefused(f"{self._path} unpacks to far more than it should: unpack and look at it first")
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        self._file.close()
        super().close()


def open_bytes(path: Path) -> BinaryIO:
    """The file's bytes, unpacked where it is gzip.

    Raises InputRefused where it cannot be opened.
    """
    try:
        if is_packed(path):
            return io.BufferedReader(_Capped(path), CHUNK_BYTES)
        return path.open("rb")
    except OSError as error:
        raise InputRefused(f"{path} cannot be read ({error.strerror}): is it still there?") from error


def head(path: Path) -> bytes:
    """The first 64 KB of the unpacked file."""
    with open_bytes(path) as file:
        return file.read(HEAD_BYTES)


def fingerprint(path: Path) -> Fingerprint:
    """Reads the file once: digest, size, and what decides how it can be read."""
    stat = path.stat()
    with ThreadPoolExecutor(1) as beside, open_bytes(path) as file:
        digest = beside.submit(_digest, path)
        shape = _shape(file)
        return Fingerprint(digest.result(), stat.st_size, stat.st_mtime_ns, *shape)


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _shape(file: BinaryIO) -> tuple[int, bool, bool, bool, bool]:
    lines = good = bad = 0
    quotes = nuls = False
    last = b""
    while chunk := file.read(CHUNK_BYTES):
        lines += chunk.count(b"\n")
        quotes = quotes or b'"' in chunk
        nuls = nuls or b"\0" in chunk
        if not chunk.isascii():
            more_good, more_bad = _utf8_letters(chunk)
            good, bad = good + more_good, bad + more_bad
        last = chunk[-1:]
    lines += last not in (b"\n", b"")
    return lines, quotes, nuls, bad == 0, good > bad


def blank_lines(path: Path, below: int) -> int:
    """Lines that are empty below line `below`."""
    with open_bytes(path) as file:
        for _ in range(below):
            file.readline()
        blanks, before = 0, b"\n"
        while chunk := file.read(CHUNK_BYTES):
            blanks += _double_ends(before + chunk) - _double_ends(before)
            before = (before + chunk[-2:])[-2:]
    return blanks


def _double_ends(text: bytes) -> int:
    return len(re.findall(rb"\n(?=\r?\n)", text))


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
        if start[side::2].count(0) > len(start) // 4 > 8 * start[1 - side :: 2].count(0):
            return name, True
    seen = shape or _shape_of_head(start)
    if seen.utf8 or seen.partly_utf8:
        return "utf-8", not seen.utf8
    return _proposed(start), True


def _shape_of_head(start: bytes) -> Fingerprint:
    return Fingerprint("", len(start), 0, *_shape(io.BytesIO(start)))


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
    start = start.rstrip(b"\0")
    controls = sum(start.count(bytes([code])) for code in range(32) if code not in (9, 10, 12, 13, 26, 27))
    if controls > max(2, len(start) // 50):
        raise InputRefused(f"{path} is not text: it looks like a binary file; export it as CSV, XLSX or Parquet")


def text_lines(path: Path, encoding: str) -> Iterator[str]:
    """Physical lines with their ends; bytes that cannot be decoded come as lone surrogates."""
    with open_bytes(path) as file, io.TextIOWrapper(file, encoding, "kept-bytes", newline="") as text:
        try:
            yield from text
        except UnicodeError as error:
            raise InputRefused(
                f"{path} cannot be decoded as {encoding} ({error}): say its `encoding` in the profile"
            ) from error


def _kept_bytes(error: UnicodeError) -> tuple[str, int]:
    """Bytes that cannot be decoded, each as a lone surrogate; those under 0x80 too, as in a broken UTF-16 pair."""
    if not isinstance(error, UnicodeDecodeError):
        raise error
    return "".join(chr(0xDC00 + byte) for byte in error.object[error.start : error.end]), error.end


codecs.register_error("kept-bytes", _kept_bytes)


def lines_at(path: Path, wanted: Iterable[int]) -> Iterator[tuple[int, bytes]]:
    """Wanted lines (ascending, from 1) without their ends; what lies between is passed over a megabyte at a time."""
    sought = iter(wanted)
    line = next(sought, None)
    with open_bytes(path) as file:
        before, rest = 0, b""
        while line is not None and (chunk := file.read(CHUNK_BYTES)):
            text = rest + chunk
            whole = text.count(b"\n")
            if line > before + whole:
                before, rest = before + whole, text[text.rfind(b"\n") + 1 :]
                continue
            *found, rest = text.split(b"\n")
            while line is not None and line <= before + whole:
                yield line, found[line - before - 1].rstrip(b"\r")
                line = next(sought, None)
            before += whole
        if line == before + 1:
            yield line, rest.rstrip(b"\r")


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
