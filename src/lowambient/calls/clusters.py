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
from scipy.special import logsumexp
from sklearn.feature_extraction.text import ENGLISH_STOP_WORDS, CountVectorizer
from sklearn.metrics import adjusted_rand_score

Array = npt.NDArray[np.float64]
Indices = npt.NDArray[np.intp]

SAMPLE_CALLS = 15_000
"""Service calls that kinds are fitted on, drawn without replacement where there are more; all calls are assigned."""

FEWEST_CALLS = 30
"""Fewest calls of a symptom, in the sample, that start a kind (judgement)."""

TEXT_WEIGHT, SYMPTOM_WEIGHT, WEATHER_WEIGHT = 0.5, 0.5, 0.5
"""What each block counts (judgement): words repeat one another, the symptom is read from them, and hour, season and
temperature go together, so none tells as much as if its parts were independent."""

PASSES = 10
"""Passes of expectation maximisation."""

SMOOTHING_WORDS = 10.0
"""Words, drawn as in all notes, that each kind is given beforehand."""

SMOOTHING_CALLS = 5.0
"""Calls with the spread of all calls that each kind is given beforehand."""

BELONGS_FROM = 0.5
"""Least probability of its kind; a call under it belongs nowhere."""

RESAMPLES = 6
"""Halves of the sample that kinds are fitted on anew, to see which come again."""

SPLITS = (0, 1, 2, 4)
"""Numbers of kinds that are tried in two halves."""

CHUNK_CALLS = 50_000
MOST_WORDS = 20_000
NAME_TERMS = 4
TEXTS = ("complaint", "finding", "action")
WORD = r"(?u)\b[^\W\d_][\w'-]*[^\W_]\b"


@dataclass(frozen=True)
class Calls:
    """What is known of each call, a row: words (0 or 1), probability of each symptom, weather (NaN: not known)."""

    words: csr_matrix
    symptoms: Array
    weather: Array

    def of(self, rows: Indices) -> "Calls":
        """Some of them."""
        return Calls(self.words[rows], self.symptoms[rows], self.weather[rows])


@dataclass(frozen=True)
class Kinds:
    """A fitted mixture: logarithms of share, of word and symptom probabilities; mean and variance of weather."""

    share: Array
    words: Array
    symptoms: Array
    mean: Array
    variance: Array

    def probabilities(self, calls: Calls, *, weather: bool = True) -> Array:
        """Probability of each kind (columns) for each call, with its weather or from words alone."""
        logs = TEXT_WEIGHT * np.asarray(calls.words @ self.words.T)
        logs += SYMPTOM_WEIGHT * np.log(np.einsum("ns,ks->nk", calls.symptoms, np.exp(self.symptoms)))
        logs += self.share
        if weather:
            for place in range(calls.weather.shape[1]):
                value = calls.weather[:, place, None]
                spread = self.variance[:, place]
                density = -0.5 * ((value - self.mean[:, place]) ** 2 / spread + np.log(spread))
                logs += WEATHER_WEIGHT * np.nan_to_num(density)
        return np.asarray(np.exp(logs - logsumexp(logs, axis=1, keepdims=True)))


def cluster_calls(calls: pl.DataFrame, symptoms: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Kinds of service calls by words and weather.

    `calls`: call_id, opened_at, complaint, finding, action; and where known work_type, status, outdoor_c [degC],
    outdoor_change_k (over the last day) [K], wind_m_s [m/s]. `symptoms`: as `read_words` gives them.

    Assigned, grain call, in the order of call_id: call_id; cluster, null for planned and cancelled tickets and for
    calls that belong nowhere; words_cluster: the same without the call's own weather, for rates.
    Clusters, grain cluster, largest first: cluster; name (its most telling terms); stability [-]: mean Jaccard index
    of its calls with the best match in fits to halves of the sample (Hennig 2007, Computational Statistics & Data
    Analysis 52, 258-271).

    Kinds are fitted on at most `SAMPLE_CALLS` service calls; the draw is seeded by the calls themselves, so neither
    their order nor the clock moves it. Hour and season are in UTC.
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
    start = _start(sample)
    if start.shape[1] < 2:
        return unassigned, nothing
    kinds, stability = _most_stable(sample, start, draw)
    with_weather = np.full(len(table), -1)
    from_words = np.full(len(table), -1)
    for first in range(0, len(taking_part), CHUNK_CALLS):
        rows = taking_part[first : first + CHUNK_CALLS]
        part = _vectors(table[rows], vectors, scale)
        with_weather[rows] = _belonging(kinds.probabilities(part))
        from_words[rows] = _belonging(kinds.probabilities(part, weather=False))
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


def _start(calls: Calls) -> Array:
    """First shares of each call in the kinds: what its symptom says."""
    return np.asarray(calls.symptoms / np.maximum(calls.symptoms.sum(axis=1, keepdims=True), 1e-12))


def _fitted(calls: Calls, shares: Array) -> Kinds:
    """The mixture after `PASSES` from these first shares."""
    kinds = _estimated(calls, shares)
    for _ in range(PASSES - 1):
        kinds = _estimated(calls, kinds.probabilities(calls))
    return kinds


def _estimated(calls: Calls, shares: Array) -> Kinds:
    """Kinds as the calls' shares in them make them."""
    size = shares.sum(axis=0)
    usual = np.asarray(calls.words.mean(axis=0)).ravel() + 1e-9
    usual /= usual.sum()
    words = np.asarray(calls.words.T @ shares).T + SMOOTHING_WORDS * usual
    symptoms = np.einsum("nk,ns->ks", shares, calls.symptoms) + 1 / calls.symptoms.shape[1]
    known = ~np.isnan(calls.weather)
    value = np.where(known, calls.weather, 0.0)
    weight = np.einsum("nk,nd->kd", shares, known.astype(np.float64))
    mean = np.einsum("nk,nd->kd", shares, value) / (weight + SMOOTHING_CALLS)
    squares = np.einsum("nk,nd->kd", shares, value**2) - 2 * mean * np.einsum("nk,nd->kd", shares, value)
    variance = (squares + weight * mean**2 + SMOOTHING_CALLS) / (weight + SMOOTHING_CALLS)
    return Kinds(
        np.log((size + 1) / (size.sum() + len(size))),
        np.log(words / words.sum(axis=1, keepdims=True)),
        np.log(symptoms / symptoms.sum(axis=1, keepdims=True)),
        mean,
        variance,
    )


def _belonging(probability: Array) -> Indices:
    """The kind of each call, -1 for none."""
    best = probability.argmax(axis=1)
    return np.where(probability[np.arange(len(best)), best] >= BELONGS_FROM, best, -1)


def _most_stable(calls: Calls, start: Array, draw: np.random.Generator) -> tuple[Kinds, Array]:
    """The mixture, of those with no or some kinds in two halves, that comes again most alike, and how alike."""
    order = _two_humps(calls, start)
    halves = [np.sort(draw.permutation(start.shape[0])[: start.shape[0] // 2]) for _ in range(RESAMPLES)]
    best: tuple[float, Kinds, Array] | None = None
    for splits in sorted({min(count, len(order)) for count in SPLITS}):
        shares = _split(calls, start, order[:splits])
        kinds = _fitted(calls, shares)
        whole = _belonging(kinds.probabilities(calls))
        again = [_belonging(_fitted(calls.of(rows), shares[rows]).probabilities(calls)) for rows in halves]
        alike = float(np.mean([adjusted_rand_score(whole, labels) for labels in again]))
        if best is None or alike > best[0] + 1e-6:
            best = alike, kinds, np.mean([_jaccard(whole, labels, shares.shape[1]) for labels in again], axis=0)
    assert best is not None
    return best[1], best[2]


def _two_humps(calls: Calls, start: Array) -> list[int]:
    """Kinds whose outdoor temperature is told better by two normals than one, most first.

    By the Bayesian information criterion (Schwarz 1978, Annals of Statistics 6, 461-464), with three more parameters.
    """
    gains = []
    label = start.argmax(axis=1)
    for kind in range(start.shape[1]):
        outdoor = np.sort(calls.weather[label == kind, 0])
        outdoor = outdoor[~np.isnan(outdoor)]
        count = len(outdoor)
        if count < 2 * FEWEST_CALLS:
            continue
        one = -0.5 * count * np.log(outdoor.var() + 1e-6)
        means, spreads, parts = (
            np.quantile(outdoor, [0.25, 0.75]),
            np.full(2, outdoor.var() / 2 + 1e-6),
            np.full(2, 0.5),
        )
        for _ in range(50):
            logs = np.log(parts) - 0.5 * ((outdoor[:, None] - means) ** 2 / spreads + np.log(spreads))
            shares = np.exp(logs - logsumexp(logs, axis=1, keepdims=True))
            size = shares.sum(axis=0) + 1e-9
            parts, means = size / size.sum(), np.einsum("nk,n->k", shares, outdoor) / size
            spreads = np.einsum("nk,nk->k", shares, (outdoor[:, None] - means) ** 2) / size + 0.01
        two = float(logsumexp(logs, axis=1).sum())
        gain = 2 * (two - (one - 0.5 * count)) - 3 * np.log(count)
        if gain > 0 and size.min() >= FEWEST_CALLS:
            gains.append((-float(gain), kind))
    return [kind for _, kind in sorted(gains)]


def _split(calls: Calls, start: Array, kinds: list[int]) -> Array:
    """First shares with some kinds in two halves, by middle outdoor temperature; calls without weather in both."""
    shares, label = start.copy(), start.argmax(axis=1)
    for kind in kinds:
        outdoor = calls.weather[:, 0]
        middle = np.nanmedian(outdoor[label == kind])
        warm = np.where(np.isnan(outdoor), 0.5, (outdoor > middle).astype(np.float64))
        shares = np.column_stack([shares, shares[:, kind] * warm])
        shares[:, kind] *= 1 - warm
    return shares


def _jaccard(whole: Indices, again: Indices, count: int) -> Array:
    """For each kind, the best Jaccard index of its calls with those of any kind fitted again."""
    table = np.zeros((count + 1, count + 1))
    np.add.at(table, (whole, again), 1)  # -1 is the last row and column: none
    union = table.sum(axis=1, keepdims=True) + table.sum(axis=0, keepdims=True) - table
    return np.asarray((table / np.maximum(union, 1))[:count, :count].max(axis=1))


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
