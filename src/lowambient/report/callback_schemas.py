"""Schemas of the working tables behind the page on callbacks: what comes back, how soon, and at what temperature."""

import dataframely as dy

from lowambient.records.columns import choice, count, flag, number, text


class RecallCells(dy.Schema):
    """Grain: clock, window, dimension, value, symptom. Counts that the page adds up anew for each choice."""

    clock = choice("clock", "how the recall window is measured", key=True)
    window = dy.Float64(
        primary_key=True,
        description="length of the recall window [d or cold h]",
        metadata={"kind": "number", "digits": 2},
    )
    dimension = text("what calls are grouped by", key=True)
    value = text("the group", key=True)
    symptom = text("symptom of the index call", key=True)
    place = number("order in which values of a dimension are shown", required=True, digits=4)
    calls = count("index calls", required=True)
    censored = count("of these, with a window that was cut short", required=True)
    callbacks = count("of the others, came back", required=True)


class FirstTimeFix(dy.Schema):
    """Grain: dimension, value. Complaints that one visit settled. `rate = fixed / (calls - censored)`."""

    dimension = text("what first visits are grouped by", key=True)
    value = text("the group", key=True)
    calls = count("first visits, callbacks left out", required=True)
    censored = count("of these, with a recall window that was cut short", required=True)
    fixed = count("of the others, neither came back nor had a return ordered within it", required=True)
    rate = number("share that one visit settled; null for small groups", digits=4, min=0, max=1)
    lower = number("lower end of its 95 % interval (Wilson)", digits=4, min=0, max=1)
    upper = number("upper end of its 95 % interval (Wilson)", digits=4, min=0, max=1)


class TimeToCallback(dy.Schema):
    """Grain: clock, time. Share of calls that have come back by each time since their end (Kaplan-Meier)."""

    clock = choice("clock", "how time is measured", key=True)
    time = dy.Float64(
        primary_key=True,
        description="time since the call's end [d or cold h]",
        metadata={"kind": "number", "digits": 2},
    )
    at_risk = count("calls still watched and not back", required=True)
    share = number("share that has come back", digits=4, min=0, max=1)
    lower = number("lower end of its 95 % interval, as if calls were independent", digits=4, min=0, max=1)
    upper = number("upper end of its 95 % interval, as if calls were independent", digits=4, min=0, max=1)


class CallsByServiceAge(dy.Schema):
    """Grain: kind, time. Mean number of calls a unit has had since it was first watched (mean cumulative function)."""

    kind = text("unit kind", key=True)
    time = dy.Float64(
        primary_key=True, description="time since first watched [d]", metadata={"kind": "number", "digits": 2}
    )
    at_risk = count("units watched so long", required=True)
    mean = number("calls a unit", digits=4, min=0)
    lower = number("lower end of its 95 % interval (robust)", digits=4, min=0)
    upper = number("upper end of its 95 % interval (robust)", digits=4, min=0)


class FollowUpByWork(dy.Schema):
    """Grain: work. All repairs of a kind together, those whose time after does not overlap an earlier one's."""

    work = text("what was done", key=True)
    repairs = count("repairs", required=True)
    units = count("units they were on", required=True)
    expected_untreated_calls = number("cold calls to be expected without them", required=True, digits=3, min=0)
    calls_after = count("cold calls that came", required=True)
    cold_hours_after = number("cold hours they came in [h]", required=True, digits=1, min=0)
    ratio = number("calls after over expected", digits=3, min=0)
    lower = number("lower end of its 95 % interval", digits=3, min=0)
    upper = number("upper end of its 95 % interval", digits=3, min=0)
    verdict = choice("follow_up_verdict", "did it hold", required=True)


class RateCurve(dy.Schema):
    """Grain: measure, symptom, band of outdoor temperature."""

    measure = choice("exposure_measure", "temperature by which calls and hours are banded", key=True)
    symptom = text("symptom, from words alone", key=True)
    lower_c = dy.Float64(primary_key=True, description="band from [degC]", metadata={"kind": "number", "digits": 2})
    upper_c = number("band to [degC]", required=True, digits=2)
    unit_hours = number("hours in service with weather [h]", required=True, digits=1, min=0)
    calls = count("calls", required=True)
    episodes = count("episodes: first calls and their followers within `episode_days`", required=True)
    rate_per_1000_h = number("episodes per 1,000 unit-hours", digits=4, min=0)
    exact_lower = number("lower end of its exact 95 % interval (Poisson)", digits=4, min=0)
    exact_upper = number("upper end of its exact 95 % interval (Poisson)", digits=4, min=0)
    lower = number("lower end of the wider of the exact interval and one with whole sites drawn anew", digits=4, min=0)
    upper = number("upper end of the same", digits=4, min=0)
    smooth_per_1000_h = number("smooth curve; null with few episodes", digits=4, min=0)
    smooth_lower = number("lower end of its 95 % interval, whole sites drawn anew", digits=4, min=0)
    smooth_upper = number("upper end of its 95 % interval, whole sites drawn anew", digits=4, min=0)


class RateChange(dy.Schema):
    """Grain: measure, symptom. The outdoor temperature that best parts the hours into two rates."""

    measure = choice("exposure_measure", "temperature by which calls and hours are banded", key=True)
    symptom = text("symptom, from words alone", key=True)
    episodes = count("episodes", required=True)
    change_c = number("edge of a band at which two rates are likeliest [degC]", digits=2)
    lower_c = number("lower end of its 95 % interval, whole sites drawn anew [degC]", digits=2)
    upper_c = number("upper end of its 95 % interval, whole sites drawn anew [degC]", digits=2)
    below_per_1000_h = number("episodes per 1,000 unit-hours below it", digits=4, min=0)
    above_per_1000_h = number("episodes per 1,000 unit-hours from it up", digits=4, min=0)
    ratio = number("rate below over rate above", digits=3, min=0)
    ratio_lower = number("lower end of its 95 % interval, the edge chosen anew", digits=3, min=0)
    ratio_upper = number("upper end of its 95 % interval, the edge chosen anew", digits=3, min=0)
    p = number("of so large a difference under one rate, the choice of the edge allowed for", digits=4, min=0, max=1)
    adjusted_p = number("the same, corrected over symptoms (Benjamini-Hochberg)", digits=4, min=0, max=1)
    changes = flag("the rate changes with temperature, false ones held at 5 %")


class ColdGathering(dy.Schema):
    """Grain: unit. Whether its low-pressure episodes gather in its cold hours more than chance."""

    unit_id = text("unit", key=True)
    episodes = count("low-pressure episodes in service with weather", required=True)
    cold_episodes = count(
        "of these, in bands wholly below the starve ambient, by the coldest demand hour", required=True
    )
    cold_hours = count("hours in such bands, on the same measure [h]", required=True)
    demand_hours = count("hours with possible demand in the 24 h before [h]", required=True)
    expected_share = number("cold hours over demand hours", digits=4, min=0, max=1)
    ratio = number("cold episodes over those that chance lets expect", digits=3, min=0)
    lower = number("lower end of its exact 95 % interval", digits=3, min=0)
    upper = number("upper end of its exact 95 % interval", digits=3, min=0)
    p = number("of as many cold episodes or more by chance; null where not tested", digits=6, min=0, max=1)
    adjusted_p = number("the same, corrected over the fleet (Benjamini-Hochberg)", digits=6, min=0, max=1)
    gathers = flag("gathers in the cold, false ones held at 5 %; null where not tested")


class FollowUpVerdicts(dy.Schema):
    """Grain: work, verdict. Single repairs by how they went."""

    work = text("what was done", key=True)
    verdict = choice("follow_up_verdict", "did it hold", key=True)
    repairs = count("repairs", required=True)


TABLES: dict[str, type[dy.Schema]] = {
    "recall_cells": RecallCells,
    "first_time_fix": FirstTimeFix,
    "time_to_callback": TimeToCallback,
    "calls_by_service_age": CallsByServiceAge,
    "follow_up_by_work": FollowUpByWork,
    "rate_curve": RateCurve,
    "rate_change": RateChange,
    "cold_gathering": ColdGathering,
}
