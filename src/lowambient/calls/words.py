"""What the words of service calls say: a symptom for each call, and statements about what was found and done.

No weather, date or unit enters, so that calls can be set against weather without going in a circle. Notes repeat, so
work is done once for each different text, word and sentence:

1. text: lower case, one width of letters, no mark-up; cut into pieces (a word with what follows it up to the next);
2. piece -> canonical token: shop writing replaced, misspellings mended, inflection cut off (tokens.py, lexicon.py);
3. sentence -> evidence: matched with negation and modality (clauses.py);
4. call: evidence of finding, action and complaint added up, as probabilities.
"""

import numpy as np
import numpy.typing as npt
import polars as pl

from lowambient.calls.clauses import judge
from lowambient.calls.lexicon import BYPASS_MADE, BYPASSED, LEAK, SKIPPED, SYMPTOMS, UNSTATED, WARM, Lexicon, lexicon
from lowambient.calls.tokens import PIECE, learn

Weights = npt.NDArray[np.float64]

FIELDS = ("complaint", "finding", "action")

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

COLUMNS = (*SYMPTOMS, WARM)
"""Columns of the table of evidence."""

PLANNED_WEIGHT = 6.0
"""Evidence in the work type `planned`."""

COMPLAINT_TELLS = {"planned": 2.8, "other": 2.0, "low-pressure trip": 1.6, "high-pressure trip": 1.6, "noise": 2.0}
"""What a complaint counts more where it names the class itself: nobody complained, or what was heard (judgement)."""

BYPASS_AS_FINDING = 0.75
"""Probability that a finding which begins with the bridging tells of somebody else's bypass (judgement)."""

LOW_INTERCEPT, LOW_SLOPE, LOW_OTHER, LOW_DENIED = -1.6, 1.2, 0.5, 2.0
"""Log odds of a low-pressure trip: without evidence; for each unit of evidence for it, and for something else; denied
(judgement)."""

ASSERTED = 0.5
"""Probability from which a statement is handed out."""

CHUNK_TEXTS = 200_000
"""Different texts read at a time, which bounds memory."""

FOUND = {
    "sentence": pl.String,
    "name": pl.String,
    "value": pl.Float64,
    "first": pl.Int32,
    "last": pl.Int32,
    "needs": pl.String,
}
"""What judging a sentence gives."""


def read_words(calls: pl.DataFrame, extra: pl.DataFrame | None = None) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The symptom of each call and the statements of its note, from words alone.

    `calls`: call_id, complaint, finding, action, and work_type where known. `extra`: a company's own words, see
    `lexicon`.

    Symptoms, grain call, in the order of call_id: call_id; symptom (vocabulary `symptom`); symptom_probability [-];
    symptom_words (the words that led to it, lower case as written, `; ` between, null where none did);
    low_pressure_probability [-]: that it was a low-pressure trip or lockout; is_unclear: the note says almost nothing.
    Statements, grain call and statement: call_id; statement (vocabulary `statement`); probability [-]; words; about:
    what was bypassed (`head control`, `low-pressure switch`, `high-pressure switch`), null where that is not told.

    Limits: English as shops write it. Probabilities rest on weights that are judgement, not on counts.
    """
    words = lexicon(extra)
    numbered = calls.select("call_id", *FIELDS, *(["work_type"] if "work_type" in calls.columns else []))
    numbered = numbered.sort("call_id").with_row_index("call")
    texts, places = _texts(numbered)
    evidence, stated = _read(texts, words)
    return (
        _symptoms(numbered, places, evidence),
        _statements(numbered, places, stated),
    )


def _texts(calls: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """The different texts (text, written), and where each stands (call, field, text)."""
    placed = calls.unpivot(FIELDS, index="call", variable_name="field", value_name="raw").drop_nulls("raw")
    different = placed.select("raw").unique(maintain_order=True).with_row_index("text")
    places = placed.join(different, on="raw").select("call", pl.col("field").cast(pl.Enum(FIELDS)), "text")
    return different.select("text", written=_plain(pl.col("raw"))), places


def _plain(text: pl.Expr) -> pl.Expr:
    """Lower case, no mark-up or control characters, one kind of apostrophe and dash."""
    text = text.cast(pl.String).str.normalize("NFKC").str.to_lowercase()
    text = text.str.replace_all(r"<(?:br|p|div|li|tr)\b[^<>]{0,200}>", "\n")
    text = text.str.replace_all(r"</?[a-z][^<>]{0,200}>", " ").str.replace_all(r"&(?:nbsp|amp|lt|gt|quot|#\d+);", " ")
    text = text.str.replace_all("[’‘`´]", "'").str.replace_all("[‐‑–—]", "-").str.replace_all(r"[\r\n]+", "\n")
    return text.str.replace_all(r"[^\P{C}\n]|_", " ").str.replace_all(r"[^\S\n]+", " ").str.strip_chars()


def _read(texts: pl.DataFrame, words: Lexicon) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Evidence (text, name of a symptom, value: weight, words) and the same of statements (value: probability)."""
    tokens: dict[str, str] = {}
    symptoms: list[pl.DataFrame] = []
    statements: list[pl.DataFrame] = []
    for chunk in texts.iter_slices(CHUNK_TEXTS) if len(texts) else [texts]:
        pieces = chunk.select("text", pieces=pl.col("written").str.extract_all(PIECE))
        sentences = _sentences(pieces, tokens, words)
        for found, kept in zip(_judged(sentences, words), (symptoms, statements), strict=True):
            kept.append(_with_words(found, pieces))
    return pl.concat(symptoms), pl.concat(statements)


def _sentences(pieces: pl.DataFrame, tokens: dict[str, str], words: Lexicon) -> pl.DataFrame:
    """Sentences of the texts. Columns: text, at (place of its first piece), sentence (canonical tokens)."""
    rows = pieces.explode("pieces").rename({"pieces": "piece"}).drop_nulls("piece")
    rows = rows.with_columns(at=pl.int_range(pl.len(), dtype=pl.Int32).over("text"))
    learn(rows["piece"].unique().to_list(), tokens, words)
    known = pl.DataFrame(
        {"piece": list(tokens), "token": list(tokens.values())}, schema=dict.fromkeys(("piece", "token"), pl.String)
    )
    rows = rows.join(known, on="piece", how="left", maintain_order="left")
    starters = [*words.sets["advice"], *words.sets["done"], *words.sets["inquiry"]]
    dotted = (pl.col("piece").shift().is_in(list(words.sets["dotted"]))) & (pl.col("at") > 0)
    dotted &= ~pl.col("token").shift(-1).is_in(starters)
    rows = rows.with_columns(token=pl.when((pl.col("token") == ".") & dotted).then(pl.lit(SKIPPED)).otherwise("token"))
    ends = pl.col("token").is_in([".", "?"])
    return (
        rows.with_columns(number=ends.cum_sum() - ends.cast(pl.UInt32))
        .filter(pl.col("token") != ".")
        .group_by("text", "number", maintain_order=True)
        .agg(pl.col("at").first(), sentence=pl.col("token").str.join(" "))
        .select("text", "at", "sentence")
    )


def _judged(sentences: pl.DataFrame, words: Lexicon) -> tuple[pl.DataFrame, pl.DataFrame]:
    """What each sentence says: text, name, value, first and last piece. Each different sentence is judged once."""
    different = sentences.select("sentence").unique(maintain_order=True)["sentence"].to_list()
    frames = []
    for found in zip(*(judge(sentence, words) for sentence in different), strict=True):
        rows = [(sentence, *one, "")[:6] for sentence, several in zip(different, found, strict=True) for one in several]
        frame = pl.DataFrame(rows, schema=FOUND, orient="row")
        frames.append(
            sentences.join(frame, on="sentence").select(
                "text",
                "name",
                "value",
                "needs",
                first=pl.col("at") + pl.col("first"),
                last=pl.col("at") + pl.col("last"),
            )
        )
    if not frames:
        empty = pl.DataFrame(schema={"text": sentences.schema["text"], **FOUND}).drop("sentence")
        return empty, empty
    return frames[0], frames[1]


def _with_words(found: pl.DataFrame, pieces: pl.DataFrame) -> pl.DataFrame:
    """What was found with the words it rests on, as written."""
    words = pl.col("pieces").list.slice("first", pl.col("last") - pl.col("first") + 1).list.join("")
    return found.join(pieces, on="text", how="left", maintain_order="left").select(
        "text", "name", "value", "needs", "first", words=words.str.strip_chars(' \n.,;:!?()[]|/-&+"*')
    )


def _symptoms(calls: pl.DataFrame, places: pl.DataFrame, evidence: pl.DataFrame) -> pl.DataFrame:
    """The table of symptoms."""
    weights, denied = _weights(len(calls), places, evidence)
    if "work_type" in calls.columns:
        weights[:, SYMPTOMS.index("planned")] += (
            PLANNED_WEIGHT * (calls["work_type"] == "planned").fill_null(False).to_numpy()
        )
    no_cooling, other, low = (SYMPTOMS.index(name) for name in ("no cooling", "other", "low-pressure trip"))
    strengths, warm = weights[:, :-1].copy(), weights[:, -1]
    is_unclear = strengths.max(axis=1) < TELLING_WEIGHT
    warm = np.where(is_unclear, warm, np.minimum(warm, WARM_CAP))
    strengths[:, no_cooling] = np.maximum(strengths[:, no_cooling], warm)
    strengths[:, other] = np.maximum(strengths[:, other], OTHER_BIAS)
    shares = np.exp(strengths - strengths.max(axis=1, keepdims=True))
    shares /= shares.sum(axis=1, keepdims=True)
    best = strengths.argmax(axis=1)
    against = np.delete(weights, [no_cooling, low, len(SYMPTOMS)], axis=1).max(axis=1)
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
    named = evidence.filter(pl.col("value") > 0).with_columns(pl.col("name").replace(WARM, "no cooling"))
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
    telling = told[:, :-1].max(axis=1) >= TELLING_WEIGHT
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
        found.sort("text", "first")
        .group_by("text", "name", maintain_order=True)
        .agg(pl.col("words").unique(maintain_order=True))
    )
    return (
        _what_leaks(places.join(by_text, on="text"))
        .join(asked, on=["call", "name"])
        .sort("call", "name", order)
        .group_by("call", "name", maintain_order=True)
        .agg(pl.col("words").explode())
        .select("call", "name", pl.col("words").list.unique(maintain_order=True).list.join("; ").alias("symptom_words"))
    )


def _statements(calls: pl.DataFrame, places: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """The table of statements."""
    made = pl.col("name") == BYPASS_MADE
    rows = (
        places.join(found, on="text")
        .filter(~(made & (pl.col("field") == "action")))
        .with_columns(
            name=pl.when(made).then(pl.lit("bypass found")).otherwise("name"),
            value=pl.when(made).then(BYPASS_AS_FINDING).otherwise("value"),
        )
    )
    said = rows.select("call", "name").unique()
    about = said.with_columns(about=pl.col("name").replace_strict(BYPASSED, default=None)).drop_nulls("about")
    about = about.group_by("call").agg(pl.col("about").unique()).filter(pl.col("about").list.len() == 1)
    about = about.with_columns(pl.col("about").list.first())
    whole = pl.col("needs") == ""
    met = rows.filter(~whole).join(said, left_on=["call", "needs"], right_on=["call", "name"], how="semi")
    sure = pl.concat([rows.filter(whole), met])
    return (
        sure.filter(~pl.col("name").is_in(UNSTATED))
        .sort("call", "name", "value", descending=[False, False, True])
        .group_by("call", "name", maintain_order=True)
        .agg(probability=pl.col("value").first(), words=pl.col("words").unique(maintain_order=True).str.join("; "))
        .filter(pl.col("probability") >= ASSERTED)
        .join(calls.select("call", "call_id"), on="call", maintain_order="left")
        .join(about, on="call", how="left", maintain_order="left")
        .with_columns(about=pl.when(pl.col("name").str.starts_with("bypass")).then("about"))
        .select("call_id", "probability", "words", "about", statement="name")
        .select("call_id", "statement", "probability", "words", "about")
    )
