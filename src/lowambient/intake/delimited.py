"""Records of delimited text, one by one, each with the line where it starts and its text as it was.

Quoted line breaks stay together, an unclosed quote never swallows what follows, and a record that cannot be read
comes with the reason instead of being dropped.
"""

import csv
import re
from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass

FIELD_CHARACTERS = 1_000_000
FEW = 2
TOTALS = re.compile(
    r"\W*((grand|sub)[\s-]*)?(totals?|sum|counts?|averages?|summe|gesamt|(number of )?(records?|rows?)"
    r"|end of (report|file|export))([\s:]+(of|for|calls?|records?|rows?|tickets?|hours?|all))*\W*[\d.,]*\W*"
    r"|[\d.,]+ (records?|rows?|calls?|tickets?)( \w+)?\W*",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Record:
    """One record: `line` from 1, `raw` as it was, `cells` by the file's columns, or the `fault` that spoils it."""

    line: int
    raw: str
    cells: list[str] | None
    fault: str | None = None


class _Tape(Iterator[str]):
    """Lines that remember which were taken, and can be pushed back."""

    def __init__(self, lines: Iterator[str]) -> None:
        self._lines = lines
        self._pending: deque[str] = deque()
        self.taken: list[str] = []
        self.position = 0

    def __next__(self) -> str:
        line = self._pending.popleft() if self._pending else next(self._lines).removeprefix("\ufeff")
        self.taken.append(line)
        self.position += 1
        return line

    def keep_first(self) -> str:
        """Gives the first line taken and pushes the others back."""
        first, *rest = self.taken
        self._pending.extendleft(reversed(rest))
        self.position -= len(rest)
        return first


def delimited(lines: Iterator[str], delimiter: str, width: int = 0) -> Iterator[Record]:
    """Records of delimited text (RFC 4180); blank lines are none.

    Where quotes do not pair, only the first line of the tangle is refused and reading goes on with the next. With
    the `width` of the header, that is also seen where a stray quote far below would close a cell: the lines
    between are records of their own.
    """
    csv.field_size_limit(FIELD_CHARACTERS)
    tape = _Tape(lines)
    while True:
        tape.taken = []
        start = tape.position + 1
        try:
            cells = next(csv.reader(tape, delimiter=delimiter, strict=True))
        except StopIteration:
            return
        except csv.Error as error:
            yield Record(start, shown(tape.keep_first()), None, f"quotes do not pair ({error})")
            continue
        if len(tape.taken) > 1 and _swallows_records(tape.taken, cells, delimiter, width):
            fault = "quotes do not pair (the cell would run over other records)"
            yield Record(start, shown(tape.keep_first()), None, fault)
        elif any(cell.strip() for cell in cells):
            raw = tape.taken[0] if len(tape.taken) == 1 else "".join(tape.taken)
            yield Record(start, raw.rstrip("\r\n"), cells)
        elif len(cells) > 1:
            yield Record(start, tape.taken[0].rstrip("\r\n"), None, "every cell is empty")


def _swallows_records(taken: list[str], cells: list[str], delimiter: str, width: int) -> bool:
    """Whether lines inside a quoted cell are whole records; the last line of a sound record can look like one."""
    if width <= FEW:
        return False
    first_is_whole = taken[0].count(delimiter) >= width - 1
    inside = taken[1:-1] if len(cells) == width and not first_is_whole else taken[1:]
    return any(
        line.count(delimiter) >= width - 1 and len(next(csv.reader([line], delimiter=delimiter))) == width
        for line in inside
    )


def shown(raw: str) -> str:
    """The text with undecodable bytes written as \\xNN."""
    return re.sub("[\udc00-\udcff]", lambda byte: f"\\x{ord(byte[0]) - 0xDC00:02x}", raw.rstrip("\r\n"))


def judged(record: Record, header: list[str]) -> Record:
    """The record, with the fault of a repeated header, a totals line, or another number of cells than the header."""
    if record.cells is None:
        return record
    cells = record.cells
    if len(cells) > len(header) and not any(cell.strip() for cell in cells[len(header) :]):
        cells = cells[: len(header)]
    if [cell.strip() for cell in cells] == header:
        return Record(record.line, record.raw, None, "repeated header line")
    filled = [cell.strip() for cell in cells if cell.strip()]
    if len(filled) < len(header) and len(filled) <= max(FEW, len(header) // 3) and TOTALS.fullmatch(filled[0]):
        return Record(record.line, record.raw, None, "totals line")
    if len(cells) != len(header):
        return Record(record.line, record.raw, None, f"{len(cells)} cells where the header has {len(header)}")
    return record if cells is record.cells else Record(record.line, record.raw, cells)
