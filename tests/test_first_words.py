"""Low-pressure calls by their words. The notes are shop writing: common practice of the trade, no source."""

import polars as pl
import pytest

from lowambient import reference
from lowambient.calls.first_words import first_symptoms

LOW = """unit off on LP, reset, running on departure
No cooling LP lockout
locked out on low
tripped on low pressure 3x
LPS open, reset
lo press sw trip
Unit down on Low Press. Reset.
low presure cut out
L.P. cutout tripped
L/P fault on display
LP1 lockout circuit 1
low side pressure lockout
Lockd out on lo pressure
low-pressure control open
LP would not reset until noon
jumpered LP switch to test
replaced low pressure switch
hi pressure and lp faults on board
unit not on, LP tripped
short cycling on low pressure switch
trips LP every morning
no heat call, found AC locked out on LPS
cut out on low suction
comp off - low pressure
found low pressure
would not stay running, kept tripping LP
LP TRIP
low psi lockout""".splitlines()

OTHER = """no LP trip
did not trip on LP
didn't trip on low pressure
didn’t trip on low pressure
no further LP lockouts
not locked out on LP, t-stat set wrong
never tripped on low pressure, breaker off
no hp or lp faults
LP switch ok
low pressure switch tested good
hp/lp switches ok, fan motor bad
low airflow, dirty filter
low voltage at contactor
high pressure trip
hi pressure lockout, condenser dirty
off on high head pressure
low water pressure, boiler
water pressure low
tire pressure low on van
gas pressure low at inlet, no heat
low gas pressure switch open
inlet gas pressure was low
oil pressure low trip
locked out on low voltage
off on low temp limit
low on charge
converted furnace to LP gas
replaced belt""".splitlines()

NOT_LOW = """low ambient lockout
low head pressure in cold weather
head pressure low
low pressure 118 psi, high pressure 300 psi
LP 110 HP 250
checked HP/LP switches
no cooling, reset, running on departure
reset unit
"""


def symptoms(notes, column="complaint"):
    fields = dict.fromkeys(("complaint", "finding", "action")) | {column: pl.Series(notes, dtype=pl.String)}
    calls = pl.DataFrame({"call_id": [f"{place:04d}" for place in range(len(notes))]} | fields)
    return first_symptoms(calls.with_columns(pl.col("complaint", "finding", "action").cast(pl.String)))


@pytest.mark.parametrize("note", LOW)
def test_words_of_a_low_pressure_trip(note):
    row = symptoms([note]).row(0, named=True)
    assert row["symptom"] == "low pressure"
    assert row["symptom_probability"] >= 0.75
    assert row["symptom_words"]


@pytest.mark.parametrize("note", OTHER)
def test_words_of_something_else(note):
    row = symptoms([note]).row(0, named=True)
    assert row["symptom"] == "other"
    assert row["symptom_words"]


@pytest.mark.parametrize("note", NOT_LOW.splitlines())
def test_words_that_are_no_trip(note):
    assert symptoms([note]).row(0, named=True)["symptom"] != "low pressure"


def test_a_note_without_words_is_unclear():
    found = symptoms(["no cooling, reset, running on departure", "", None])
    assert found["symptom"].to_list() == ["unclear"] * 3
    assert found["symptom_probability"].to_list() == [0.5] * 3
    assert found["symptom_words"].to_list() == [None] * 3


@pytest.mark.parametrize("column", ["complaint", "finding", "action"])
def test_any_field_may_tell(column):
    assert symptoms(["reset LP"], column)["symptom"].to_list() == ["low pressure"]


def test_words_are_not_put_together_across_fields():
    calls = pl.DataFrame({"call_id": ["1"], "complaint": ["tripped"], "finding": ["low"], "action": ["charge ok"]})
    assert first_symptoms(calls)["symptom"].to_list() == ["other"]


def test_the_words_shown_stand_in_the_note():
    found = symptoms(LOW + OTHER)
    for note, words in zip(LOW + OTHER, found["symptom_words"], strict=True):
        plain = note.lower().replace("’", "'")
        assert all(word in plain for word in words.split("; ")), (note, words)


def test_only_words_enter():
    """The same notes on other days, units and jobs come out the same."""
    calls = pl.DataFrame({"call_id": ["1", "2"], "complaint": ["LP lockout", "belt"], "finding": None, "action": None})
    summer = calls.with_columns(unit_id=pl.lit("u"), opened_at=pl.lit("2016-07-01"), work_type=pl.lit("planned"))
    assert first_symptoms(calls).equals(first_symptoms(summer))


def test_every_row_of_words_is_needed_or_explained():
    """Steps are known ones, patterns compile, and every row carries a note; probabilities are where they are used."""
    steps = ("look-alike", "denied", "strong", "reading", "weak", "other")
    for row in reference.rows("symptom_words"):
        assert row["step"] in steps
        assert row["note"]
        if row["step"] in ("denied", "strong", "weak", "other"):
            assert 0.5 < float(row["probability"]) < 1


def test_symptoms_are_of_the_closed_vocabulary():
    found = set(symptoms([*LOW, *OTHER, ""])["symptom"])
    assert found == set(reference.vocabulary("symptom"))
