"""Evidence beside calls and quiet weeks: notes of visits, readings, checks on site, and where each piece comes from."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from lowambient import reference
from lowambient.flags.history import HOURS_A_WEEK, STATEMENTS, Array, History, stated_as
from lowambient.flags.learning import Evidence
from lowambient.flags.sources import COLD, Source, sources
from lowambient.flags.visits import visit_effects

FLAG_CONDITIONS = {"cold lockout": COLD, "head control out": COLD, "no head control": COLD}
"""Flags that are judged from the condition `cold`; every other flag is a condition of its own name."""
MAY_FOLLOW = ("floating", "flooded", "fan staging by ambient")
"""Controls under which head pressure may follow the outdoor air at the tap, or between stages, with nothing wrong."""
CIRCUIT_JOIN = "/"


@dataclass(frozen=True)
class Piece:
    """One piece of evidence: which unit and circuit, its kind, when, the row it came from, and what it says."""

    unit: int
    circuit: str | None
    kind: str
    at: datetime | None
    source_table: str
    source_key: str
    sentence: str


@dataclass
class _Rows:
    unit: list[int] = field(default_factory=list)
    week: list[int] = field(default_factory=list)
    log_like: list[Array] = field(default_factory=list)
    piece: list[int] = field(default_factory=list)


@dataclass
class Signs:
    """Evidence by condition, and the pieces that its rows name."""

    pieces: list[Piece]
    rows: dict[str, _Rows]

    def add(self, condition: str, piece: Piece, weeks: list[int], log_like: Array) -> None:
        """A piece whose weight is spread evenly over some weeks; `log_like` by state."""
        if not weeks or not np.any(log_like):
            return
        rows = self.rows.setdefault(condition, _Rows())
        self.pieces.append(piece)
        for week in weeks:
            rows.unit.append(piece.unit)
            rows.week.append(week)
            rows.log_like.append(log_like / len(weeks))
            rows.piece.append(len(self.pieces) - 1)

    def evidence(self) -> dict[str, Evidence]:
        """As arrays, sorted by unit."""
        found = {}
        for condition, rows in self.rows.items():
            unit = np.array(rows.unit, dtype=np.int64)
            order = np.argsort(unit, kind="stable")
            week, piece = np.array(rows.week, dtype=np.int64), np.array(rows.piece, dtype=np.int64)
            found[condition] = Evidence(unit[order], week[order], np.array(rows.log_like)[order], piece[order])
        return found


def signs(history: History, frames: Mapping[str, pl.DataFrame], fitted: Array) -> Signs:
    """All pieces, from `call_statements`, `head_pressure`, `circuit_months`, `jumpered_spans`, `logged_stops`,
    `logged_weeks` and `in_checks`; `fitted`: probability that each unit has a head-pressure control."""
    found = Signs([], {})
    for source in sources().values():
        _notes(history, source, found, frames["call_statements"])
    weights = {row["name"]: float(row["value"]) for row in reference.rows("trace_weights")}
    _head_pressure(history, frames["head_pressure"], weights, found)
    _logged_stops(history, frames, weights, found)
    _months(history, frames["circuit_months"], found)
    _jumpers(history, frames["jumpered_spans"], weights["jumpered span"], found)
    _checks(history, frames["in_checks"], weights, fitted, found)
    return found


def on_states(source: Source, odds: float) -> Array:
    """Log likelihood by state of a piece that speaks for a condition; of the cold one, for its control being lost."""
    on = source.lost if source.name == COLD else np.minimum(np.arange(len(source.levels) + 1), 1)
    return np.asarray(odds * on - max(odds, 0.0))


def _notes(history: History, source: Source, found: Signs, stated: pl.DataFrame) -> None:
    """What notes of visits state about a condition as it was before the visit."""
    calls = history.calls
    odds = visit_effects(calls, source.name).odds
    said = {(row[0], row[1]): row[2] or "" for row in stated.select("call_id", stated_as(), "words").iter_rows()}
    own = [row for row in reference.rows("visit_effects") if row["condition"] == source.name]
    telling = {row["sign"] for row in own if float(row["odds"])}
    for row in np.flatnonzero((odds != 0) & (calls.week >= 0) & (calls.week < history.weeks)):
        call_id = calls.call_id[int(row)]
        made = [name for at, name in enumerate(STATEMENTS) if calls.statements[row, at] > 0 and name in telling]
        words = "; ".join(f"{name} (“{said.get((call_id, name), '')}”)" for name in made)
        sentence = f"The note says: {words}." if made else "The words of the note speak of it."
        at = _instant(history, calls.opened_h[row])
        piece = Piece(int(calls.unit[row]), None, "note", at, "calls", call_id, sentence)
        found.add(source.name, piece, [int(calls.week[row])], on_states(source, float(odds[row])))


def _head_pressure(history: History, periods: pl.DataFrame, weights: Mapping[str, float], found: Signs) -> None:
    source, number = sources()[COLD], history.number
    floats = set(history.units.filter(pl.col("head_control").is_in(MAY_FOLLOW))["unit_id"])
    told = periods.filter(pl.col("behaviour") != "cannot tell", pl.col("unit_id").is_in(list(number)))
    follows = told.filter(pl.col("behaviour") == "follows ambient")
    lost_weeks = {
        (unit_id, week)
        for unit_id, first, last in follows.select("unit_id", "period_start", "period_end").iter_rows()
        for week in _weeks(history, first, last)
    }
    for row in told.iter_rows(named=True):
        unit_id, behaviour = row["unit_id"], row["behaviour"]
        if unit_id in floats:
            continue
        weeks = list(_weeks(history, row["period_start"], row["period_end"]))
        if behaviour != "follows ambient":
            weeks = [week for week in weeks if (unit_id, week) not in lost_weeks]
        samples, odds = row["samples"], weights[behaviour]
        if behaviour == "follows ambient":
            samples = round(samples * row["low_share"])
            odds *= min(row["low_share"] / weights["low share"], 1.0)
        odds *= min(samples / weights["samples"], 1.0)
        sentence = f"Head pressure {_HELD[behaviour]} over {samples} steady samples in the cold."
        key = CIRCUIT_JOIN.join((unit_id, row["circuit"] or "", f"{row['period_start']:%Y-%m-%dT%H:%M:%SZ}"))
        piece = Piece(
            number[unit_id], row["circuit"], "head pressure", row["period_start"], "head_pressure", key, sentence
        )
        found.add(COLD, piece, weeks, on_states(source, odds))


_HELD = {
    "follows ambient": "followed the outdoor air, lower than a control lets it fall,",
    "held": "was held in a band",
    "cycling": "was held by cycling fans",
}


def _logged_stops(
    history: History, frames: Mapping[str, pl.DataFrame], weights: Mapping[str, float], found: Signs
) -> None:
    """Days with low-pressure stops in the cold, and logged cold hours without them, week by week."""
    source, number = sources()[COLD], history.number
    hazards = source.hazards(history.coldest_c) * weights["logged per call"]
    days = frames["logged_stops"].partition_by("unit_id", "week", as_dict=True, include_key=False)
    logged = frames["logged_weeks"].filter(pl.col("week").is_between(0, history.weeks - 1))
    for unit_id, week, hours in logged.select("unit_id", "week", "logged_hours").iter_rows():
        unit = number.get(unit_id, -1)
        if unit < 0 or history.station[unit] < 0:
            continue
        air = history.hours[history.station[unit], week] * min(hours / HOURS_A_WEEK, 1.0)
        log_like = -(hazards @ air)
        stops = days.get((unit_id, week))
        if stops is not None:
            at = np.clip(stops["band"].to_numpy() - history.first_band, 0, len(history.coldest_c) - 1)
            each = np.log1p(hazards[:, at] / weights["logged otherwise"]).sum(axis=1)
            log_like += each * min(1.0, weights["most days a week"] / len(at))
        found.add(COLD, _stops_piece(history, unit, week, hours, stops), [week], log_like - log_like.max())


def _stops_piece(history: History, unit: int, week: int, hours: int, stops: pl.DataFrame | None) -> Piece:
    unit_id = history.units["unit_id"][unit]
    if stops is None:
        begins = history.started[0] + timedelta(weeks=week)
        sentence = f"Logged for {hours} h of the week without a low-pressure stop."
        return Piece(unit, None, "logged quiet", begins, "coverage", unit_id, sentence)
    first: datetime = stops["first_at"].sort()[0]
    count = int(stops["stops"].sum())
    sentence = f"The logger saw {count} low-pressure {'stop' if count == 1 else 'stops'} in the cold within a week."
    key = CIRCUIT_JOIN.join((unit_id, f"{first:%Y-%m-%dT%H:%M:%SZ}"))
    return Piece(unit, None, "logged stops", first, "trips", key, sentence)


def _months(history: History, months: pl.DataFrame, found: Signs) -> None:
    """Facts of each month and circuit, by the rows of `reference/reading_signs.tsv`."""
    number = history.number
    for rule in reference.rows("reading_signs"):
        if rule["fact"] not in months.columns or (rule["other_fact"] and rule["other_fact"] not in months.columns):
            continue
        source = sources()[rule["condition"]]
        both = _within(rule, "fact", "lower", "upper") & _within(rule, "other_fact", "other_lower", "other_upper")
        met = months.filter(both, _enough(rule, months.columns), pl.col("unit_id").is_in(list(number)))
        for unit_id, circuit, month, value in met.select("unit_id", "circuit", "month", rule["fact"]).iter_rows():
            weeks = [week for week in _weeks(history, month, month + timedelta(days=27)) if week >= 0]
            key = CIRCUIT_JOIN.join((unit_id, circuit or "", f"{month:%Y-%m}"))
            says = f"{rule['sentence'][0].upper()}{rule['sentence'][1:]}"
            sentence = f"{says} ({month:%B %Y}, {_said(rule['fact'], value)})."
            piece = Piece(number[unit_id], circuit, "readings", month, "circuit_months", key, sentence)
            found.add(rule["condition"], piece, weeks, on_states(source, float(rule["odds"])))


def _jumpers(history: History, spans: pl.DataFrame, odds: float, found: Signs) -> None:
    """Spans in which running beyond a switch, which acts at other times, shows that it was bridged."""
    number = history.number
    for row in spans.filter(pl.col("unit_id").is_in(list(number))).iter_rows(named=True):
        condition = f"{row['switch'].split(' ')[0]} switch jumpered"
        at = row["from_at"]
        sentence = (
            f"Ran {row['hours']:.1f} h beyond its {row['switch']} from {at:%d %b %Y} to {row['to_at']:%d %b %Y},"
            f" through {row['events_through']} times that would have tripped it."
        )
        key = CIRCUIT_JOIN.join((row["unit_id"], row["circuit"] or "", row["switch"], f"{at:%Y-%m-%dT%H:%M:%SZ}"))
        piece = Piece(number[row["unit_id"]], row["circuit"], "readings", at, "jumpered_spans", key, sentence)
        found.add(condition, piece, list(_weeks(history, at, row["to_at"])), on_states(sources()[condition], odds))


def _said(fact: str, value: float) -> str:
    unit = {"k": "K", "h": "h", "c": "°C"}.get(fact.rsplit("_", 1)[-1], "")
    return f"{value:.1f} {unit}".strip()


def _within(rule: Mapping[str, str], fact: str, lower: str, upper: str) -> pl.Expr:
    if not rule[fact]:
        return pl.lit(value=True)
    value = pl.col(rule[fact])
    met = value.is_not_null()
    if rule[lower]:
        met = met & (value >= float(rule[lower]))
    if rule[upper]:
        met = met & (value < float(rule[upper]))
    return met


def _enough(rule: Mapping[str, str], columns: list[str]) -> pl.Expr:
    samples = f"{rule['fact']}_n"
    return pl.col(samples) >= float(rule["fewest"]) if samples in columns else pl.lit(value=True)


def _checks(history: History, checks: pl.DataFrame, weights: Mapping[str, float], fitted: Array, found: Signs) -> None:
    number = history.number
    for row in checks.iter_rows(named=True):
        condition = FLAG_CONDITIONS.get(row["flag"], row["flag"])
        if row["verdict"] not in weights or condition not in sources() or row["unit_id"] not in number:
            continue
        unit, source, at = number[row["unit_id"]], sources()[condition], row["checked_at"]
        week = min(max(_week(history, at), 0), history.weeks - 1)
        log_like = on_states(source, _verdict_odds(row["flag"], row["verdict"], weights, float(fitted[unit])))
        if row["flag"] == "cold lockout":
            log_like = weights[row["verdict"]] * source.harmful - max(weights[row["verdict"]], 0.0)
        sentence = check_sentence(row["flag"], row["verdict"])
        key = CIRCUIT_JOIN.join((row["unit_id"], row["circuit"] or "", row["flag"], f"{at:%Y-%m-%dT%H:%M:%SZ}"))
        found.add(condition, Piece(unit, row["circuit"], "check", at, "checks", key, sentence), [week], log_like)


def check_sentence(flag: str, verdict: str) -> str:
    """What a check on site says."""
    return f"Checked on site for {flag}: {verdict}."


def _verdict_odds(flag: str, verdict: str, weights: Mapping[str, float], fitted: float) -> float:
    """A control that is not there cannot be found out of order: of a unit that may have none, that says less."""
    odds = weights[verdict]
    if flag == "cold lockout" or odds > 0:
        return odds
    if flag == "head control out":
        return float(np.log(fitted * np.exp(odds) + 1 - fitted))
    if flag == "no head control":
        return 0.0
    return odds


def _week(history: History, at: datetime) -> int:
    return int((at - history.started[0]) // timedelta(weeks=1))


def _weeks(history: History, first: datetime, last: datetime) -> Iterator[int]:
    """Weeks of the records that a span touches."""
    return iter(range(max(_week(history, first), 0), min(_week(history, last), history.weeks - 1) + 1))


def _instant(history: History, hours: float) -> datetime:
    started: datetime = history.started[0]
    return started + timedelta(hours=float(hours))
