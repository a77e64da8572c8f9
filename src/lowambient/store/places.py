"""What surrounds a record: which unit or site an id means, and that site's barometer and time zone."""

from dataclasses import dataclass

import duckdb
import polars as pl

from lowambient.intake.matching import Matcher
from lowambient.refrigerant.pressure import barometric_kpa

SCHEMA = {
    "written": pl.String,
    "meant": pl.String,
    "reason": pl.String,
    "nearest": pl.String,
    "barometric_kpa": pl.Float64,
    "time_zone": pl.String,
}
MATCHED = {"calls": "unit_id", "readings": "unit_id", "checks": "unit_id", "units": "site_id"}


@dataclass(frozen=True)
class Surroundings:
    """Site facts by unit and by site, and the matchers of both."""

    units: Matcher
    sites: Matcher
    unit_sites: dict[str, str]
    site_facts: dict[str, tuple[float, str]]
    default_zone: str

    @classmethod
    def of(cls, con: duckdb.DuckDBPyConnection, default_zone: str | None) -> "Surroundings":
        """As the store's site, unit and alias tables stand now."""
        sites = con.execute("select site_id, coalesce(elevation_m, 0), time_zone from in_sites").fetchall()
        units = dict(con.execute("select unit_id, site_id from in_units").fetchall())
        aliases = dict(con.execute("select written, unit_id from in_aliases").fetchall())
        facts = {site: (barometric_kpa(elevation_m), zone) for site, elevation_m, zone in sites}
        return cls(
            Matcher(units, aliases),
            Matcher(facts, noun="site"),
            units,
            facts,
            default_zone or "UTC",
        )

    def look_up(self, target: str, written: list[str]) -> pl.DataFrame:
        """One row a written id of `target`'s table: what it means, or the reason, with its site's facts."""
        rows = []
        for text in written:
            match = (self.sites if target == "units" else self.units).match(text)
            site = match.meant if target == "units" else self.unit_sites.get(match.meant or "")
            pressure, zone = self.site_facts.get(site or "", (barometric_kpa(0.0), self.default_zone))
            rows.append((text, match.meant, match.reason, match.nearest, pressure, zone))
        return pl.DataFrame(rows, schema=SCHEMA, orient="row")
