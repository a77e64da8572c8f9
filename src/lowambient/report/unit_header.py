"""What the unit list says of a unit, and what it leaves open."""

from markupsafe import Markup

from lowambient.report.figures import Row, clipped, shown_text
from lowambient.report.unit_place import Place

BLANK = {
    "duty": "The list does not say when cooling can be wanted.",
    "head_control": "The list does not say whether a head-pressure control is fitted.",
    "served_from": "The list has no start of service: it is taken to run from the first day of the calls export.",
}
_HEADER = (
    ("Refrigerant", "refrigerant", None),
    ("Duty", "duty", None),
    ("Head-pressure control", "head_control", None),
    ("Capacity", "capacity_kw", "kW"),
    ("Circuits", "circuits", None),
    ("Condenser fans", "condenser_fans", None),
    ("LP switch sits at", "lp_switch_at", None),
    ("LP cut-out", "lp_cut_out_kpa", "kPa"),
    ("LP reset", "lp_reset_kpa", "kPa"),
    ("Fan on", "fan_on_kpa", "kPa"),
    ("Fan off", "fan_off_kpa", "kPa"),
    ("HP cut-out", "hp_cut_out_kpa", "kPa"),
    ("Space kept at", "space_c", "degC"),
    ("Economizer", "economizer", None),
    ("Heat pump", "heat_pump", None),
    ("Pump-down", "pump_down", None),
    ("Installed", "installed_on", None),
    ("In service from", "served_from", None),
    ("to", "served_to", None),
    ("Taken out", "retired_on", None),
)


def header(place: Place) -> list[tuple[str, Markup]]:
    """What the unit list says, in the reader's units; blanks are left out."""
    row = Row("in_units", (place.unit["unit_id"],), dict(place.unit))
    told = []
    for label, column, unit in _HEADER:
        value = place.unit.get(column)
        if isinstance(value, str):
            told.append((label, shown_text(clipped(value, 60))))
        elif value is not None:
            told.append((label, place.here.quantity(row, column, unit=unit or "-")))
    return told
