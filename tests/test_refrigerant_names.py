"""Refrigerant names as people write them, and the reference table behind them."""

import pytest

from lowambient import reference
from lowambient.errors import RefrigerantRefused
from lowambient.refrigerant.catalogue import refrigerants, tabulated
from lowambient.refrigerant.names import canonical_name, canonical_names

REQUIRED = [
    *("R-22", "R-32", "R-134a", "R-290", "R-404A", "R-407A", "R-407C", "R-407F", "R-410A", "R-422D", "R-427A"),
    *(
        "R-448A",
        "R-449A",
        "R-450A",
        "R-452A",
        "R-452B",
        "R-454A",
        "R-454B",
        "R-454C",
        "R-455A",
        "R-507A",
        "R-513A",
    ),
    *("R-515B", "R-1234yf", "R-1234ze(E)"),
]
# Blends with a binary pair that CoolProp 8.0.0 has no model for.
NOT_SOLVABLE = [
    *(
        "R-401A",
        "R-401B",
        "R-401C",
        "R-402A",
        "R-402B",
        "R-403A",
        "R-403B",
        "R-405A",
        "R-406A",
        "R-408A",
        "R-409A",
    ),
    *(
        "R-409B",
        "R-412A",
        "R-413A",
        "R-414A",
        "R-414B",
        "R-416A",
        "R-424A",
        "R-426A",
        "R-429A",
        "R-435A",
        "R-437A",
    ),
    *("R-438A", "R-446A", "R-453A", "R-458A", "R-461A"),
]


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("R410a", "R-410A"),
        ("410A", "R-410A"),
        ("410", "R-410A"),
        ("r 410 a", "R-410A"),
        ("HFC 410A", "R-410A"),
        ("HFC-R410A", "R-410A"),
        ("Ｒ－４１０Ａ", "R-410A"),
        ("R–410A", "R-410A"),
        ("R-41OA", "R-410A"),
        ("Refrigerant R-410A", "R-410A"),
        ("R410A refrigerant", "R-410A"),
        ("R-410A/R410A", "R-410A"),
        ("R-22", "R-22"),
        ("R.22", "R-22"),
        ("22", "R-22"),
        ("HCFC-22", "R-22"),
        ("Freon 22", "R-22"),
        ("CFC-12", "R-12"),
        ("R454B", "R-454B"),
        ("hfo1234yf", "R-1234yf"),
        ("R-1234ze(E)", "R-1234ze(E)"),
        ("r1234zee", "R-1234ze(E)"),
        ("R 1234ze (E)", "R-1234ze(E)"),
        ("propane", "R-290"),
        ("R290 propane", "R-290"),
        ("HC-290", "R-290"),
        ("R-744 (CO2)", "R-744"),
        ("NH₃", "R-717"),
        ("R404", "R-404A"),
        ("R-507", "R-507A"),
        ("R-600", "R-600"),
        ("R-600a", "R-600a"),
    ],
)
def test_written_names(written, name):
    assert canonical_name(written) == name


@pytest.mark.parametrize("name", tabulated())
def test_every_canonical_name_is_itself_however_it_is_cased_and_spaced(name):
    for written in (
        name,
        name.lower(),
        name.upper(),
        name.replace("-", ""),
        f" {name.replace('-', ' ')} ",
        name[2:],
    ):
        assert canonical_name(written) == name


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("R-411Z", "nearest: R-410A"),
        ("R-22 or R-410A", "more than one refrigerant: R-22, R-410A"),
        ("R22/R407C", "more than one refrigerant: R-22, R-407C"),
        ("R-407", "does not say which: R-407A, R-407B, R-407C"),
        ("454", "does not say which: R-454A, R-454B, R-454C"),
        ("R-22a", "hydrocarbon"),
        ("was R22", "not a refrigerant known here; nearest: R-22"),
        ("not R-410A", "not a refrigerant known here; nearest: R-410A"),
        ("R-1234ze(Z)", "not a refrigerant known here"),
        ("AB-62", "not a refrigerant known here"),
        ("AB-22", "not a refrigerant known here"),
        ("R-", "not a refrigerant known here"),
        ("", "no refrigerant is named"),
        (" - ", "no refrigerant is named"),
        ("unknown", "not a refrigerant known here"),
    ],
)
def test_refused_names(written, says):
    with pytest.raises(RefrigerantRefused, match=says):
        canonical_name(written)


def test_required_refrigerants_have_tables():
    assert len(REQUIRED) == 25
    assert set(REQUIRED) <= set(tabulated())


@pytest.mark.parametrize("name", NOT_SOLVABLE)
def test_blends_that_cannot_be_solved_are_refused_with_the_pair(name):
    with pytest.raises(RefrigerantRefused, match=rf"{name} has no saturation table: .* pair R-.* and R-"):
        canonical_name(name.replace("-", " ").lower())


def test_distinct_values_of_a_column():
    names, reasons = canonical_names(["R410a", "410A", "R410a", "R-438A", "?"])
    assert names == {"R410a": "R-410A", "410A": "R-410A"}
    assert list(reasons) == ["R-438A", "?"]
    assert "R-32 and R-601a" in reasons["R-438A"]


def test_compositions_sum_to_one():
    for name, row in refrigerants().items():
        if row.composition:
            assert sum(part for _, part in row.composition) == pytest.approx(1.0, abs=1e-9), name
        else:
            assert row.refused


def test_components_of_computed_blends_are_pure_refrigerants_with_a_model():
    for name in tabulated():
        row = refrigerants()[name]
        assert (row.model != "") == (row.kind in ("pure", "pseudo-pure"))
        for component, _ in row.composition:
            assert refrigerants()[component].kind == "pure"
            assert refrigerants()[component].model


def test_every_number_has_its_source():
    for row in reference.rows("refrigerants"):
        for column, source in (
            ("composition", "composition_source"),
            ("safety_class", "safety_source"),
            ("normal_bubble_c", "normal_source"),
        ):
            assert bool(row[column]) == bool(row[source]), (row["name"], column)


def test_numbers_are_permanent_and_unique():
    numbers = [refrigerants()[name].number for name in tabulated()]
    assert None not in numbers
    assert len(set(numbers)) == len(numbers)
    assert all(row.number is None for row in refrigerants().values() if row.refused)
    # Stores hold these: a number may be added, never changed.
    assert {name: refrigerants()[name].number for name in ("R-12", "R-22", "R-410A", "R-454B", "R-515B")} == {
        "R-12": 1,
        "R-22": 2,
        "R-410A": 32,
        "R-454B": 59,
        "R-515B": 69,
    }


def test_safety_groups_of_ashrae_34():
    """2021 ASHRAE Handbook Fundamentals (SI), ch. 29, tables 1 and 2; R-515B and R-454C from memory."""
    groups = {
        "R-22": "A1",
        "R-32": "A2L",
        "R-123": "B1",
        "R-290": "A3",
        "R-410A": "A1",
        "R-454B": "A2L",
        "R-454C": "A2L",
        "R-515B": "A1",
        "R-717": "B2L",
        "R-1234yf": "A2L",
    }
    assert {name: refrigerants()[name].safety_class for name in groups} == groups
    assert {row.safety_class for row in refrigerants().values()} <= {"", "A1", "A2", "A2L", "A3", "B1", "B2L"}
