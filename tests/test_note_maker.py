"""The second grammar, the service company and the scores do what the scores of the product rest on."""

import re
from itertools import pairwise

import numpy as np
import polars as pl
import pytest
import word_scores as score
from note_maker import ALMOST_NOTHING, HANDS, STATEMENTS, SYMPTOMS, WRONG_CAUSE, NoteWriter, write
from service_maker import Service, make

from lowambient.records.inputs import TABLES

pytestmark = pytest.mark.slow

# what a reader would take for the statement; each must be absent where the statement is neither true nor touched upon
TELLTALE = {
    "bypass removed": r"(?:removed|pulled|clipped|cut out) (?:the )?(?:jumper|bypass)|unjumpered",
    "power cycled": r"cycled power$|power cycled|rebooted unit",
    "refrigerant added": r"(?:weighed in|gassed it up|topped off) ",
}


@pytest.fixture(scope="module")
def service() -> Service:
    return make(3, units=240, years=3)


@pytest.fixture(scope="module")
def told(service: Service) -> pl.DataFrame:
    return score.with_weather(service).join(service.truth, on="call_id", maintain_order="left")


@pytest.mark.parametrize("hand", HANDS)
def test_every_hand_writes_every_class_in_dozens_of_ways(hand: str) -> None:
    writer = NoteWriter(11)
    for cause in SYMPTOMS:
        notes = [writer.note(cause, (), hand) for _ in range(120)]
        assert len({(n.finding, n.action) for n in notes if n.kind == "plain"}) >= 48, cause
        assert len({n.complaint for n in notes}) >= 24, cause


@pytest.mark.parametrize("statement", STATEMENTS)
def test_every_statement_is_phrased_in_many_ways(statement: str) -> None:
    writer = NoteWriter(12)
    phrases = {writer._phrase("statement", f"{statement}|low-pressure trip|low", "figures") for _ in range(400)}
    assert len({re.sub(r"\W*\d+\W*|\b(?:LP|LPS|low \w+|fan \w+|head \w+)\b", " ", phrase) for phrase in phrases}) >= 15


@pytest.mark.parametrize("statement", sorted(TELLTALE))
def test_a_statement_that_is_not_true_is_not_made(statement: str) -> None:
    rest = [other for other in STATEMENTS if other != statement]
    writer, pattern = NoteWriter(13), re.compile(TELLTALE[statement], re.IGNORECASE)
    with_it = [writer.note("low-pressure trip", {statement}, "figures") for _ in range(400)]
    without = [writer.note("low-pressure trip", set(rest[:3]) - {statement}, "figures") for _ in range(400)]
    assert sum(bool(pattern.search(note.action)) for note in with_it) > 20
    assert not [note.action for note in without if pattern.search(note.action)]


def test_kinds_come_in_their_shares_and_truth_says_what_was_written() -> None:
    writer = NoteWriter(14)
    notes = [writer.note("fan", {"power cycled"}, HANDS[at % len(HANDS)]) for at in range(4000)]
    shares = {kind: np.mean([note.kind == kind for note in notes]) for kind in ("almost nothing", "wrong cause")}
    assert shares["almost nothing"] == pytest.approx(ALMOST_NOTHING, abs=0.03)  # four standard errors
    assert shares["wrong cause"] == pytest.approx(WRONG_CAUSE, abs=0.02)
    assert {note.named for note in notes if note.kind == "plain"} == {"fan"}
    assert "fan" not in {note.named for note in notes if note.kind == "wrong cause"}
    said = [note.stated for note in notes if note.kind == "almost nothing"]
    assert 0.4 < np.mean([len(stated) for stated in said]) < 0.6
    assert all(note.stated == ("power cycled",) for note in notes if note.kind != "almost nothing")


def test_the_same_seed_writes_the_same_note() -> None:
    texts = [write("belt", {"power cycled"}, np.random.default_rng(seed), "prose") for seed in (1, 1, 2)]
    assert texts[0] == texts[1] != texts[2]
    assert all(isinstance(text, str) for text in texts[0])


@pytest.mark.parametrize(
    ("cause", "statements", "hand"),
    [("ghosts", (), "terse"), ("belt", {"exorcised"}, "terse"), ("belt", (), "nobody")],
)
def test_unknown_words_are_refused(cause: str, statements: set[str], hand: str) -> None:
    with pytest.raises(ValueError, match=r"ghosts|exorcised|nobody"):
        write(cause, statements, np.random.default_rng(1), hand)


def test_a_full_pool_repeats_and_an_open_one_does_not() -> None:
    closed, open_ = NoteWriter(15, pool=5), NoteWriter(15, pool=10_000)
    drawn = [{writer._phrase("found", "drain", "phone") for _ in range(400)} for writer in (closed, open_)]
    assert len(drawn[0]) <= 5
    assert len(drawn[1]) > 100


# --- service company ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("table", ["sites", "stations", "units", "calls", "weather"])
def test_tables_keep_the_contract(service: Service, table: str) -> None:
    frame, schema = getattr(service, table), TABLES[table]
    absent = [name for name in schema.column_names() if name not in frame.columns]
    assert set(frame.columns) <= set(schema.column_names())
    whole = frame.with_columns(pl.lit(None).alias(name) for name in absent).select(schema.column_names())
    assert schema.validate(whole, cast=True).height == frame.height > 0


def test_the_same_seed_makes_the_same_company() -> None:
    first, second, other = (make(seed, units=20, years=1) for seed in (4, 4, 5))
    assert first.calls.equals(second.calls)
    assert first.truth.equals(second.truth)
    assert not first.calls.equals(other.calls)


def test_returns_come_later_to_the_same_unit_for_the_same_cause(told: pl.DataFrame) -> None:
    first = told.select(returns_from="call_id", was_unit="unit_id", was_cause="cause", was_opened="opened_at")
    pairs = told.join(first, on="returns_from")
    assert pairs.height == told["returns_from"].count() > 100
    wrong = (pl.col("unit_id") != pl.col("was_unit")) | (pl.col("cause") != pl.col("was_cause"))
    assert pairs.filter(wrong | (pl.col("opened_at") <= pl.col("was_opened"))).is_empty()


def test_duplicates_come_within_four_hours(told: pl.DataFrame) -> None:
    first = told.select(duplicate_of="call_id", was_unit="unit_id", was_opened="opened_at")
    apart = pl.col("opened_at") - pl.col("was_opened")
    pairs = told.join(first, on="duplicate_of").with_columns(apart_h=apart.dt.total_minutes() / 60)
    assert pairs.height > 20
    assert (
        pairs.filter(pl.col("unit_id") == pl.col("was_unit"), pl.col("apart_h").is_between(0, 4)).height == pairs.height
    )


def test_causes_follow_the_weather_as_the_trade_knows(told: pl.DataFrame) -> None:
    # common practice in the trade, no source
    outdoor = dict(told.group_by("cause").agg(pl.col("outdoor_c").mean()).iter_rows())
    for warm, mild in pairwise(("high-pressure trip", "no cooling", "belt")):
        assert outdoor[warm] > outdoor[mild] + 2
    cold = told.filter("is_cold_lockout")
    assert cold["outdoor_c"].mean() < outdoor["belt"] - 8
    assert cold["coldest_24h_c"].quantile(0.95) < 12
    assert cold["unit_id"].n_unique() < 0.35 * told["unit_id"].n_unique()
    drains = told.filter(pl.col("cause") == "drain")["dew_point_c"].mean()
    assert drains > told.filter(pl.col("cause") == "belt")["dew_point_c"].mean() + 3


# --- scores -------------------------------------------------------------------------------------------------


def test_scores_of_the_truth_are_one(service: Service) -> None:
    cause = service.truth["cause"].to_list()
    flags = score.statement_flags(service.truth["statements"])
    assert score.class_f1(cause, cause) == 1.0
    assert score.shared_information(cause, cause) == pytest.approx(1.0)
    assert score.statement_f1(flags, flags) == 1.0
    cold = service.truth["is_cold_lockout"].to_numpy()
    assert score.average_precision(cold, cold.astype(float)) == 1.0


def test_scores_by_hand() -> None:
    # two classes, worked by hand: fan 1 of 2 found, 1 of 1 right: F1 2/3; belt 1 of 1 found, 1 of 1 right: F1 1
    assert score.class_f1(["fan", "fan", "belt"], ["fan", None, "belt"]) == pytest.approx((2 / 3 + 1) / 2)
    assert score.confusions(["fan", "fan", "belt"], ["fan", None, "belt"]) == [("fan", "none", 1)]
    true = score.statement_flags(pl.Series([["bypass removed"], ["power cycled"], []]))
    also_found = score.statement_flags(pl.Series([["bypass found", "bypass removed"], ["power cycled"], []]))
    invented = score.statement_flags(pl.Series([["bypass removed"], ["power cycled"], ["power cycled"]]))
    assert score.statement_f1(true, also_found) == 1.0  # what is removed was found
    assert score.statement_f1(true, invented) == pytest.approx((1 + 2 / 3) / 2)


def test_keyword_rules_and_plain_clusters_lie_between_chance_and_truth(told: pl.DataFrame) -> None:
    texts, cause = score.texts_of(told), told["cause"].to_list()
    shuffled = np.random.default_rng(1).permutation(cause).tolist()
    assert score.class_f1(cause, shuffled) + 0.1 < score.class_f1(cause, score.keyword_symptoms(texts)) < 0.9
    assert score.shared_information(shuffled, cause) + 0.05 < score.shared_information(
        score.plain_clusters(texts), cause
    )


@pytest.mark.slow
def test_the_ceiling_stands_above_the_floors() -> None:
    fleets = [make(seed, units=90, years=2) for seed in (901, 902)]
    calls = [
        score.with_weather(fleet).with_columns(unit_id=pl.format("{}-{}", pl.lit(k), "unit_id"))
        for k, fleet in enumerate(fleets)
    ]
    truths = [fleet.truth.sort("call_id") for fleet in fleets]
    said = score.Trained(calls[0], truths[0]).says(calls[1])
    texts, cause = score.texts_of(calls[1]), truths[1]["cause"].to_list()
    stated = score.statement_flags(truths[1]["stated"])
    assert score.class_f1(cause, said.symptom) > score.class_f1(cause, score.keyword_symptoms(texts)) + 0.1
    assert (
        score.statement_f1(stated, said.statements) > score.statement_f1(stated, score.keyword_statements(texts)) + 0.1
    )
    cold = truths[1]["is_cold_lockout"].to_numpy()
    assert score.average_precision(cold, said.cold_probability) > 5 * cold.mean()
