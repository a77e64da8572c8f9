"""What this company calls its columns and its words; drawn by seed, mapped back by the profile."""

from typing import Any

import numpy as np

COLUMNS: dict[str, dict[str, tuple[str, ...]]] = {
    "sites": {
        "site_id": ("Site", "Loc #", "Building"),
        "name": ("Site Name", "Location", "Customer"),
        "latitude": ("Lat", "Latitude", "Y"),
        "longitude": ("Lon", "Longitude", "X"),
        "elevation_m": ("Elevation", "Elev", "Altitude"),
        "time_zone": ("Zone", "Time Zone", "TZ name"),
        "station_id": ("Weather", "Wx", "Station"),
    },
    "units": {
        "unit_id": ("Equipment", "Unit", "Asset No"),
        "site_id": ("Site", "Loc #", "Building"),
        "description": ("Notes", "Description", "Serves"),
        "refrigerant": ("Gas", "Refrigerant", "Ref Type"),
        "capacity_kw": ("Size", "Tons", "Nominal"),
        "circuits": ("Circuits", "Systems", "No Ckts"),
        "condenser_fans": ("OD Fans", "Fans", "Cond Fans"),
        "duty": ("Use", "Category", "Class"),
        "space_c": ("Space", "Room Temp", "Box Temp"),
        "pump_down": ("Pumpdown", "PD", "Pump Down"),
        "head_control": ("Head Control", "Low Amb", "Winter Ctl"),
        "economizer": ("Economizer", "Econ", "OA Damper"),
        "lp_cut_out_kpa": ("LP Open", "Low Cut", "LP Out"),
        "lp_reset_kpa": ("LP Close", "Low Reset", "LP In"),
        "coverage": ("Agreement", "Contract", "Coverage"),
        "installed_on": ("Install Date", "Installed", "In Service"),
        "served_from": ("Start", "Contract From", "From"),
        "served_to": ("End", "Contract To", "To"),
    },
    "calls": {
        "call_id": ("Work Order", "Ticket", "Call No"),
        "unit_id": ("Equipment", "Unit", "Asset No"),
        "opened_at": ("Received", "Opened", "Call Time"),
        "closed_at": ("Completed", "Closed", "Done"),
        "work_type": ("Kind", "Type", "Category"),
        "complaint": ("Problem", "Complaint", "Reported"),
        "finding": ("Found", "Diagnosis", "Tech Findings"),
        "action": ("Work", "Resolution", "Corrective"),
        "technician": ("Tech", "Mechanic", "Assigned"),
        "labour_h": ("Labor", "Hours", "Reg Hrs"),
        "travel_h": ("Travel", "Drive", "Trip"),
        "parts_cost": ("Parts", "Material", "Matl $"),
        "status": ("State", "Status", "WO Status"),
    },
}
WORDS: dict[str, dict[str, tuple[str, ...]]] = {
    "duty": {
        "year-round": ("Process", "All year", "Critical 24/7"),
        "comfort": ("Comfort", "Bldg AC", "Office/Retail"),
        "refrigeration": ("Refrigeration", "Boxes", "Cold chain"),
    },
    "head_control": {
        "none": ("None", "N", "not equipped"),
        "fan cycling": ("Fan cycle", "FCP switch", "cycles fans"),
        "fan speed": ("Fan speed", "Variable fan", "VFD fan"),
        "fan staging by ambient": ("Ambient staged", "Fan stages", "OAT staging"),
        "flooded": ("Flooding valve", "Flooded", "Receiver/valve"),
        "dampers": ("Dampers", "Air dampers", "Louver"),
        "floating": ("Floating", "Float w/ EEV", "Floating head"),
        "unknown": ("?", "Unknown", "TBD"),
    },
    "coverage": {
        "full": ("Full", "Full Maint", "FM"),
        "time and material": ("T and M", "TM", "Billable"),
        "warranty": ("Warranty", "Wty", "Under warranty"),
    },
    "work_type": {
        "service": ("Service", "S", "Repair"),
        "planned": ("PM", "P", "Maintenance"),
        "return": ("Return Trip", "R", "Go-back"),
        "quote": ("Quote", "Q", "Estimate"),
    },
}
REFRIGERANTS = {
    "R-410A": ("R-410A", "R410a", "410A"),
    "R-22": ("R-22", "R22", "HCFC-22"),
    "R-407C": ("R-407C", "R407C", "407c"),
    "R-454B": ("R-454B", "R454B", "454B"),
    "R-32": ("R-32", "R32", "HFC-32"),
    "R-404A": ("R-404A", "R404a", "404A"),
    "R-134a": ("R-134a", "R134A", "134a"),
    "R-448A": ("R-448A", "R448A", "448A"),
    "R-507A": ("R-507A", "R507a", "507A"),
}


class Vocabulary:
    """One draw of every word."""

    def __init__(self, seed: int) -> None:
        rng = np.random.default_rng([seed, 51])

        def draw(table: dict[str, tuple[str, ...]]) -> dict[str, str]:
            return {key: choices[int(rng.integers(len(choices)))] for key, choices in table.items()}

        self.columns = {name: draw(table) for name, table in COLUMNS.items()}
        self.words = {name: draw(table) for name, table in WORDS.items()}
        self.metric = bool(rng.random() < 0.25)
        self.calls_by_year = bool(rng.random() < 0.5)
        self.day_first = bool(rng.random() < 0.2)
        self.weather_fahrenheit = bool(rng.random() < 0.6)
        self.calls_zone = str(rng.choice(["site", "UTC", "America/Chicago"]))

    def header(self, table: str) -> list[str]:
        return list(self.columns[table].values())

    def row(self, table: str, values: dict[str, Any]) -> list[Any]:
        """Values in the order of the table's columns; blank where there is none."""
        return ["" if values.get(key) is None else values[key] for key in self.columns[table]]
