"""What an earlier run raised, read from its folder, so that this run can say which of its flags are new."""

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import polars as pl

from lowambient.errors import InputRefused

KEY = ("unit_id", "circuit", "flag")
"""A flag of a circuit, or of the whole unit where the circuit is null."""


@dataclass(frozen=True)
class EarlierRun:
    """Flags of an earlier run: `KEY` of each that it `raised`, the `units` that it judged, and its table's `digest`."""

    folder: Path
    raised: pl.DataFrame
    units: frozenset[str]
    digest: str

    @classmethod
    def read(cls, folder: Path) -> "EarlierRun":
        """The run in `folder`. Raises InputRefused where a run did not write it, or wrote no flags that can be read."""
        table = folder / "tables" / "flags.parquet"
        if not (folder / "run.json").is_file() or not table.is_file():
            raise InputRefused(f"{folder} is no folder of a run: name one that `lowambient run` wrote with --since")
        content = table.read_bytes()
        try:
            flags = pl.read_parquet(content).select(pl.col(KEY).cast(pl.String), pl.col("raised").cast(pl.Boolean))
        except (pl.exceptions.PolarsError, OSError) as error:
            raise InputRefused(
                f"{table} is no table of flags that can be read: name another run with --since"
            ) from error
        raised = flags.filter("raised").select(KEY).unique()
        return cls(folder, raised, frozenset(flags["unit_id"]), sha256(content).hexdigest())

    def marked(self, flags: pl.DataFrame) -> pl.DataFrame:
        """`flags` with `new_since`: raised now and not then.

        Raises InputRefused where that run judged units and none of them is among those judged now.
        """
        if flags.height and self.units and self.units.isdisjoint(flags["unit_id"]):
            raise InputRefused(f"{self.folder} is a run of another fleet: none of its units is judged here")
        then = self.raised.with_columns(raised_then=True)
        joined = flags.join(then, on=KEY, how="left", nulls_equal=True, maintain_order="left")
        is_new = pl.col("raised") & ~pl.col("raised_then").fill_null(value=False)
        return joined.with_columns(new_since=is_new).select(flags.columns)
