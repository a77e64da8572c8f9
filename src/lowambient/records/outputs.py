"""The output contract: one schema for each table under `DIR/tables/`.

Instants are UTC, `circuit` and `cluster` are text (null for the whole unit, for no cluster), missing is null.
Numbers are rounded to each column's digits when written.
"""

import dataframely as dy

from lowambient.records.columns import choice, count, flag, instant, measured, number, text


class Calls(dy.Schema):
    """Grain: call."""

    call_id = text("ticket", key=True)
    unit_id = text("unit", required=True)
    opened_at = instant("the call came in", required=True)
    outdoor_c = measured("outdoor_c", "outdoor temperature in the hour it was opened", digits=1)
    outdoor_min_c = measured("outdoor_c", "coldest hour with possible cooling demand in the 24 h before", digits=1)
    symptom = choice("symptom", "class of the complaint, from its words alone", required=True)
    symptom_probability = number("certainty of the class", digits=3, min=0, max=1)
    cluster = text("cluster by symptom and weather")
    callback_of = text("call that this one comes back from")
    is_callback = flag("comes back within the recall window")
    censored = flag("its own recall window was not wholly observed")
    is_cold_callback = flag("comes back within the cold recall window")
    cold_censored = flag("its cold recall window was not wholly observed")
    cold_probability = number("probability of a cold lockout call", digits=3, min=0, max=1)


class Exposure(dy.Schema):
    """Grain: measure, band of outdoor temperature."""

    measure = choice("exposure_measure", "temperature by which calls and hours are banded", key=True)
    lower_c = dy.Float64(primary_key=True, description="band from [degC]", metadata={"kind": "number", "digits": 2})
    upper_c = number("band to [degC]", required=True, digits=2)
    unit_hours = number("hours in service with weather [h]", required=True, digits=1, min=0)
    calls = count("low-pressure calls", required=True)
    episodes = count("low-pressure episodes", required=True)
    rate_per_1000_h = number("episodes per 1,000 unit-hours", digits=4, min=0)
    lower = number("lower end of the 95 % interval of the rate", digits=4, min=0)
    upper = number("upper end of the 95 % interval of the rate", digits=4, min=0)


class Forecast(dy.Schema):
    """Grain: level, unit, site."""

    level = choice("level", "unit, site or fleet", required=True)
    unit_id = text("unit; null above unit level")
    site_id = text("site; null at fleet level")
    expected_cold_calls = number("low-pressure episodes expected in the next winter", required=True, digits=3, min=0)
    lower_90 = number("lower end of the 90 % predictive interval", required=True, digits=2, min=0)
    upper_90 = number("upper end of the 90 % predictive interval", required=True, digits=2, min=0)
    calls_last_winter = count("low-pressure episodes in the last whole winter", required=True)
    cold_hours_typical = number("cold hours of a typical winter [h]", required=True, digits=1, min=0)


class Loads(dy.Schema):
    """Grain: source file. `rows_read = loaded + refused + repeated`."""

    source = text("file, relative to the profile", key=True)
    digest = text("SHA-256 of its bytes", required=True)
    target = choice("target", "table it feeds", key=True)
    rows_read = count("records in the file", required=True)
    loaded = count("records that stand in the table", required=True)
    refused = count("records in quarantine", required=True)
    repeated = count("exact repeats", required=True)


class Quarantine(dy.Schema):
    """Grain: refused source record."""

    source = text("file, relative to the profile", key=True)
    line = count("line where the record starts, from 1", key=True, minimum=1)
    target = choice("target", "table it was meant for", key=True)
    reason = text("why it was refused", required=True)
    row = dy.String(nullable=False, description="the record as it was", metadata={"kind": "text"})


class Coverage(dy.Schema):
    """Grain: unit."""

    unit_id = text("unit", key=True)
    calls = count("calls on the unit", required=True)
    readings = count("instants with readings", required=True)
    first_reading = instant("first reading")
    last_reading = instant("last reading")
    weather_hours = count("in-service hours with weather", required=True)
    weather_gap_hours = count("in-service hours without weather", required=True)


TABLES: dict[str, type[dy.Schema]] = {
    "calls": Calls,
    "exposure": Exposure,
    "forecast": Forecast,
    "loads": Loads,
    "quarantine": Quarantine,
    "coverage": Coverage,
}
