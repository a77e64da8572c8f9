"""The output contract: one schema for each table under `DIR/tables/`.

Instants are UTC, `circuit` and `cluster` are text (null for the whole unit, for no cluster), missing is null.
Numbers are rounded to each column's digits when written.
"""

import dataframely as dy

from lowambient.records.columns import choice, count, flag, instant, measured, number, text

yes_or_no = flag
"""The same, for tables that have a column called `flag`."""


class Calls(dy.Schema):
    """Grain: call."""

    call_id = text("ticket", key=True)
    unit_id = text("unit", required=True)
    opened_at = instant("the call came in", required=True)
    outdoor_c = measured("outdoor_c", "outdoor temperature in the hour it was opened", digits=1)
    outdoor_min_c = measured("outdoor_c", "coldest hour with possible cooling demand in the 24 h before", digits=1)
    symptom = choice("symptom", "class of the complaint, from its words alone", required=True)
    symptom_probability = number("certainty of the class", digits=3, min=0, max=1)
    is_unclear = flag("the note says almost nothing", required=True)
    cluster = text("cluster by symptom and weather")
    callback_of = text("latest earlier call within whose recall window it came back for a like symptom")
    is_callback = flag("comes back within the recall window; false for tickets that are no service call of their own")
    censored = flag("its recall window was cut short before a callback came; null without such a window")
    is_cold_callback = flag("comes back, in the cold, within the cold recall window; null where weather is not known")
    cold_censored = flag("its cold recall window was cut short before a return came; null without such a window")
    cold_probability = number("probability of a cold lockout call", digits=3, min=0, max=1)


class Clusters(dy.Schema):
    """Grain: cluster. Service calls gathered by what their notes say and the weather they came in."""

    cluster = text("cluster, largest first", key=True)
    name = text("its most telling terms", required=True)
    calls = count("service calls, each complaint once", required=True)
    callbacks = count("of these, came back from an earlier call", required=True)
    callback_share = number("share that came back from an earlier call; null with few calls", digits=4, min=0, max=1)
    callback_lower = number("lower end of its 95 % interval", digits=4, min=0, max=1)
    callback_upper = number("upper end of its 95 % interval", digits=4, min=0, max=1)
    callback_differs = flag("more or fewer came back than in all other clusters, false ones held at 5 %")
    callback_outdoor_c = measured("outdoor_c", "middle outdoor temperature of those that came back", digits=1)
    median_outdoor_c = measured("outdoor_c", "middle outdoor temperature when they were opened", digits=1)
    cold_rate_ratio = number("calls an hour in the cold over in mild weather, by words alone", digits=3, min=0)
    lower = number("lower end of its 95 % interval", digits=3, min=0)
    upper = number("upper end of its 95 % interval", digits=3, min=0)
    stability = number("mean Jaccard index over fits to halves of the calls", digits=3, min=0, max=1)


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


class CallbackRates(dy.Schema):
    """Grain: clock, dimension, value. `rate = callbacks / (calls - censored)`."""

    clock = choice("clock", "how the recall window is measured", key=True)
    window = number("length of the recall window [d or cold h]", required=True, digits=2, min=0)
    dimension = text("what calls are grouped by", key=True)
    value = text("the group; a weather band is named in whole °F", key=True)
    lower_c = number("lower edge of a weather band [degC]; null for other dimensions", digits=4)
    upper_c = number("upper edge of a weather band [degC]; null for other dimensions", digits=4)
    place = count("order in which values of a dimension are shown", required=True)
    calls = count("index calls", required=True)
    censored = count("of these, with a window that was cut short", required=True)
    callbacks = count("of the others, came back", required=True)
    rate = number("share that came back; null for small groups", digits=4, min=0, max=1)
    lower = number("lower end of its 95 % interval (Wilson)", digits=4, min=0, max=1)
    upper = number("upper end of its 95 % interval (Wilson)", digits=4, min=0, max=1)
    shrunk_rate = number("share weighed with all groups of the dimension", digits=4, min=0, max=1)
    exact_lower = number("lower end of the exact 95 % interval", digits=4, min=0, max=1)
    exact_upper = number("upper end of the exact 95 % interval", digits=4, min=0, max=1)
    resampled_lower = number("lower end of the 95 % interval with whole sites drawn anew", digits=4, min=0, max=1)
    resampled_upper = number("upper end of the 95 % interval with whole sites drawn anew", digits=4, min=0, max=1)
    p = number("of being like all other groups together", digits=5, min=0, max=1)
    adjusted_p = number("the same, corrected over the dimension (Benjamini-Hochberg)", digits=5, min=0, max=1)
    differs = flag("differs from the others, false ones held at 5 %")


class FollowUp(dy.Schema):
    """Grain: repair. An association: nobody drew lots for which unit was repaired."""

    call_id = text("ticket of the repair", key=True)
    unit_id = text("unit", required=True)
    work = text("what was done", required=True)
    expected_untreated_calls = number("cold calls to be expected without it", required=True, digits=3, min=0)
    calls_after = count("cold calls that came", required=True)
    cold_hours_after = number("cold hours they came in [h]", required=True, digits=1, min=0)
    ratio = number("calls after over expected; null where none are to be expected", digits=3, min=0)
    lower = number("lower end of its 95 % interval", digits=3, min=0)
    upper = number("upper end of its 95 % interval", digits=3, min=0)
    verdict = choice("follow_up_verdict", "did it hold", required=True)
    apart = flag("does not overlap an earlier one of its kind on the unit", required=True)


class Forecast(dy.Schema):
    """Grain: level, unit, site."""

    level = choice("level", "unit, site or fleet", required=True)
    unit_id = text("unit; null above unit level")
    site_id = text("site; null at fleet level")
    expected_cold_calls = number(
        "calls expected next winter from circuits that the cold stops, returns included, if nothing is done",
        required=True,
        digits=3,
        min=0,
    )
    lower_90 = number("lower end of the 90 % predictive interval", required=True, digits=2, min=0)
    upper_90 = number("upper end of the 90 % predictive interval", required=True, digits=2, min=0)
    calls_last_winter = count("calls of the last whole winter that were likely cold lockouts", required=True)
    cold_hours_typical = number("cold hours of a typical winter [h]", required=True, digits=1, min=0)


class Flags(dy.Schema):
    """Grain: unit, circuit, flag. A flag is a reason to look, not a finding about a person."""

    unit_id = text("unit", required=True)
    circuit = text("circuit; null is the whole unit")
    flag = choice("flag", "what is suspected", required=True)
    probability = number("that it is so at the data's end", required=True, digits=4, min=0, max=1)
    probability_ever = number("that it was so at any time in the data", required=True, digits=4, min=0, max=1)
    probability_logged = number("that it was so while readings were logged", digits=4, min=0, max=1)
    raised = yes_or_no("the probability reaches the threshold", required=True)
    episodes = count("episodes that are more likely its doing than anything else's", required=True)
    first_seen = instant("first evidence for it")
    last_seen = instant("last evidence for it")
    new_since = yes_or_no("raised now and not in the run named by --since; null without one")
    last_checked_at = instant("when it was last checked on site")
    last_verdict = choice("verdict", "what that check found")
    sentence = text("how likely, what speaks for and against it; temperatures in °C, differences in K", required=True)
    evidence_count = count("pieces of evidence", required=True)
    rests_on = text("kinds of evidence that carry it: readings, calls, notes, checks, unit list")
    check = text("the cheapest check on site that would settle it", required=True)
    bring = text("what to bring for it", required=True)


class Evidence(dy.Schema):
    """Grain: piece of evidence of a flag. Weights of a flag add up to its log odds, but for light pieces left out."""

    unit_id = text("unit", required=True)
    circuit = text("circuit; null is the whole unit")
    flag = choice("flag", "what it is evidence of", required=True)
    place = count("by weight within the flag, heaviest first", required=True)
    kind = text("kind of evidence", required=True)
    weight = number("natural log odds that it adds to all pieces before it", required=True, digits=3)
    at = instant("when")
    source_table = text("table of the row it comes from", required=True)
    source_key = text("key of that row", required=True)
    sentence = text("what it says; temperatures in °C, differences in K", required=True)


class Plan(dy.Schema):
    """Grain: unit, package that fits it. `cost` and `crew_h` hold the driving where `drives`; for a pre-season check
    they are those expected with the work that it leads to, and what is avoided is avoided by that work.
    """

    rank = count("place: chosen ones first, then by calls avoided for the money", required=True, minimum=1)
    unit_id = text("unit", key=True)
    site_id = text("site")
    option = text("package of options done together", key=True)
    cost = number("parts, labour and driving [currency]", required=True, digits=2, min=0)
    crew_h = number("crew hours with driving [h]", required=True, digits=2, min=0)
    drives = yes_or_no(
        "carries the driving to its site: the first chosen unit there, or one looked at alone", required=True
    )
    avoided_calls_per_winter = number("cold calls expected to be avoided in a typical winter", required=True, min=0)
    lower_90 = number("lower end of the 90 % interval of that expected number", required=True, digits=3, min=0)
    upper_90 = number("upper end of the 90 % interval of that expected number", required=True, digits=3, min=0)
    avoided_cost_contractor = number(
        "what those calls would cost the contractor, a winter", required=True, digits=2, min=0
    )
    avoided_cost_customer = number("billed for them and lost by outage, a winter", required=True, digits=2, min=0)
    probability_pays_back = number(
        "of avoiding calls worth the cost, to both together, within payback_winters", required=True, min=0, max=1
    )
    value_of_information = number("what a check gains by letting the right work be chosen", digits=2, min=0)
    after_check = text("work that each result of a check leads to")
    worth_it = yes_or_no(
        "what it avoids is worth its cost, and each step up from a cheaper package its extra cost", required=True
    )
    selected = yes_or_no("in the best set within the budget and crew hours", required=True)


class Trips(dy.Schema):
    """Grain: trip."""

    unit_id = text("unit", required=True)
    circuit = text("circuit; null is the whole unit")
    tripped_at = instant("first sample at rest", required=True)
    kind = choice("trip_kind", "which switch", required=True)
    on_start = flag("within the time that a start may take", required=True)
    minimum_kpa = number("lowest suction about the stop, absolute [kPa]", digits=1)
    restarted_after_min = number("until the next start; null where it was not seen [min]", digits=1, min=0)
    probability = number("certainty that the switch did it [-]", digits=3, min=0, max=1)


class Lockouts(dy.Schema):
    """Grain: lockout."""

    unit_id = text("unit", required=True)
    circuit = text("circuit; null is the whole unit")
    started_at = instant("first sample at rest", required=True)
    ended_at = instant("start, end of the call, or last sample", required=True)
    kind = choice("lockout_kind", "what held it out", required=True)
    outdoor_c = measured("outdoor_c", "outdoor temperature when it began", digits=1)
    ended_by = choice("lockout_end", "what ended it", required=True)


class SetPoints(dy.Schema):
    """Grain: unit, circuit, switch. On the logger's own scale: no offset of its sensor shows in its readings."""

    unit_id = text("unit", required=True)
    circuit = text("circuit; null is the whole unit")
    switch = choice("switch", "which switch, on which edge", required=True)
    estimate_kpa = number("where it acts, absolute; null where the trace cannot tell [kPa]", digits=1, min=0)
    lower_kpa = number("lower end of the 90 % interval [kPa]", digits=1, min=0)
    upper_kpa = number("upper end of the 90 % interval [kPa]", digits=1, min=0)
    estimate_psig = number("the estimate as gauge pressure at the site [psi]", digits=1)
    saturation_c = number("its saturation temperature: dew for the cut-out, else bubble [degC]", digits=1)
    events = count("events that it rests on", required=True)
    listed_kpa = number("what the unit list says, absolute [kPa]", digits=1, min=0)


class HeadPressure(dy.Schema):
    """Grain: unit, circuit, period."""

    unit_id = text("unit", required=True)
    circuit = text("circuit; null is the whole unit")
    period_start = instant("from", required=True)
    period_end = instant("to", required=True)
    behaviour = choice("head_behaviour", "how head pressure was held in the cold", required=True)
    slope = number("condensing on outdoor temperature in steady cold running [-]", digits=3)
    band_c = number("5 % to 95 % width of condensing temperature [K]", digits=2, min=0)
    samples = count("samples of steady cold running", required=True)
    low_share = number("share of them condensing under what a control allows [-]", digits=3, min=0)
    change_lower = instant("earliest the change at the start may lie; null for the first period")
    change_upper = instant("latest the change at the start may lie")


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
    "flags": Flags,
    "evidence": Evidence,
    "calls": Calls,
    "callback_rates": CallbackRates,
    "follow_up": FollowUp,
    "clusters": Clusters,
    "exposure": Exposure,
    "forecast": Forecast,
    "plan": Plan,
    "trips": Trips,
    "lockouts": Lockouts,
    "set_points": SetPoints,
    "head_pressure": HeadPressure,
    "loads": Loads,
    "quarantine": Quarantine,
    "coverage": Coverage,
}
