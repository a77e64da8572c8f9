"""Clusters of service calls, their rates in the cold, and the probability of a cold lockout."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
import random_fleet
from memory_store import MemoryStore
from scipy import stats
from sklearn.metrics import adjusted_rand_score
from statsmodels.stats.proportion import proportion_confint

from lowambient import reference
from lowambient.calls import clusters
from lowambient.calls.clusters import cluster_calls
from lowambient.calls.cold_calls import cold_probabilities
from lowambient.calls.words import read_words
from lowambient.plan.cluster_rates import cluster_table
from lowambient.records import outputs

THRESHOLDS = {name: row.value for name, row in reference.thresholds().items()}
BELT = ("squealing", "belt", "pulley", "sheave", "worn", "slipping", "blower", "tension")
DRAIN = ("water", "pan", "condensate", "overflow", "drain", "clogged", "trap", "ceiling")
ICE = ("frozen", "coil", "ice", "suction", "thawed", "evaporator", "frosted", "icing")


def notes(seed: int, each: int = 80) -> tuple[pl.DataFrame, list[str]]:
    """Notes of three kinds, each of four words of its own, in weather of its own; with the kind of each."""
    rng = np.random.default_rng(seed)
    rows, kinds = [], []
    for kind, words, warm_c in (("belt", BELT, 25.0), ("drain", DRAIN, 25.0), ("icing", ICE, -5.0)):
        for _ in range(each):
            opened = datetime(2024, 1, 1, 8, tzinfo=UTC) + timedelta(hours=int(rng.integers(0, 8000)))
            finding = " ".join(rng.choice(words, 4, replace=False))
            rows.append(
                (f"C{len(rows):04d}", "U1", opened, "check unit", finding, "done", float(rng.normal(warm_c, 4)))
            )
            kinds.append(kind)
    columns = ("call_id", "unit_id", "opened_at", "complaint", "finding", "action", "outdoor_c")
    return pl.DataFrame(rows, schema=columns, orient="row"), kinds


def test_kinds_of_note_are_found_whole_and_named_from_their_own_words() -> None:
    calls, kinds = notes(1)
    assigned, found = cluster_calls(calls, read_words(calls)[0])
    given = assigned.filter(pl.col("cluster").is_not_null())
    truth = dict(zip(calls["call_id"], kinds, strict=True))
    assert given.height >= 0.9 * calls.height
    assert adjusted_rand_score([truth[call] for call in given["call_id"]], given["cluster"].to_list()) > 0.95
    for cluster, name in found.select("cluster", "name").iter_rows():
        mine = {truth[call] for call in given.filter(pl.col("cluster") == cluster)["call_id"]}
        words = {"belt": BELT, "drain": DRAIN, "icing": ICE}
        assert all(set(term.split()) <= {word for kind in mine for word in words[kind]} for term in name.split(", "))
    assert found["stability"].is_between(0.8, 1.0).all()


def test_a_note_without_a_word_that_the_list_knows_goes_with_notes_written_like_it() -> None:
    """The words list knows neither "zorble" nor "quink"; they come with belts, so a note of them alone is one."""
    calls, _ = notes(2)
    belts = (pl.col("finding").str.contains("belt")) & (pl.int_range(pl.len()) % 2 == 0)
    calls = calls.with_columns(
        finding=pl.when(belts).then(pl.col("finding") + pl.lit(" zorble quink")).otherwise("finding")
    )
    strange = calls.head(3).with_columns(
        call_id=pl.Series(["X1", "X2", "X3"]), complaint=pl.lit(None, pl.String), finding=pl.lit("zorble quink")
    )
    every = pl.concat([calls, strange])
    symptoms = read_words(every)[0]
    assert set(symptoms.filter(pl.col("call_id").str.starts_with("X"))["symptom"]) != {"belt"}
    assigned, found = cluster_calls(every, symptoms)
    belt = found.filter(pl.col("name").str.contains("belt"))["cluster"].item()
    assert assigned.filter(pl.col("call_id").str.starts_with("X"))["words_cluster"].to_list() == [belt] * 3


def test_order_of_rows_changes_nothing_and_a_draw_is_the_same_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    calls, _ = notes(3)
    symptoms = read_words(calls)[0]
    for most in (clusters.SAMPLE_CALLS, 150):
        monkeypatch.setattr(clusters, "SAMPLE_CALLS", most)
        first, second = (
            cluster_calls(calls, symptoms),
            cluster_calls(calls.sample(fraction=1.0, shuffle=True, seed=5), symptoms.reverse()),
        )
        assert first[0].equals(second[0])
        assert first[1].equals(second[1])
        assert first[0].height == calls.height


def test_planned_and_cancelled_tickets_are_in_no_cluster_and_words_alone_do_not_see_the_weather() -> None:
    calls, _ = notes(4)
    calls = calls.with_columns(
        work_type=pl.when(pl.int_range(pl.len()) % 10 == 0).then(pl.lit("planned")).otherwise(pl.lit("service")),
        status=pl.when(pl.int_range(pl.len()) % 10 == 1).then(pl.lit("cancelled")).otherwise(pl.lit("completed")),
    )
    assigned, _ = cluster_calls(calls, read_words(calls)[0])
    out = calls.filter((pl.col("work_type") == "planned") | (pl.col("status") == "cancelled"))["call_id"]
    assert assigned.filter(pl.col("call_id").is_in(out.implode()))["words_cluster"].null_count() == len(out)
    twins = calls.with_columns(call_id="T" + pl.col("call_id"), outdoor_c=pl.col("outdoor_c").reverse())
    both = pl.concat([calls, twins])
    assigned, _ = cluster_calls(both, read_words(both)[0])
    by_words = assigned["words_cluster"].to_list()
    assert by_words[: len(calls)] == by_words[len(calls) :]


@pytest.mark.parametrize("count", [0, 1, 29])
def test_too_few_calls_make_no_cluster(count: int) -> None:
    calls, _ = notes(5)
    assigned, found = cluster_calls(calls.head(count), read_words(calls.head(count))[0])
    assert assigned.height == count
    assert assigned["cluster"].null_count() == count
    assert found.height == 0


def test_empty_notes_and_missing_weather_do_no_harm() -> None:
    calls, _ = notes(6)
    bare = pl.int_range(pl.len()) % 7 == 0
    calls = calls.with_columns(
        *(pl.when(bare).then(None).otherwise(name).alias(name) for name in ("complaint", "finding", "action")),
        outdoor_c=pl.when(pl.int_range(pl.len()) % 3 == 0).then(None).otherwise("outdoor_c"),
    )
    assigned, found = cluster_calls(calls, read_words(calls)[0])
    assert assigned.height == calls.height
    assert found.height >= 3


def ratio_frames(cold: int, mild: int) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """One cluster with calls spread evenly over 40 units of 20 sites, 500 cold and 2,000 mild hours each."""
    rows = [
        (f"C{n:04d}", f"U{n % 40}", f"S{n % 20}", "c1", "c1", float(n % 9), n % 4 == 0, n < cold, n >= cold)
        for n in range(cold + mild)
    ]
    names = (
        "call_id",
        "unit_id",
        "site_id",
        "cluster",
        "words_cluster",
        "outdoor_c",
        "is_callback",
        "is_cold",
        "is_mild",
    )
    calls = pl.DataFrame(rows, schema=names, orient="row")
    hours = pl.DataFrame({"unit_id": [f"U{n}" for n in range(40)], "cold_hours": 500, "mild_hours": 2000})
    return pl.DataFrame({"cluster": ["c1"], "name": ["low, suction"], "stability": [0.9]}), calls, hours


def test_cold_rate_ratio_is_of_rates_and_its_interval_holds_the_exact_one() -> None:
    """Exact interval: Clopper and Pearson's of the share of cold calls, by scipy.stats.binomtest, as odds."""
    table = cluster_table(*ratio_frames(120, 80), THRESHOLDS)
    outputs.Clusters.validate(table)
    row = table.row(0, named=True)
    assert (row["calls"], row["callbacks"], row["median_outdoor_c"]) == (200, 50, 4.0)
    assert row["cold_rate_ratio"] == pytest.approx(120 / (40 * 500) / (80 / (40 * 2000)))
    exact = stats.binomtest(120, 200).proportion_ci(0.95)
    assert row["lower"] <= exact.low / (1 - exact.low) * 4 + 1e-9
    assert row["upper"] >= exact.high / (1 - exact.high) * 4 - 1e-9
    assert row["upper"] < 2 * row["cold_rate_ratio"]


@pytest.mark.parametrize(("cold", "mild"), [(5, 5), (40, 0)])
def test_no_ratio_where_too_few_calls_or_none_in_mild_weather(cold: int, mild: int) -> None:
    row = cluster_table(*ratio_frames(cold, mild), THRESHOLDS).row(0, named=True)
    assert (row["cold_rate_ratio"], row["lower"], row["upper"]) == (None, None, None)
    assert row["calls"] == cold + mild


def share_frames(shares: dict[str, float]) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    """Clusters of 120 calls over 40 units of 20 sites, the share of each that are callbacks spread evenly."""
    parts = [
        ratio_frames(120, 0)[1].with_columns(
            cluster=pl.lit(name),
            words_cluster=pl.lit(name),
            is_callback=(pl.int_range(pl.len()) * 7 % 120) < share * 120,
            call_id=pl.format("{}{}", pl.lit(name), "call_id"),
        )
        for name, share in shares.items()
    ]
    named = pl.DataFrame({"cluster": list(shares), "name": list(shares), "stability": [0.9] * len(shares)})
    return named, pl.concat(parts), ratio_frames(120, 0)[2]


def test_callback_share_of_a_cluster_holds_wilsons_interval_and_tells_the_one_that_differs() -> None:
    """Wilson's interval by statsmodels; Fisher's exact test of the cluster against the others by scipy."""
    table = cluster_table(*share_frames({"c1": 0.7, "c2": 0.3, "c3": 0.3, "c4": 0.3}), THRESHOLDS)
    outputs.Clusters.validate(table)
    assert table["callbacks"].to_list() == [84, 36, 36, 36]
    assert table["callback_share"].to_list() == pytest.approx([0.7, 0.3, 0.3, 0.3])
    low, high = proportion_confint(84, 120, method="wilson")
    assert table["callback_lower"][0] <= low + 1e-9
    assert table["callback_upper"][0] >= high - 1e-9
    assert table["callback_upper"][0] - table["callback_lower"][0] < 0.4
    assert table["callback_differs"][0] is True
    assert stats.fisher_exact([[84, 36], [108, 252]]).pvalue < 1e-6
    alike = cluster_table(*share_frames(dict.fromkeys(("c1", "c2", "c3"), 0.4)), THRESHOLDS)
    assert alike["callback_differs"].to_list() == [False, False, False]


def test_a_cluster_of_few_calls_has_counts_and_no_callback_share() -> None:
    row = cluster_table(*ratio_frames(5, 5), THRESHOLDS).row(0, named=True)
    assert (row["calls"], row["callbacks"]) == (10, 3)
    assert row["callback_share"] is row["callback_lower"] is row["callback_differs"] is None


def tickets(**changed: object) -> pl.DataFrame:
    """Sixteen calls of eight units, years apart, in two minds about low pressure; `changed` goes to the first."""
    frame = pl.DataFrame(
        {
            "call_id": [f"C{n:02d}" for n in range(16)],
            "unit_id": [f"U{n % 8}" for n in range(16)],
            "opened_at": [datetime(2010 + n, 1, 1, tzinfo=UTC) for n in range(16)],
            "work_type": "service",
            "low_pressure_probability": 0.5,
            "outdoor_c": 5.0,
            "outdoor_min_c": 5.0,
            "starve_ambient_c": 5.0,
        }
    )
    first = pl.int_range(pl.len()) == 0
    return frame.with_columns(
        pl.when(first).then(pl.lit(value, frame.schema[name])).otherwise(name).alias(name)
        for name, value in changed.items()
    )


def of_first(**changed: object) -> float:
    return float(cold_probabilities(tickets(**changed))["cold_probability"][0])


def test_each_piece_of_evidence_moves_the_probability_its_own_way() -> None:
    usual = of_first()
    assert of_first(low_pressure_probability=0.95) > usual > of_first(low_pressure_probability=0.05)
    assert of_first(outdoor_min_c=-5.0) > usual > of_first(outdoor_min_c=20.0)
    assert usual > of_first(outdoor_min_c=None)  # weather known, no hour that asked for cooling
    assert of_first(outdoor_min_c=None, outdoor_c=None) == pytest.approx(usual)  # weather not known says nothing
    assert usual > of_first(work_type="planned")


def test_other_calls_of_the_unit_count_and_the_own_never_comes_back() -> None:
    sure = {"low_pressure_probability": 0.99, "outdoor_min_c": -5.0}
    before, after = (
        cold_probabilities(tickets())["cold_probability"],
        cold_probabilities(tickets(**sure))["cold_probability"],
    )
    assert after[8] > before[8]  # the other call of the same unit
    near = tickets(**sure).with_columns(
        opened_at=pl.when(pl.int_range(pl.len()) == 8)
        .then(pl.lit(datetime(2010, 1, 5, tzinfo=UTC)))
        .otherwise("opened_at")
    )
    assert cold_probabilities(near)["cold_probability"][8] > after[8]
    alone = tickets(**sure).head(1)
    weight = {row["term"]: float(row["weight"]) for row in reference.rows("cold_call_weights")}
    score = weight["base"] + weight["words"] * np.log(99) + weight["cold"] * 8.0
    assert cold_probabilities(alone)["cold_probability"][0] == pytest.approx(1 / (1 + np.exp(-score)), abs=1e-6)


def test_cold_probabilities_are_in_the_order_of_call_id_whatever_comes() -> None:
    given = tickets(outdoor_min_c=-3.0)
    assert cold_probabilities(given.reverse()).equals(cold_probabilities(given))
    assert cold_probabilities(given.head(0)).height == 0


@pytest.mark.parametrize("seed", range(3))
def test_hours_and_calls_on_either_side_of_the_cold_equal_a_slow_count(seed: int) -> None:
    tables = random_fleet.fleet(seed)
    warm = pl.col("hour") >= random_fleet.START + timedelta(days=35)
    warmer = pl.when(warm).then(pl.col("temperature_c") + 20).otherwise("temperature_c")
    tables["weather"] = tables["weather"].with_columns(temperature_c=warmer)
    store = MemoryStore(tables)
    store.build_all()
    stated = {"call_id": pl.String, "statement": pl.String, "about": pl.String, "probability": float}
    store.put("call_statements", pl.DataFrame(schema=stated))
    for name in ("related_symptoms", "cold_symptoms", "work_kinds"):
        frame = pl.DataFrame(reference.rows(name))
        store.put(name, frame.with_columns(pl.col("rank").cast(pl.Int64)) if "rank" in frame.columns else frame)
    store.build("work_done", "retrofits", "service_tickets", "service_calls", "watched_calls", "cold_clock")
    store.build("earlier_calls", "callbacks")
    ids = store.frame("in_calls").select("call_id", cluster=pl.lit("c1"), words_cluster=pl.lit("c1"))
    store.put("call_clusters", ids)
    store.build("cluster_input", "cluster_calls", "cluster_hours")
    assert store.frame("cluster_input")["call_id"].to_list() == sorted(ids["call_id"])

    classes = {row["unit_id"]: row for row in store.frame("exposure_classes").to_dicts()}
    hours = store.frame("demand_hours").to_dicts()
    expected, side = {}, {}
    for unit, own in classes.items():
        counts = [0, 0]
        for hour in hours:
            coldest = hour["coldest_demand_c"]
            if coldest is None or any(hour[name] != own[name] for name in ("station_id", "demand_from_c")):
                continue
            if not own["served_from"] <= hour["hour"] < own["served_to"]:
                continue
            edge_f = 5 * np.floor(round(coldest * 1.8 + 32, 2) / 5 + 1e-9)  # degF: bands are 5 degF wide from 50 degF
            starve_f, mild_f = own["starve_ambient_c"] * 1.8 + 32, 60
            is_cold, is_mild = edge_f + 5 < starve_f + 0.01, edge_f > mild_f - 0.01
            counts[0] += is_cold
            counts[1] += is_mild
            side[unit, hour["hour"]] = (bool(is_cold), bool(is_mild))
        if min(counts) > 0:
            expected[unit] = tuple(counts)
    found = store.frame("cluster_hours")
    assert {row[0]: row[1:] for row in found.select("unit_id", "cold_hours", "mild_hours").iter_rows()} == expected
    assert expected
    calls = store.frame("cluster_calls")
    assert sorted(calls["call_id"]) == sorted(store.frame("service_calls")["call_id"])
    tickets = store.frame("in_calls").select("call_id", pl.col("opened_at").dt.truncate("1h"))
    opened = dict(tickets.iter_rows())
    for row in calls.to_dicts():
        assert (row["is_cold"], row["is_mild"]) == side.get((row["unit_id"], opened[row["call_id"]]), (False, False))
