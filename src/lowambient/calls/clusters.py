"""Service calls gathered by what their notes say and the weather they came in.

A mixture of as many kinds of call as the data bear. A kind is a set of words (each note a draw of words, naive Bayes),
a spread of weather (normal in each quantity), and the symptom that `words` reads; it starts from the calls of one
symptom and is let go by expectation maximisation (Nigam, McCallum, Thrun & Mitchell 2000, Machine Learning 39,
103-134: notes without a label sharpen a text classifier that a few labels started). So a kind takes in notes whose
words are on no list, because they are written like those that are. A kind may start in two halves, colder and warmer,
where its weather has two humps.
"""

import hashlib
import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.sparse import csr_matrix
from sklearn.feature_extraction.text import ENGLISH_STOP_WORDS, CountVectorizer

from lowambient.calls.mixture import (
    FEWEST_CALLS,
    Array,
    Calls,
    Indices,
    Kinds,
    Told,
    belonging,
    first_shares,
    most_stable,
)

SAMPLE_CALLS = 15_000
"""Service calls that kinds are fitted on, drawn without replacement where there are more; all calls are assigned."""

CHUNK_CALLS = 50_000
MOST_WORDS = 20_000
NAME_TERMS = 4
TEXTS = ("complaint", "finding", "action")
WORD = r"(?u)\b[^\W\d_][\w'-]*[^\W_]\b"


def cluster_calls(
    calls: pl.DataFrame, symptoms: pl.DataFrame, told: Told | None = None
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Kinds of service calls by words and weather.

    `calls`: call_id, opened_at, complaint, finding, action; and where known work_type, status, outdoor_c [degC],
    outdoor_change_k (over the last day) [K], wind_m_s [m/s]. `symptoms`: as `read_words` gives them.

    Assigned, grain call, in the order of call_id: call_id; cluster, null for planned and cancelled tickets and for
    calls that belong nowhere; words_cluster: the same without the call's own weather, for rates.
    Clusters, grain cluster, largest first: cluster; name (its most telling terms); stability [-]: mean Jaccard index
    of its calls with the best match in fits to halves of the sample (Hennig 2007, Computational Statistics & Data
    Analysis 52, 258-271).

    Kinds are fitted on at most `SAMPLE_CALLS` service calls; the draw is seeded by the calls themselves, so neither
    their order nor the clock moves it. Hour and season are in UTC. `told` hears of each step.
    """
    table = _described(calls, symptoms)
    taking_part = np.flatnonzero(table["is_ticket"].to_numpy())
    service = np.flatnonzero(table["is_service"].to_numpy())
    nothing = pl.DataFrame(schema=dict.fromkeys(("cluster", "name"), pl.String) | {"stability": pl.Float64})
    unassigned = table.select("call_id", cluster=pl.lit(None, pl.String), words_cluster=pl.lit(None, pl.String))
    draw = np.random.Generator(np.random.PCG64(_seed(table)))
    if len(service) > SAMPLE_CALLS:
        service = np.sort(draw.choice(service, SAMPLE_CALLS, replace=False))
    if len(service) < FEWEST_CALLS:
        return unassigned, nothing
    texts = table["text"].to_list()
    vectors = CountVectorizer(
        token_pattern=WORD, ngram_range=(1, 2), min_df=2, binary=True, max_features=MOST_WORDS, dtype=np.float64
    )
    try:
        vectors.fit([texts[row] for row in service])
    except ValueError:  # no word comes twice
        return unassigned, nothing
    scale = _scale(table[service])
    sample = _vectors(table[service], vectors, scale)
    start = first_shares(sample)
    if start.shape[1] < 2:
        return unassigned, nothing
    kinds, stability = most_stable(sample, start, draw, told)
    with_weather = np.full(len(table), -1)
    from_words = np.full(len(table), -1)
    for first in range(0, len(taking_part), CHUNK_CALLS):
        rows = taking_part[first : first + CHUNK_CALLS]
        if told:
            told("calls to kinds", first, len(taking_part))
        part = _vectors(table[rows], vectors, scale)
        with_weather[rows] = belonging(kinds.probabilities(part))
        from_words[rows] = belonging(kinds.probabilities(part, weather=False))
    return _named(table, vectors, kinds, stability, with_weather, from_words)


def _described(calls: pl.DataFrame, symptoms: pl.DataFrame) -> pl.DataFrame:
    """Calls in the order of call_id, with one text, symptom, and weather."""
    kept = [
        name for name in ("work_type", "status", "outdoor_c", "outdoor_change_k", "wind_m_s") if name in calls.columns
    ]
    added = {
        "work_type": pl.String,
        "status": pl.String,
        "outdoor_c": pl.Float64,
        "outdoor_change_k": pl.Float64,
        "wind_m_s": pl.Float64,
    }
    table = calls.select("call_id", "opened_at", *TEXTS, *kept).with_columns(
        pl.lit(None, kind).alias(name) for name, kind in added.items() if name not in kept
    )
    work, status = pl.col("work_type").cast(pl.String), pl.col("status").cast(pl.String)
    is_ticket = (work.fill_null("service") != "planned") & (status.fill_null("completed") != "cancelled")
    day, hour = pl.col("opened_at").dt.ordinal_day(), pl.col("opened_at").dt.hour()
    return (
        table.join(symptoms.select("call_id", "symptom", "symptom_probability"), on="call_id", how="left")
        .sort("call_id")
        .select(
            "call_id",
            pl.col("symptom").cast(pl.String).fill_null("other"),
            pl.col("symptom_probability").fill_null(0.0).clip(0.02, 0.98),
            "outdoor_c",
            "outdoor_change_k",
            "wind_m_s",
            (hour * (2 * np.pi / 24)).sin().alias("hour_sin"),
            (hour * (2 * np.pi / 24)).cos().alias("hour_cos"),
            (day * (2 * np.pi / 365.25)).sin().alias("season_sin"),
            (day * (2 * np.pi / 365.25)).cos().alias("season_cos"),
            text=pl.concat_str(TEXTS, separator="\n", ignore_nulls=True).str.slice(0, 4000).str.to_lowercase(),
            is_ticket=is_ticket,
            is_service=is_ticket & (work.fill_null("service") == "service"),
        )
    )


WEATHER = ("outdoor_c", "outdoor_change_k", "wind_m_s", "hour_sin", "hour_cos", "season_sin", "season_cos")


def _seed(table: pl.DataFrame) -> int:
    content = table.select("call_id", "text", "symptom").write_csv().encode()
    return int.from_bytes(hashlib.sha256(content).digest()[:8], "big")


@dataclass(frozen=True)
class _Scale:
    names: list[str]
    mean: Array
    deviation: Array


def _scale(table: pl.DataFrame) -> _Scale:
    """Symptoms that start a kind, and what weather is measured against."""
    counted = table["symptom"].value_counts().filter(pl.col("count") >= FEWEST_CALLS)
    weather = table.select(pl.col(name).fill_nan(None) for name in WEATHER)
    mean = weather.select(pl.all().mean().fill_null(0.0)).to_numpy()[0]
    deviation = weather.select(pl.all().std().fill_null(1.0)).to_numpy()[0]
    return _Scale(sorted(counted["symptom"]), mean, np.where(deviation > 0, deviation, 1.0))


def _vectors(table: pl.DataFrame, vectors: CountVectorizer, scale: _Scale) -> Calls:
    """Calls as numbers."""
    certain = table["symptom_probability"].to_numpy()
    count = len(scale.names)
    others = np.repeat(((1 - certain) / max(count - 1, 1))[:, None], count, axis=1)
    place = {name: number for number, name in enumerate(scale.names)}
    column = np.array([place.get(name, -1) for name in table["symptom"]], dtype=np.intp)
    known = np.flatnonzero(column >= 0)
    others[known, column[known]] = certain[known]
    others[column < 0] = 1 / max(count, 1)
    weather = table.select(pl.col(name).cast(pl.Float64).fill_null(float("nan")) for name in WEATHER).to_numpy()
    return Calls(
        csr_matrix(vectors.transform(table["text"].to_list())), others, (weather - scale.mean) / scale.deviation
    )


def _named(
    table: pl.DataFrame, vectors: CountVectorizer, kinds: Kinds, stability: Array, both: Indices, from_words: Indices
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Assigned calls and clusters, the kinds numbered by size."""
    size = np.bincount(both[both >= 0], minlength=len(kinds.share))
    order = [int(kind) for kind in np.lexsort((np.arange(len(size)), -size)) if size[kind] > 0]
    width = len(str(len(order)))
    label = {kind: f"c{number:0{width}d}" for number, kind in enumerate(order, 1)}
    terms = vectors.get_feature_names_out()
    names = _names(kinds, terms, order)
    assigned = table.select(
        "call_id",
        cluster=pl.Series([label.get(int(kind)) for kind in both], dtype=pl.String),
        words_cluster=pl.Series([label.get(int(kind)) for kind in from_words], dtype=pl.String),
    )
    clusters = pl.DataFrame(
        {
            "cluster": [label[kind] for kind in order],
            "name": names,
            "stability": [round(float(stability[kind]), 3) for kind in order],
        },
        schema={"cluster": pl.String, "name": pl.String, "stability": pl.Float64},
    )
    return assigned, clusters


def _names(kinds: Kinds, terms: npt.NDArray[np.object_], order: list[int]) -> list[str]:
    """The terms that tell each kind from the others: its share of a term by how rare the term is over kinds (c-TF-IDF).

    Source: Grootendorst 2022, arXiv:2203.05794, section 3.3.
    """
    share = np.exp(kinds.words)
    telling = np.where(share == share.max(axis=0), share * np.log1p(1 / share.sum(axis=0)), 0.0)
    telling *= np.log(share / share.mean(axis=0)).clip(0)  # and not one that all kinds use alike
    names = []
    for kind in order:
        chosen: list[str] = []
        for place in np.lexsort((terms, -telling[kind])):
            parts = set(re.split(r"\s", terms[place]))
            known = {part for term in chosen for part in term.split()}
            if not parts & known and not parts & ENGLISH_STOP_WORDS:
                chosen.append(str(terms[place]))
            if len(chosen) == NAME_TERMS:
                break
        names.append(", ".join(chosen))
    return names
