"""Units of measure: factors against published ones, spellings, and refusals with the nearest unit."""

import doctest
import math

import pytest
from scipy import constants

from lowambient import reference
from lowambient.errors import InputRefused
from lowambient.intake.measures import measure
from lowambient.profile import measures as module

# NIST Special Publication 811 (2008 edition), appendix B.8, seven significant digits, written from memory; the
# second road is scipy.constants (CODATA and exact definitions).
NIST_SP_811 = [
    ("pressure", "psi", 6.894757, constants.psi / 1e3),
    ("pressure", "bar", 100.0, constants.bar / 1e3),
    ("power", "Btu/h", 2.930711e-4, constants.Btu_IT / constants.hour / 1e3),
    ("power", "ton", 3.516853, 12_000 * constants.Btu_IT / constants.hour / 1e3),
    ("length", "ft", 0.3048, constants.foot),
    ("speed", "mph", 0.44704, constants.mph),
    ("speed", "kn", 0.5144444, constants.knot),
    ("speed", "km/h", 0.2777778, constants.kmh),
]


@pytest.mark.parametrize(("quantity", "written", "published", "computed"), NIST_SP_811)
def test_factors_are_those_of_nist_sp_811(quantity, written, published, computed):
    factor = measure(quantity, written).factor
    assert factor == pytest.approx(published, rel=2e-7)
    assert factor == pytest.approx(computed, rel=1e-12)


@pytest.mark.parametrize(
    ("written", "reading", "celsius"), [("°F", 32, 0), ("°F", 212, 100), ("°F", -40, -40), ("K", 273.15, 0)]
)
def test_temperatures_meet_at_their_fixed_points(written, reading, celsius):
    # Definitions: ice and steam points, the crossing of the two scales, and the kelvin (SI Brochure, 9th edition).
    found = measure("temperature", written)
    assert reading * found.factor + found.offset == pytest.approx(celsius, abs=1e-9)


def test_one_standard_atmosphere_is_14_696_psi():
    # 101.325 kPa is the definition of the standard atmosphere (SI Brochure, 8th edition, table 8).
    assert 14.69595 * measure("pressure", "psia").factor == pytest.approx(101.325, rel=1e-6)


def test_every_row_converts_and_pressures_say_what_they_count_from():
    for row in reference.rows("measures"):
        found = measure(row["quantity"], row["measure"])
        assert found.name == row["measure"]
        assert math.isfinite(found.offset)
        assert found.factor > 0
        assert (found.reference_pressure in ("gauge", "absolute", "ask")) == (row["quantity"] == "pressure")


def test_no_spelling_means_two_measures_of_one_quantity():
    for quantity in module.quantities():
        spellings = [
            module.normalised(spelling)
            for row in reference.rows("measures")
            if row["quantity"] == quantity
            for spelling in row["spellings"].split("|")
        ]
        meant = {(spelling, measure(quantity, spelling).name) for spelling in spellings}
        assert len(meant) == len(set(spellings))
        for row in reference.rows("measures"):
            if row["quantity"] == quantity:
                assert {measure(quantity, each).name for each in row["spellings"].split("|")} == {row["measure"]}


@pytest.mark.parametrize(
    ("quantity", "written", "name"),
    [
        ("pressure", "PSIG", "psig"),
        ("pressure", " psi (g) ", "psig"),
        ("pressure", "kPa(a)", "kPaa"),
        ("pressure", "lb/in²", "psi"),
        ("temperature", "º F", "°F"),
        ("temperature", "℃", "°C"),
        ("temperature", "Ｄeg C", "°C"),
        ("power", "Tons", "ton"),
        ("ratio", "％", "%"),
    ],
)
def test_spellings_match_whatever_their_case_width_and_spaces(quantity, written, name):
    assert measure(quantity, written).name == name


@pytest.mark.parametrize(
    ("quantity", "written", "near"),
    [
        ("pressure", "pisg", "psig"),
        ("temperature", "degrees fahr", None),
        ("power", "tonns", "ton"),
        ("length", "", None),
    ],
)
def test_an_unknown_unit_is_refused_with_what_is_allowed(quantity, written, near):
    with pytest.raises(InputRefused, match=f"not a unit of {quantity}") as refusal:
        measure(quantity, written)
    for name in module.measure_names(quantity):
        assert name in str(refusal.value)
    assert ("did you mean" in str(refusal.value)) == (near is not None)
    if near:
        assert f"did you mean {near}?" in str(refusal.value)


def test_examples_in_the_docstrings():
    assert doctest.testmod(module).failed == 0
    assert doctest.testmod(module).attempted > 0
