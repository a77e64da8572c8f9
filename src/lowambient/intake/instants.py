"""Dates as people write them: which format a column is in, and how local time becomes UTC.

A format is a strptime pattern that Python and DuckDB read alike, or one of the words `iso` (ISO 8601, with or
without an offset), `epoch s` and `epoch ms` (seconds or milliseconds since 1970-01-01T00:00Z).
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import product
from zoneinfo import ZoneInfo

from lowambient.errors import InputRefused

ISO = "iso"
PLAIN = ("%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d")
"""Patterns that can mean nothing else, so that a column which is in one of them needs no second look."""
EPOCH_S = "epoch s"
EPOCH_MS = "epoch ms"
WORDS = (ISO, EPOCH_S, EPOCH_MS)

_MONTH_FIRST = ("%m/%d/%Y", "%m/%d/%y", "%m-%d-%Y", "%m-%d-%y", "%m.%d.%Y", "%m.%d.%y")
_DAY_FIRST = ("%d/%m/%Y", "%d/%m/%y", "%d-%m-%Y", "%d-%m-%y", "%d.%m.%Y", "%d.%m.%y")
_NAMED = (
    "%d-%b-%Y",
    "%d-%b-%y",
    "%d %b %Y",
    "%d %B %Y",
    "%b %d %Y",
    "%b %d, %Y",
    "%B %d, %Y",
    "%a %b %d %Y",
    "%a %d %b %Y",
    "%A, %B %d, %Y",
)
_YEAR_FIRST = ("%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%Y-%m-%d", "%Y-%b-%d")
_DATES = _YEAR_FIRST + _MONTH_FIRST + _DAY_FIRST + _NAMED
_CLOCKS = ("", "%H:%M:%S", "%H:%M", "%I:%M:%S %p", "%I:%M %p", "%I:%M:%S%p", "%I:%M%p", "%H:%M:%S.%f", "%H%M")
_JOINTS = (" ", "  ", ", ", "T")

_DIGITS = {1: "1", 2: "01", 4: "2001", 8: "20010101"}

_ISO_TEXT = re.compile(
    r"\d{4}-\d{1,2}-\d{1,2}([T ]\d{1,2}:\d{2}(:\d{2}([.,]\d{1,9})?)?\s*(Z|[+-]\d{2}(:?\d{2})?)?)?",
    re.IGNORECASE,
)
_EPOCH_S_TEXT = re.compile(r"\d{9,10}(\.\d+)?")
_EPOCH_MS_TEXT = re.compile(r"\d{12,13}")


@cache
def _all_formats() -> tuple[str, ...]:
    """Every date pattern with every clock pattern that may follow it."""
    formats = [
        date + (joint + clock if clock else "")
        for date, clock, joint in product(_DATES, _CLOCKS, _JOINTS)
        if clock or joint == " "
    ]
    return tuple(formats)


def _shape(text: str) -> str:
    """The text with other digits in the same places, such as any date could have."""
    return re.sub(r"\d+", lambda run: _DIGITS.get(len(run[0]), "1" * len(run[0])), text)


@cache
def _formats_of_shape(shape: str) -> tuple[str, ...]:
    """Formats that can read a text of this shape: few are left to be tried on the text itself."""
    return tuple(format_ for format_ in _all_formats() if reads(format_, shape))


def reads(format_: str, text: str) -> bool:
    """Whether `text`, trimmed, is wholly in `format_`."""
    text = text.strip()
    if format_ in WORDS:
        pattern = {ISO: _ISO_TEXT, EPOCH_S: _EPOCH_S_TEXT, EPOCH_MS: _EPOCH_MS_TEXT}[format_]
        return pattern.fullmatch(text) is not None
    try:
        datetime.strptime(text, format_)  # noqa: DTZ007 - only asks whether it fits
    except ValueError:
        return False
    return True


def formats_that_fit(samples: Iterable[str]) -> list[str]:
    """Formats that read every sample, ISO first; more than one is left where day and month cannot be told apart.

    An empty list means that no one format reads them all. Formats that differ only in what they allow, not in
    the instant they give, are named once.
    """
    texts = list(dict.fromkeys(text.strip() for text in samples if text.strip()))
    if not texts:
        return []
    words = [word for word in WORDS if all(reads(word, text) for text in texts)]
    if words:
        return words[:1]
    left = list(_formats_of_shape(_shape(texts[0])))
    for text in texts:
        left = [format_ for format_ in left if reads(format_, text)]
    return _distinct(left, texts)


def sure_format(samples: Iterable[str], declared: Sequence[str], order: str | None) -> str | None:
    """The one strptime pattern that reads all samples and that no further text could prove wrong; null for none.

    `declared` are the patterns that the profile allows, `order` what it says of day and month.
    """
    if declared:
        return declared[0] if len(declared) == 1 and declared[0] not in WORDS else None
    texts = list(dict.fromkeys(text.strip() for text in samples if text.strip()))
    for plain in PLAIN:
        if texts and all(reads(plain, text) for text in texts):
            return plain
    formats = [format_ for format_ in formats_that_fit(texts) if format_ not in WORDS and is_in_order(format_, order)]
    if len(formats) != 1 or (order is None and all(reads(_day_and_month_swapped(formats[0]), text) for text in texts)):
        return None
    return formats[0]


def _day_and_month_swapped(format_: str) -> str:
    return format_.translate(str.maketrans("dm", "md")) if is_day_first(format_) or is_month_first(format_) else ""


def is_in_order(format_: str, order: str | None) -> bool:
    """Whether a format may stand where the profile says `day first` or `month first`."""
    return not (order == "day first" and is_month_first(format_)) and not (
        order == "month first" and is_day_first(format_)
    )


def _distinct(formats: Sequence[str], texts: Sequence[str]) -> list[str]:
    seen: dict[tuple[datetime, ...], str] = {}
    for format_ in formats:
        values = tuple(datetime.strptime(text, format_) for text in texts)  # noqa: DTZ007
        seen.setdefault(values, format_)
    return list(seen.values())


def is_day_first(format_: str) -> bool:
    """Whether a numeric format has the day before the month."""
    return format_.startswith("%d") and "%m" in format_


def is_month_first(format_: str) -> bool:
    """Whether a numeric format has the month before the day."""
    return format_.startswith("%m")


@dataclass(frozen=True)
class ZoneStep:
    """One stretch of local time of a zone.

    `kind` is `plain` (one UTC instant each), `missing` (clocks went forward over it) or `repeated` (it came
    twice). `offset_s` is local minus UTC in seconds, of the first occurrence; `second_offset_s` of the second.
    """

    local_from: datetime
    local_to: datetime
    kind: str
    offset_s: int
    second_offset_s: int


def fixed_offset_s(zone: str) -> int | None:
    """Seconds east of UTC of `UTC`, `UTC-06:00` and the like; null for an area name."""
    if zone.upper() in ("UTC", "Z", "GMT"):
        return 0
    match = re.fullmatch(r"UTC([+-])(\d{1,2})(?::?(\d{2}))?", zone.strip(), re.IGNORECASE)
    if match is None:
        return None
    seconds = int(match[2]) * 3600 + int(match[3] or 0) * 60
    return -seconds if match[1] == "-" else seconds


def is_zone(zone: str) -> bool:
    """Whether a text names a time zone: an IANA area name, UTC, or a fixed offset."""
    if fixed_offset_s(zone) is not None:
        return True
    try:
        _area(zone)
    except InputRefused:
        return False
    return True


def zone_steps(zone: str, first: datetime, last: datetime) -> list[ZoneStep]:
    """Local time of `zone` from `first` to `last` (naive local instants), cut at each change of its offset.

    Raises InputRefused for a zone that is not an IANA area name, `UTC`, or a fixed offset such as `UTC-06:00`.
    Source: the tz database, as `zoneinfo` reads it.
    """
    fixed = fixed_offset_s(zone)
    start, stop = first - timedelta(days=2), last + timedelta(days=2)
    if fixed is not None:
        return [ZoneStep(start, stop, "plain", fixed, fixed)]
    steps = []
    offset = _offset_s(zone, start)
    for change, after in _changes(zone, start, stop):
        old, new = change + timedelta(seconds=offset), change + timedelta(seconds=after)
        steps.append(ZoneStep(start, min(old, new), "plain", offset, offset))
        steps.append(ZoneStep(min(old, new), max(old, new), "missing" if new > old else "repeated", offset, after))
        start, offset = max(old, new), after
    return [*steps, ZoneStep(start, stop, "plain", offset, offset)]


def _changes(zone: str, start: datetime, stop: datetime) -> list[tuple[datetime, int]]:
    """UTC instants (naive) at which the zone's offset changes, each with the offset from then on."""
    found = []
    day = start
    while day < stop:
        following = day + timedelta(days=1)
        if _offset_s(zone, day) != _offset_s(zone, following):
            found.append(_bisect_change(zone, day, following))
        day = following
    return found


def _bisect_change(zone: str, low: datetime, high: datetime) -> tuple[datetime, int]:
    before = _offset_s(zone, low)
    while high - low > timedelta(seconds=1):
        middle = low + (high - low) / 2
        middle = middle.replace(microsecond=0)
        low, high = (middle, high) if _offset_s(zone, middle) == before else (low, middle)
    return high, _offset_s(zone, high)


@cache
def _area(zone: str) -> ZoneInfo:
    try:
        if "/" not in zone:
            raise ValueError(zone)
        return ZoneInfo(zone)
    except (ValueError, KeyError, OSError) as error:
        raise InputRefused(
            f"time zone {zone!r} is not known: write an area name such as America/Chicago, UTC, or UTC-06:00"
        ) from error


def _offset_s(zone: str, utc: datetime) -> int:
    offset = utc.replace(tzinfo=UTC).astimezone(_area(zone)).utcoffset()
    return int(offset.total_seconds()) if offset else 0
