"""How often each symptom calls at each outdoor temperature: rates by band, a smooth curve, where the rate changes."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy import stats

from lowambient.plan.rates import benjamini_hochberg, poisson_interval
from lowambient.plan.resampling import FEWEST_SITES, resampled_ratio, seed_of
from lowambient.plan.smoothing import smoothness, whittaker_poisson

Array = npt.NDArray[np.float64]

DRAWS = 1000
"""Fleets drawn anew behind the interval of a change."""

CURVES = 400
"""The first of them, behind the interval of a curve, which takes longer to fit."""

LEAST_EXPECTED = 5.0
"""Fewest episodes to be expected on either side of a change if there were none (common practice for counts)."""

_WIDEST = 20.0  # upper end of an interval, as logarithm over its curve: a number still, where nothing is known

FALSE_DISCOVERIES = 0.05
"""Share of false ones allowed among the symptoms said to change (Benjamini & Hochberg 1995 use the same)."""


def rate_curve(unit_bands: pl.DataFrame, counts: pl.DataFrame, thresholds: Mapping[str, float]) -> pl.DataFrame:
    """Episodes of each symptom for each 1,000 unit-hours by band of outdoor temperature, with a smooth curve.

    `unit_bands`: as the mart; `counts`: as the mart `symptom_bands`. Grain: measure, symptom, band with unit-hours.
    `unit_hours` [h], `calls`, `episodes`; `rate_per_1000_h` of episodes; `exact_lower`, `exact_upper`: exact Poisson
    95 %, as if episodes were independent; `lower`, `upper`: at each end the wider of that and of drawing whole sites
    anew (units under `FEWEST_SITES` sites); `smooth_per_1000_h`, `smooth_lower`, `smooth_upper`: penalised Poisson
    curve (see `smoothing`), its smoothness chosen once on the fleet, and its 95 % interval: the spread of the logarithm
    over curves of drawn fleets, times Student's t with the degrees of freedom of Satterthwaite's rule, since few sites
    carry most episodes (the plain middle 95 % of few sites is too narrow).
    The curve is null for symptoms with fewer than `least_group_calls` episodes on the measure.
    """
    tables = [_curves(fleet, thresholds["least_group_calls"]) for fleet in _fleets(unit_bands, counts)]
    return pl.concat(tables) if tables else pl.DataFrame(schema=_CURVE)


def rate_change(unit_bands: pl.DataFrame, counts: pl.DataFrame, thresholds: Mapping[str, float]) -> pl.DataFrame:
    """The outdoor temperature that best parts each symptom's hours into two with a rate of their own.

    Arguments as in `rate_curve`. Grain: measure, symptom with at least `least_group_calls` episodes. `episodes`;
    `change_c`: the edge of a band at which the Poisson likelihood of two rates, one below and one from it up, is
    highest [degC]; `lower_c`, `upper_c`: the middle 95 % of it in fleets of sites drawn anew, never finer than a band;
    `below_per_1000_h`, `above_per_1000_h`; `ratio` of the two (below over above) with `ratio_lower`, `ratio_upper`, the
    edge chosen anew in each drawn fleet; `p`: of so large a difference at the best edge in a fleet with one rate, from
    the largest of the standardised scores over all edges under signs drawn for whole sites, so that neither choosing
    the edge nor sites with many episodes make it small; `adjusted_p`: Benjamini-Hochberg over the symptoms of a
    measure; `changes`: adjusted p at most `FALSE_DISCOVERIES`.

    Two rates are the simplest thing that can be said; the true rate may rise slowly, and the edge then lies within the
    rise. Edges with fewer than `LEAST_EXPECTED` episodes expected on either side are no candidates; null without any.
    Sources: Hinkley 1970, Biometrika 57, 1-17 (change point by likelihood); Davies 1987, Biometrika 74, 33-43 (the
    largest of many tests); Hansen 1996, Econometrica 64, 413-430 (its p by multipliers).
    """
    tables = [_changes(fleet, thresholds["least_group_calls"]) for fleet in _fleets(unit_bands, counts)]
    return pl.concat(tables) if tables else pl.DataFrame(schema=_CHANGE)


_KEY: dict[str, type[pl.DataType]] = {"measure": pl.String, "symptom": pl.String}
_CURVE: dict[str, type[pl.DataType]] = {
    **_KEY,
    **dict.fromkeys(("lower_c", "upper_c", "unit_hours"), pl.Float64),
    **dict.fromkeys(("calls", "episodes"), pl.Int64),
    **dict.fromkeys(
        (
            "rate_per_1000_h",
            "exact_lower",
            "exact_upper",
            "lower",
            "upper",
            "smooth_per_1000_h",
            "smooth_lower",
            "smooth_upper",
        ),
        pl.Float64,
    ),
}
_CHANGE: dict[str, type[pl.DataType]] = {
    **_KEY,
    "episodes": pl.Int64,
    **dict.fromkeys(
        (
            "change_c",
            "lower_c",
            "upper_c",
            "below_per_1000_h",
            "above_per_1000_h",
            "ratio",
            "ratio_lower",
            "ratio_upper",
            "p",
            "adjusted_p",
        ),
        pl.Float64,
    ),
    "changes": pl.Boolean,
}


@dataclass(frozen=True)
class _Fleet:
    """One measure: its bands, cold first, and what whole sites (or units) lived through and called in.

    `bands`: band, lower_c, upper_c; `hours`: (sites, bands) [h]; `episodes` of each symptom: (sites, bands); `calls`:
    (bands); `seed`: from the rows themselves.
    """

    measure: str
    bands: pl.DataFrame
    hours: Array
    episodes: dict[str, Array]
    calls: dict[str, Array]
    seed: int

    def drawn(self) -> Array:
        """How often each site is in each of `DRAWS` fleets."""
        draw = np.random.Generator(np.random.PCG64(self.seed))
        sites = len(self.hours)
        return draw.multinomial(sites, np.full(sites, 1 / sites), size=DRAWS).astype(np.float64)


def _fleets(unit_bands: pl.DataFrame, counts: pl.DataFrame) -> Iterator[_Fleet]:
    whole = "site_id" if unit_bands["site_id"].n_unique() >= FEWEST_SITES else "unit_id"
    sites = unit_bands.select("unit_id", pl.col(whole).alias("site")).unique()
    for measure in unit_bands["measure"].unique().sort():
        mine = unit_bands.filter(measure=measure).join(sites, on="unit_id")
        bands = mine.select("band", "lower_c", "upper_c").unique().sort("band").with_row_index("column")
        hours = mine.group_by("site", "band").agg(pl.col("unit_hours").sum()).sort("site", "band")
        row_of = hours.select("site").unique().sort("site").with_row_index("row")
        came = (
            counts.filter(measure=measure)
            .join(sites, on="unit_id")
            .group_by("symptom", "site", "band")
            .agg(pl.col("calls", "episodes").sum())
            .join(bands.select("band", "column"), on="band")
            .join(row_of, on="site")
            .sort("symptom", "site", "band")
        )
        shape = (row_of.height, bands.height)
        symptoms = came["symptom"].unique().sort().to_list()
        yield _Fleet(
            measure,
            bands,
            _matrix(hours.join(row_of, on="site").join(bands, on="band"), "unit_hours", shape),
            {name: _matrix(came.filter(symptom=name), "episodes", shape) for name in symptoms},
            {name: _matrix(came.filter(symptom=name), "calls", shape).sum(axis=0) for name in symptoms},
            seed_of(hours),
        )


def _matrix(rows: pl.DataFrame, value: str, shape: tuple[int, int]) -> Array:
    matrix = np.zeros(shape)
    matrix[rows["row"].to_numpy(), rows["column"].to_numpy()] = rows[value].cast(pl.Float64).to_numpy()
    return matrix


def _curves(fleet: _Fleet, least: float) -> pl.DataFrame:
    symptoms = list(fleet.episodes)
    if not symptoms:
        return pl.DataFrame(schema=_CURVE)
    hours = fleet.hours.sum(axis=0)
    stacked = np.concatenate([fleet.episodes[name] for name in symptoms], axis=1)
    resampled = resampled_ratio(stacked, np.tile(fleet.hours, (1, len(symptoms))), fleet.seed)
    low, high = (ends.reshape(len(symptoms), -1) for ends in resampled)
    drawn = fleet.drawn()[:CURVES]
    tables = []
    for place, name in enumerate(symptoms):
        events = fleet.episodes[name].sum(axis=0)
        exact_lower, exact_upper = poisson_interval(events, hours)
        smooth = np.full((3, len(hours)), np.nan)
        if events.sum() >= least:
            smooth = _smooth(fleet.episodes[name], fleet.hours, drawn)
        numbers = {
            "rate_per_1000_h": events / hours,
            "exact_lower": exact_lower,
            "exact_upper": exact_upper,
            "lower": np.fmin(exact_lower, low[place]),
            "upper": np.fmax(exact_upper, high[place]),
            "smooth_per_1000_h": smooth[0],
            "smooth_lower": smooth[1],
            "smooth_upper": smooth[2],
        }
        tables.append(
            fleet.bands.select("lower_c", "upper_c").with_columns(
                pl.lit(fleet.measure).alias("measure"),
                pl.lit(name).alias("symptom"),
                pl.Series("unit_hours", hours),
                pl.Series("calls", fleet.calls[name]).cast(pl.Int64),
                pl.Series("episodes", events).cast(pl.Int64),
                *(pl.Series(key, 1000 * value, nan_to_null=True).round(5) for key, value in numbers.items()),
            )
        )
    return pl.concat(tables).select(list(_CURVE))


def _smooth(events: Array, hours: Array, drawn: Array) -> Array:
    """The curve and the ends of its interval (rows), by band [1/h]; `drawn`: how often each site is in each fleet."""
    weight = smoothness(events, hours)
    curve = whittaker_poisson(events.sum(axis=0)[None], hours.sum(axis=0)[None], weight)[0]
    curves = whittaker_poisson(drawn @ events, drawn @ hours, weight, near=curve)
    pull = events.sum(axis=1) - events.sum() / hours.sum() * hours.sum(axis=1)
    squares = np.sum(pull**2)
    freedom = squares**2 / np.sum(pull**4) if squares > 0 else 1.0
    half = stats.t.ppf(0.975, freedom) * np.std(np.log(curves), axis=0)
    return np.stack((curve, curve * np.exp(-half), curve * np.exp(np.minimum(half, _WIDEST))))


def _changes(fleet: _Fleet, least: float) -> pl.DataFrame:
    drawn = fleet.drawn()
    rows = [
        (fleet.measure, name, int(events.sum()), *_change(fleet, events, drawn))
        for name, events in fleet.episodes.items()
        if events.sum() >= least
    ]
    table = pl.DataFrame(rows, schema=[name for name in _CHANGE if name not in ("adjusted_p", "changes")], orient="row")
    p = table["p"].cast(pl.Float64).to_numpy()
    told = ~np.isnan(p)
    adjusted = np.full(len(p), np.nan)
    if told.any():
        adjusted[told] = benjamini_hochberg(p[told])
    found = table.with_columns(
        pl.Series("adjusted_p", adjusted, nan_to_null=True),
        pl.Series("changes", adjusted <= FALSE_DISCOVERIES).set(pl.Series(~told), None),
    )
    return found.select(pl.col(name).cast(kind) for name, kind in _CHANGE.items()).with_columns(
        pl.col(pl.Float64).round(5)
    )


def _change(fleet: _Fleet, events: Array, drawn: Array) -> tuple[float | None, ...]:
    """change_c to p of `rate_change`."""
    below, hours_below = np.cumsum(events, axis=1)[:, :-1], np.cumsum(fleet.hours, axis=1)[:, :-1]
    all_events, all_hours = events.sum(axis=1), fleet.hours.sum(axis=1)
    rate = all_events.sum() / all_hours.sum()
    expected = rate * hours_below.sum(axis=0)
    candidates = np.flatnonzero((expected >= LEAST_EXPECTED) & (all_events.sum() - expected >= LEAST_EXPECTED))
    if not len(candidates):
        return (None,) * 9
    below, hours_below = below[:, candidates], hours_below[:, candidates]
    edges = fleet.bands["upper_c"].to_numpy()[candidates]
    best, low_rate, high_rate = _best(below.sum(axis=0)[None], hours_below.sum(axis=0)[None], all_events, all_hours)
    drawn_best, drawn_low, drawn_high = _best(drawn @ below, drawn @ hours_below, drawn @ all_events, drawn @ all_hours)
    change = np.quantile(edges[drawn_best], (0.025, 0.975), method="nearest")
    ratio, *ratios = (
        float(value)
        for value in (
            _over(low_rate, high_rate)[0],
            *np.quantile(_over(drawn_low, drawn_high), (0.025, 0.975), method="nearest"),
        )
    )
    p = _sup_score_p(below, hours_below, (all_events, all_hours), fleet.seed)
    numbers = (float(edges[best[0]]), *map(float, change), 1000 * float(low_rate[0]), 1000 * float(high_rate[0]))
    return (*numbers, *(value if np.isfinite(value) else None for value in (ratio, *ratios)), p)


def _best(below: Array, hours_below: Array, events: Array, hours: Array) -> tuple[npt.NDArray[np.intp], Array, Array]:
    """Of each fleet (rows), the edge (columns) of highest likelihood, and the rates below and above it [per h]."""
    total, total_h = (
        np.asarray(value, dtype=np.float64).reshape(len(below), -1).sum(axis=1) for value in (events, hours)
    )
    above, hours_above = total[:, None] - below, total_h[:, None] - hours_below
    low, high = _over(below, hours_below), _over(above, hours_above)
    with np.errstate(divide="ignore", invalid="ignore"):
        likelihood = sum(np.where(n > 0, n * np.log(rate), 0.0) for n, rate in ((below, low), (above, high)))
    best = np.argmax(np.where((hours_below > 0) & (hours_above > 0), likelihood, -np.inf), axis=1)
    row = np.arange(len(below))
    return best, low[row, best], high[row, best]


def _over(part: Array, whole: Array) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(part / whole)


def _sup_score_p(below: Array, hours_below: Array, totals: tuple[Array, Array], seed: int) -> float:
    """p of one rate at all temperatures, by the largest standardised score over the edges.

    The score of an edge is, over sites, episodes below it less the fleet's rate times the hours below; each site's part
    of it has the site's pull on the fleet's rate taken out. Under one rate these parts have mean 0, whatever their
    spread, and giving them random signs draws the score anew.
    """
    events, hours = totals
    rate = events.sum() / hours.sum()
    part = below - rate * hours_below - np.outer(events - rate * hours, hours_below.sum(axis=0) / hours.sum())
    spread = np.sqrt(np.sum(part**2, axis=0))
    usable = spread > 0
    if not usable.any():
        return 1.0
    part = part[:, usable] / spread[usable]
    draw = np.random.Generator(np.random.PCG64(seed))
    signs = draw.choice((-1.0, 1.0), size=(DRAWS, len(part)))
    seen = np.max(np.abs(part.sum(axis=0)))
    return float((1 + np.sum(np.max(np.abs(signs @ part), axis=1) >= seen - 1e-9)) / (DRAWS + 1))
