"""Scores for what reads notes, with ceilings and floors to hold them against.

The ceiling is trained on the planted truth of other seeds: TF-IDF of words and of character runs into logistic
regression, then, where weather helps, gradient boosting over its held-out probabilities and the weather. The floors
are TF-IDF with k-means, and a dozen keyword rules. All from scikit-learn.

A truth frame has one row a call, as `service_maker` plants it. A symptom that is no class of ours counts as missed.
"""

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl
from note_maker import HANDS, STATEMENTS, SYMPTOMS, NoteWriter
from scipy.sparse import csr_matrix, hstack, vstack
from service_maker import Service
from sklearn.cluster import KMeans
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.feature_extraction.text import TfidfVectorizer
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import average_precision_score, f1_score, normalized_mutual_info_score
from sklearn.model_selection import cross_val_predict

WEATHER = ("outdoor_c", "change_24h_k", "coldest_24h_c", "dew_point_c", "wind_m_s", "hour", "month")


# --- scores -------------------------------------------------------------------------------------------------


def class_f1(cause: Sequence[str], symptom: Sequence[str | None]) -> float:
    """Mean F1 over the classes that were planted at least once."""
    planted = sorted(set(cause))
    given = [name if name in SYMPTOMS else "none" for name in symptom]
    return float(f1_score(list(cause), given, labels=planted, average="macro", zero_division=0))


def statement_flags(lists: pl.Series) -> np.ndarray:
    """Call by statement, true where the list names it."""
    return np.array([[name in row for name in STATEMENTS] for row in lists.to_list()], dtype=bool).reshape(
        -1, len(STATEMENTS)
    )


def statement_f1(true: np.ndarray, given: np.ndarray) -> float:
    """Mean F1 over the statements.

    A removal implies a finding, and so does a control that was reconnected: a finding read from these alone is neither
    right nor wrong.
    """
    scores = [f1_score(true[k, at], given[k, at], zero_division=0) for at, k in _judged(true) if true[k, at].any()]
    return float(np.mean(scores))


def f1_by_statement(true: np.ndarray, given: np.ndarray) -> dict[str, float]:
    """F1 of each statement, judged as in `statement_f1`."""
    return {STATEMENTS[at]: float(f1_score(true[k, at], given[k, at], zero_division=0)) for at, k in _judged(true)}


def _judged(true: np.ndarray) -> list[tuple[int, np.ndarray]]:
    found, removed, back = (
        STATEMENTS.index(name) for name in ("bypass found", "bypass removed", "control reconnected")
    )
    implied = ~true[:, found] & (true[:, removed] | true[:, back])
    return [(at, ~implied if at == found else np.ones(len(true), dtype=bool)) for at in range(len(STATEMENTS))]


def shared_information(cluster: Sequence[str | None], cause: Sequence[str]) -> float:
    """Normalised mutual information; calls without a cluster are one group of their own."""
    return float(normalized_mutual_info_score(list(cause), [name or "" for name in cluster]))


def average_precision(is_cold_lockout: np.ndarray, probability: np.ndarray) -> float:
    """Mean precision over the ranking by probability."""
    return float(average_precision_score(is_cold_lockout, probability))


def confusions(cause: Sequence[str], symptom: Sequence[str | None], most: int = 12) -> list[tuple[str, str, int]]:
    """The most frequent mistakes: planted, given, how often."""
    frame = pl.DataFrame({"cause": list(cause), "symptom": [name or "none" for name in symptom]})
    wrong = frame.filter(pl.col("cause") != pl.col("symptom")).group_by("cause", "symptom").len()
    return wrong.sort("len", "cause", "symptom", descending=[True, False, False]).head(most).rows()


# --- what a reader of notes is given ------------------------------------------------------------------------


def with_weather(service: Service) -> pl.DataFrame:
    """Calls with the weather of their hour: columns of `WEATHER`, hour and month of the clock at the site."""
    hourly = service.weather.sort("station_id", "hour").with_columns(
        change_24h_k=(pl.col("temperature_c") - pl.col("temperature_c").shift(24)).over("station_id"),
        coldest_24h_c=pl.col("temperature_c").rolling_min(25, min_samples=1).over("station_id"),
    )
    station = service.units.join(service.sites, on="site_id").select("unit_id", "station_id")
    local = pl.col("opened_at").dt.offset_by("-6h")
    return (
        service.calls.join(station, on="unit_id", how="left")
        .with_columns(weather_hour=pl.col("opened_at").dt.round("1h"), hour=local.dt.hour(), month=local.dt.month())
        .join(hourly, left_on=["station_id", "weather_hour"], right_on=["station_id", "hour"], how="left")
        .rename({"temperature_c": "outdoor_c"})
        .sort("call_id")
    )


def texts_of(calls: pl.DataFrame) -> list[str]:
    """Complaint, finding and action as one text, with a mark between them."""
    parts = [pl.col(name).fill_null("") for name in ("complaint", "finding", "action")]
    return calls.select(pl.concat_str(parts, separator=" | ")).to_series().to_list()


# --- ceiling ------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Ceiling:
    """What a classifier trained on the planted truth of other seeds says of calls it has not seen."""

    symptom: list[str]
    symptom_with_weather: list[str]
    statements: np.ndarray
    cold_probability: np.ndarray


class Trained:
    """Classifiers fitted on calls (as `with_weather` gives them) and their truth, in the same order.

    Unit ids must differ between the fleets that are trained on together.
    """

    def __init__(self, calls: pl.DataFrame, truth: pl.DataFrame, seed: int = 0) -> None:
        self._views = _vectorizers()
        text = self._fitted_text(calls)
        cause = truth["cause"].to_list()
        cold = truth["is_cold_lockout"].to_numpy()
        self._symptom = _logistic().fit(text, cause)
        held_out = cross_val_predict(_logistic(), text, cause, cv=3, method="predict_proba")
        boosted = _with_context(calls, held_out)
        self._with_weather = HistGradientBoostingClassifier(random_state=seed, max_iter=80, learning_rate=0.08)
        self._with_weather.fit(boosted, cause)
        self._cold = HistGradientBoostingClassifier(random_state=seed, max_iter=80, learning_rate=0.08).fit(
            boosted, cold
        )
        rich, rich_flags = _notes_rich_in_statements(seed, calls.height // 2)
        self._fit_statements(text, statement_flags(truth["statements"]), self._seen_text(rich), rich_flags)

    def says(self, calls: pl.DataFrame) -> Ceiling:
        """What the classifiers make of other calls."""
        text = self._seen_text(calls)
        boosted = _with_context(calls, self._symptom.predict_proba(text))
        likely = [
            model.predict_proba(text)[:, 1] >= cut for model, cut in zip(self._statements, self._cuts, strict=True)
        ]
        return Ceiling(
            symptom=self._symptom.predict(text).tolist(),
            symptom_with_weather=self._with_weather.predict(boosted).tolist(),
            statements=np.array(likely).T,
            cold_probability=self._cold.predict_proba(boosted)[:, 1],
        )

    def _fit_statements(self, text: csr_matrix, flags: np.ndarray, rich: csr_matrix, rich_flags: np.ndarray) -> None:
        """Fit on two thirds of the calls and on notes rich in statements; cut where F1 is best on the other third."""
        last = np.arange(len(flags)) >= 2 * len(flags) // 3
        known, known_flags = vstack([text[~last], rich]).tocsr(), np.vstack([flags[~last], rich_flags])
        self._statements = [_rare().fit(known, flag) for flag in known_flags.T]
        self._cuts = [
            _best_cut(flag, model.predict_proba(text[last])[:, 1])
            for flag, model in zip(flags[last].T, self._statements, strict=True)
        ]

    def _seen_text(self, calls: pl.DataFrame) -> csr_matrix:
        return hstack([view.transform(part) for view, part in zip(self._views, _boxes(calls), strict=True)]).tocsr()

    def _fitted_text(self, calls: pl.DataFrame) -> csr_matrix:
        return hstack([view.fit_transform(part) for view, part in zip(self._views, _boxes(calls), strict=True)]).tocsr()


def _notes_rich_in_statements(seed: int, count: int) -> tuple[pl.DataFrame, np.ndarray]:
    """Notes of every cause with each statement in one of eight, so that the rare ones are learned as well."""
    rng, writer = np.random.default_rng(seed), NoteWriter(seed)
    flags = rng.random((count, len(STATEMENTS))) < 0.125
    causes, hands = rng.integers(len(SYMPTOMS), size=count), rng.integers(len(HANDS), size=count)
    names = np.array(STATEMENTS)
    notes = [
        writer.note(SYMPTOMS[cause], names[flag].tolist(), HANDS[hand])
        for cause, hand, flag in zip(causes, hands, flags, strict=True)
    ]
    texts = {part: [getattr(note, part) for note in notes] for part in ("complaint", "finding", "action")}
    stated = pl.Series([list(note.stated) for note in notes], dtype=pl.List(pl.String))
    return pl.DataFrame(texts), statement_flags(stated)


def _vectorizers() -> list[TfidfVectorizer]:
    words = {"ngram_range": (1, 3), "min_df": 2, "sublinear_tf": True, "token_pattern": r"\w+|[^\w\s]"}
    runs = {"analyzer": "char_wb", "ngram_range": (2, 5), "min_df": 4, "sublinear_tf": True, "max_features": 40_000}
    return [TfidfVectorizer(**words), TfidfVectorizer(**words), TfidfVectorizer(**runs)]


def _boxes(calls: pl.DataFrame) -> list[list[str]]:
    """The complaint, the technician's own words, and these again for the runs of characters."""
    complaint = calls["complaint"].fill_null("").to_list()
    own = [pl.col(name).fill_null("") for name in ("finding", "action")]
    technician = calls.select(pl.concat_str(own, separator=" | ")).to_series().to_list()
    return [complaint, technician, technician]


def _logistic() -> LogisticRegression:
    return LogisticRegression(C=10.0, max_iter=200, tol=1e-3)


def _rare() -> LogisticRegression:
    return LogisticRegression(C=10.0, class_weight="balanced", solver="liblinear")


def _with_context(calls: pl.DataFrame, probability: np.ndarray) -> np.ndarray:
    """What the words say, the weather, and what the words of the unit's other calls say of low pressure in the cold."""
    low = probability[:, sorted(SYMPTOMS).index("low-pressure trip")]
    chilly = 1 / (1 + np.exp((calls["outdoor_c"].fill_null(15.0).to_numpy() - 8.0) / 3.0))
    day = pl.col("opened_at").dt.epoch("s") / 86_400
    frame = calls.select("unit_id", day=day).with_columns(mark=pl.Series(low * chilly)).with_row_index("row")
    pairs = frame.join(frame, on="unit_id", suffix="_other").filter(pl.col("row") != pl.col("row_other"))
    apart = (pl.col("day") - pl.col("day_other")).abs()
    marks = pairs.group_by("row").agg(
        pl.col("mark_other").sum().alias("ever"),
        pl.col("mark_other").filter(apart < 45).sum().alias("near"),
        pl.len().alias("calls"),
    )
    context = frame.select("row").join(marks, on="row", how="left").fill_null(0.0).sort("row").drop("row")
    weather = calls.select(pl.col(name).cast(pl.Float64) for name in WEATHER)
    return np.hstack([probability, weather.to_numpy(), context.to_numpy()])


def _best_cut(true: np.ndarray, probability: np.ndarray) -> float:
    cuts = np.arange(0.05, 0.95, 0.025)
    return float(cuts[np.argmax([f1_score(true, probability >= cut, zero_division=0) for cut in cuts])])


# --- floors -------------------------------------------------------------------------------------------------


def plain_clusters(texts: Iterable[str], seed: int = 0, clusters: int = len(SYMPTOMS)) -> list[str]:
    """TF-IDF of words with k-means."""
    vectors = TfidfVectorizer(min_df=3, stop_words="english", sublinear_tf=True).fit_transform(texts)
    return [str(label) for label in KMeans(clusters, random_state=seed, n_init=3).fit_predict(vectors)]


KEYWORDS: tuple[tuple[str, str], ...] = (
    ("low-pressure trip", r"low pressure|\blp\b|lps|low suction"),
    ("high-pressure trip", r"high pressure|\bhp\b|hps|high head"),
    ("belt", r"\bbelts?\b"),
    ("drain", r"drain|condensate|pan\b|water"),
    ("icing", r"\bice\b|iced|frozen|froze|frost"),
    ("leak or low charge", r"leak|low on|charge|freon"),
    ("compressor", r"compressor|\bcomp\b"),
    ("fan", r"\bfan\b|blower"),
    ("electrical", r"contactor|fuse|breaker|capacitor|voltage|wire"),
    ("control or thermostat", r"thermostat|t-?stat|\bstat\b|board|sensor|schedule"),
    ("airflow", r"filters?\b|air ?flow|duct|damper"),
    ("planned", r"\bpm\b|maintenance|inspection"),
    ("noise", r"nois|rattl|vibrat"),
    ("no cooling", r"no cool|not cooling|warm|hot"),
)
STATEMENT_KEYWORDS: dict[str, str] = {
    "bypass found": r"jumper|bypass|jumped",
    "bypass removed": r"(?:remove|pull)\w* (?:the )?(?:jumper|bypass)",
    "bypass denied": r"no (?:jumper|bypass)|not (?:jumper|bypass)",
    "power cycled": r"cycled? (?:the )?power|power cycle",
    "switch reset": r"\breset",
    "refrigerant added": r"added|charged|topped",
    "control reconnected": r"reconnect|back in",
    "control fitted": r"installed? .*(?:control|kit|switch)",
}


def keyword_symptoms(texts: Iterable[str]) -> list[str]:
    """The first of a dozen rules that matches, from words that anybody would think of."""
    rules = [(symptom, re.compile(pattern)) for symptom, pattern in KEYWORDS]
    return [next((s for s, rule in rules if rule.search(text.lower())), "other") for text in texts]


def keyword_statements(texts: Iterable[str]) -> np.ndarray:
    """Call by statement, by one plain pattern each."""
    rules = [re.compile(STATEMENT_KEYWORDS[name]) for name in STATEMENTS]
    return np.array([[bool(rule.search(text.lower())) for rule in rules] for text in texts])


def keyword_cold(symptom: Sequence[str], outdoor_c: np.ndarray) -> np.ndarray:
    """A low-pressure word below 50 degF outdoors, the colder the likelier."""
    low = np.array([name == "low-pressure trip" for name in symptom])
    return np.where(low, 0.5, 0.0) + 0.4 / (1 + np.exp((np.nan_to_num(outdoor_c, nan=20.0) - 5.0) / 4.0))
