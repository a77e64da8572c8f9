"""What the words of service calls say: a symptom for each call, and statements about what was found and done.

No weather, date or unit enters, so that calls can be set against weather without going in a circle. Each text is read
once (reading.py); the evidence of a call's finding, action and complaint is added up, as probabilities.
"""

from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from multiprocessing import get_context

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.calls.lexicon import FINE, LEAK, SYMPTOMS, WARM, lexicon
from lowambient.calls.reading import FIELDS, Reader, texts_of
from lowambient.calls.stated import statements_of

Weights = npt.NDArray[np.float64]

FIELD_FACTORS = {"finding": 1.0, "action": 0.9, "complaint": 0.5}
"""What a field's words count (judgement): finding and action tell the cause, the complaint what the customer felt."""

ALONE_FACTOR = 1.0
"""What the complaint counts where neither finding nor action tells anything."""

FURTHER_SHARE = 0.3
"""Share of a second and later piece of evidence for one symptom in one field: they are seldom independent."""

FURTHER_FIELD = 0.4
"""The same for evidence in a second field."""

TELLING_WEIGHT = 1.2
"""Evidence under which a note says almost nothing (natural-log units, judgement)."""

OTHER_BIAS, WARM_CAP = 1.0, 1.0
"""Least evidence for `other`; most that being warm or off counts for `no cooling` where more is said."""

FINE_MORE = 1.4
"""What finding nothing adds to the customer's having felt it too warm (judgement)."""

COLUMNS = (*SYMPTOMS, WARM, FINE)
"""Columns of the table of evidence."""

PLANNED_WEIGHT = 6.0
"""Evidence in the work type `planned`."""

COMPLAINT_TELLS = {"planned": 2.8, "other": 2.0, "low-pressure trip": 1.6, "high-pressure trip": 1.6, "noise": 2.0}
"""What a complaint counts more where it names the class itself: nobody complained, or what was heard (judgement)."""

LOW_INTERCEPT, LOW_SLOPE, LOW_OTHER, LOW_DENIED = -1.6, 1.2, 0.5, 2.0
"""Log odds of a low-pressure trip: without evidence; for each unit of evidence for it, and for something else; denied
(judgement)."""

BATCH_CALLS = 50_000
"""Calls read at a time, which bounds memory."""


def read_words(
    calls: pl.DataFrame, extra: pl.DataFrame | None = None, processes: int = 1
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The symptom of each call and the statements of its note, from words alone.

    `calls`: call_id, complaint, finding, action, and work_type where known. `extra`: a company's own words, see
    `lexicon`.

    Symptoms, grain call, in the order of call_id: call_id; symptom (vocabulary `symptom`); symptom_probability [-];
    symptom_words (the words that led to it, lower case as written, `; ` between, null where none did);
    low_pressure_probability [-]: that it was a low-pressure trip or lockout; is_unclear: the note says almost nothing.
    Statements, grain call and statement: call_id; statement (vocabulary `statement`); probability [-]; words; about:
    what was bypassed (`head control`, `low-pressure switch`, `high-pressure switch`), null where that is not told.

    The answer does not depend on `processes`, which read batches of calls beside each other, each with 0.6 GB.

    Limits: English as shops write it. Probabilities rest on weights that are judgement, not on counts.
    """
    wanted = calls.select("call_id", *FIELDS, *(["work_type"] if "work_type" in calls.columns else []))
    order = wanted["call_id"].arg_sort()
    starts = range(0, max(len(wanted), 1), BATCH_CALLS)
    batches = (wanted[order[start : start + BATCH_CALLS]] for start in starts)
    processes = min(processes, len(starts))
    if processes <= 1:
        reader = Reader(lexicon(extra))
        read = [_read_batch(batch, reader) for batch in batches]
    else:
        with ProcessPoolExecutor(processes, get_context("spawn"), _begin, (extra,)) as pool:
            read = list(_in_order(pool, batches, processes))
    symptoms, statements = (pl.concat(parts) for parts in zip(*read, strict=True))
    return symptoms, statements


def _in_order(
    pool: ProcessPoolExecutor, batches: Iterator[pl.DataFrame], processes: int
) -> Iterator[tuple[pl.DataFrame, pl.DataFrame]]:
    """What the processes read, in the order of the batches; few are sent ahead, which bounds memory."""
    running: deque[Future[tuple[pl.DataFrame, pl.DataFrame]]] = deque()
    for batch in batches:
        running.append(pool.submit(_read_in_process, batch))
        if len(running) > processes:
            yield running.popleft().result()
    while running:
        yield running.popleft().result()


_readers: list[Reader] = []
"""The reader of this process, where it is one of several."""


def _begin(extra: pl.DataFrame | None) -> None:
    _readers.append(Reader(lexicon(extra)))


def _read_in_process(calls: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    return _read_batch(calls, _readers[0])


def _read_batch(calls: pl.DataFrame, reader: Reader) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Symptoms and statements of some calls in the order of call_id."""
    numbered = calls.with_row_index("call")
    texts, places = texts_of(numbered)
    evidence, stated = reader.read(texts)
    return _symptoms(numbered, places, evidence), statements_of(numbered, places, stated)


def _symptoms(calls: pl.DataFrame, places: pl.DataFrame, evidence: pl.DataFrame) -> pl.DataFrame:
    """The table of symptoms."""
    weights, denied = _weights(len(calls), places, evidence)
    if "work_type" in calls.columns:
        weights[:, SYMPTOMS.index("planned")] += (
            PLANNED_WEIGHT * (calls["work_type"] == "planned").fill_null(False).to_numpy()
        )
    no_cooling, other, low = (SYMPTOMS.index(name) for name in ("no cooling", "other", "low-pressure trip"))
    strengths, warm, fine = weights[:, :-2].copy(), weights[:, -2], weights[:, -1]
    is_unclear = strengths.max(axis=1) < TELLING_WEIGHT
    warm = np.where(is_unclear, np.maximum(warm, fine), np.minimum(warm, WARM_CAP))
    warm += np.where((weights[:, -2] > 0) & (fine > 0), FINE_MORE, 0.0)
    strengths[:, no_cooling] = np.maximum(strengths[:, no_cooling], warm)
    strengths[:, other] = np.maximum(strengths[:, other], OTHER_BIAS)
    shares = np.exp(strengths - strengths.max(axis=1, keepdims=True))
    shares /= shares.sum(axis=1, keepdims=True)
    best = strengths.argmax(axis=1)
    against = np.delete(weights, [no_cooling, low, len(SYMPTOMS), len(SYMPTOMS) + 1], axis=1).max(axis=1)
    odds = LOW_INTERCEPT + LOW_SLOPE * weights[:, low] - LOW_OTHER * np.minimum(against, 4.5) - LOW_DENIED * denied
    answer = pl.DataFrame(
        {
            "call": calls["call"],
            "symptom": pl.Series(best, dtype=pl.UInt8),
            "symptom_probability": shares[np.arange(len(best)), best],
            "low_pressure_probability": 1 / (1 + np.exp(-odds)),
            "is_unclear": is_unclear,
        }
    ).with_columns(symptom=pl.col("symptom").replace_strict(dict(enumerate(SYMPTOMS)), return_dtype=pl.String))
    named = evidence.filter(pl.col("value") > 0).with_columns(pl.col("name").replace([WARM, FINE], "no cooling"))
    shown = _shown(answer.select("call", name="symptom"), places, named)
    return (
        calls.select("call_id", "call")
        .join(answer, on="call", maintain_order="left")
        .join(shown, on="call", how="left", maintain_order="left")
        .select("call_id", "symptom", "symptom_probability", "symptom_words", "low_pressure_probability", "is_unclear")
    )


def _weights(count: int, places: pl.DataFrame, evidence: pl.DataFrame) -> tuple[Weights, Weights]:
    """Evidence of each call for each of COLUMNS (calls by columns), and how much denies a low-pressure trip."""
    weight = pl.col("value")
    of_text = evidence.group_by("text", "name").agg(
        most=weight.clip(0).max(),
        total=weight.clip(0).sum(),
        denied=(weight < 0).any() & (pl.col("name").first() == "low-pressure trip"),
    )
    further = pl.min_horizontal(pl.col("total") - pl.col("most"), "most")  # a note of 100 KB repeats itself
    of_text = of_text.with_columns(weight=pl.col("most") + FURTHER_SHARE * further)
    numbers = {name: place for place, name in enumerate(COLUMNS)}
    rows = (
        _what_leaks(places.join(of_text, on="text"))
        .group_by("call", "field", "name")
        .agg(pl.col("weight").max(), pl.col("denied").any())
        .with_columns(number=pl.col("name").replace_strict(numbers, return_dtype=pl.Int64))
    )
    fields = {}
    for (field,), part in rows.group_by("field"):
        table = np.zeros((count, len(COLUMNS)))
        table[part["call"].to_numpy(), part["number"].to_numpy()] = part["weight"].to_numpy()
        fields[field] = table
    denied = np.zeros(count)
    denied[rows.filter("denied")["call"].to_numpy()] = 1.0
    nothing = np.zeros((count, len(COLUMNS)))
    found, done = (FIELD_FACTORS[name] * fields.get(name, nothing) for name in ("finding", "action"))
    told = _together(found, done)
    telling = told[:, :-2].max(axis=1) >= TELLING_WEIGHT
    factor = np.where(telling, FIELD_FACTORS["complaint"], ALONE_FACTOR)
    complained = factor[:, None] * fields.get("complaint", nothing)
    for name, more in COMPLAINT_TELLS.items():
        complained[:, SYMPTOMS.index(name)] *= more
    return _together(told, complained), denied


def _what_leaks(rows: pl.DataFrame) -> pl.DataFrame:
    """Rows of (field, name) with the symptom of a leak whose fluid is not named."""
    symptom = pl.when(pl.col("field") == "complaint").then(pl.lit("drain")).otherwise(pl.lit("leak or low charge"))
    return rows.with_columns(name=pl.when(pl.col("name") == LEAK).then(symptom).otherwise("name"))


def _together(one: Weights, other: Weights) -> Weights:
    """Evidence of two fields: a technician writes one thing twice, so the lesser counts in part."""
    return np.maximum(one, other) + FURTHER_FIELD * np.minimum(one, other)


def _shown(asked: pl.DataFrame, places: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """The words that speak for each asked (call, name): finding first, each once, `; ` between."""
    order = pl.col("field").replace_strict({"finding": 0, "action": 1, "complaint": 2}, return_dtype=pl.Int8)
    by_text = (
        found.sort("text", "first", "words")
        .group_by("text", "name", maintain_order=True)
        .agg(pl.col("words").unique(maintain_order=True), pl.col("first").min())
    )
    return (
        _what_leaks(places.join(by_text, on="text"))
        .join(asked, on=["call", "name"])
        .sort("call", "name", order, "first", pl.col("words").list.first())
        .group_by("call", "name", maintain_order=True)
        .agg(pl.col("words").explode())
        .select("call", "name", pl.col("words").list.unique(maintain_order=True).list.join("; ").alias("symptom_words"))
    )
