"""Names of the files of unit pages: any unit id, however written, gives one name that no other gives."""

import re
import unicodedata
from collections import Counter
from collections.abc import Iterable, Mapping
from hashlib import sha256

import polars as pl

SLUG_CHARACTERS = 40
DIGEST_DIGITS = 6


def file_names(unit_ids: Iterable[str]) -> dict[str, str]:
    """The page's file name of each unit: a slug of its id, and digits of a digest that part ids with one slug.

    Names hold a-z, 0-9 and `-` only, so they lie in the folder and mean the same on every file system. Where two ids
    share six digits as well, both get more. `unit_ids` are all units of the list, so that a name does not depend on
    which pages are written.
    """
    ids = sorted(set(unit_ids))
    names = {unit_id: file_name(unit_id) for unit_id in ids}
    digits = DIGEST_DIGITS
    while len(set(names.values())) < len(names):
        digits += DIGEST_DIGITS
        taken = Counter(names.values())
        names = {unit_id: name if taken[name] == 1 else file_name(unit_id, digits) for unit_id, name in names.items()}
    return names


def file_name(unit_id: str, digits: int = DIGEST_DIGITS) -> str:
    """File name of one unit's page.

    >>> file_name("RTU 1/2"), file_name("..")
    ('rtu-1-2-daf8c2.html', 'unit-5ec1f7.html')
    """
    plain = unicodedata.normalize("NFKD", unit_id).encode("ascii", "ignore").decode().lower()
    slug = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:SLUG_CHARACTERS].strip("-") or "unit"
    digest = sha256(unit_id.encode("utf-8", "surrogatepass")).hexdigest()
    return f"{slug}-{digest[:digits]}.html"


def units_with_pages(tables: Mapping[str, pl.DataFrame]) -> set[str]:
    """Units with a raised flag, a chosen option or a log: those that a run writes a page for."""
    return {
        *tables["flags"].filter(pl.col("raised"))["unit_id"],
        *tables["plan"].filter("selected")["unit_id"],
        *tables["coverage"].filter(pl.col("readings") > 0)["unit_id"],
    }


def pages_of(tables: Mapping[str, pl.DataFrame]) -> dict[str, str]:
    """The file of each listed unit that a run writes a page for."""
    units = tables["units"]
    wanted = units_with_pages(tables)
    names = file_names(units["unit_id"] if units.width else [])
    return {unit_id: name for unit_id, name in names.items() if unit_id in wanted}
