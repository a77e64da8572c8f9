"""Schemas of the tables that the pages show beside the output contract.

`WORKING` are handed in by earlier rooms; `PAGE` are counted here from the others, so that every number on a page
stands in a table. Both are written beside the contract's tables.
"""

import dataframely as dy

from lowambient.records import outputs
from lowambient.records.columns import choice, count, flag, instant, number, text
from lowambient.report import callback_schemas

yes_or_no = flag  # where a schema has a column of that name


class UnitRanking(dy.Schema):
    """Grain: unit. Units by the calls expected next winter from circuits that the cold stops."""

    unit_id = text("unit", key=True)
    site_id = text("site")
    description = text("what the unit serves")
    refrigerant = text("refrigerant as written")
    head_control = choice("head_control", "head-pressure control as listed")
    duty = choice("duty", "when cooling can be wanted")
    episodes = count("low-pressure episodes", required=True)
    calls = count("low-pressure calls", required=True)
    cold_hours = number("cold hours seen [h]", digits=1, min=0)
    rate_per_1000_h = number("episodes per 1,000 cold hours", digits=4, min=0)
    lower = number("lower end of the exact 95 % interval of the rate", digits=4, min=0)
    upper = number("upper end of the exact 95 % interval of the rate", digits=4, min=0)
    shrunk_rate = number("rate shrunk toward the fleet, per 1,000 cold hours", digits=4, min=0)
    shrunk_lower_90 = number("lower end of the 90 % interval of the shrunk rate", digits=4, min=0)
    shrunk_upper_90 = number("upper end of the 90 % interval of the shrunk rate", digits=4, min=0)
    expected_cold_calls = number(
        "calls expected next winter from circuits that the cold stops, returns included, if nothing is done",
        digits=3,
        min=0,
    )
    lower_90 = number("lower end of the 90 % predictive interval", digits=2, min=0)
    upper_90 = number("upper end of the 90 % predictive interval", digits=2, min=0)
    calls_last_winter = count("calls of the last whole winter that were likely cold lockouts")
    reset_ambient_c = number("bubble temperature at the LP reset pressure [degC]", digits=1)
    starve_ambient_c = number("outdoor temperature below which the circuit can trip [degC]", digits=1)
    rank = count("place in the list, from 1", minimum=1)


class ColdHours(dy.Schema):
    """Grain: unit, winter."""

    unit_id = text("unit", key=True)
    winter = text("winter", key=True)
    service_hours = number("hours in service, with weather or without [h]", digits=1, min=0)
    demand_hours = number("those with weather and possible cooling demand [h]", digits=1, min=0)
    cold_hours = number("those of possible demand below the starve ambient [h]", digits=1, min=0)
    reset_cold_hours = number("cold hours also below the reset ambient [h]", digits=1, min=0)
    gap_hours = number("those in service without weather [h]", digits=1, min=0)


class UnitStation(dy.Schema):
    """Grain: unit. The weather station that serves it."""

    unit_id = text("unit", key=True)
    station_id = text("weather station")
    station_km = number("distance of the station [km]", digits=1, min=0)
    station_named = flag("the site list names the station; otherwise it is the nearest")


class Backtest(dy.Schema):
    """Grain: winter. Each past winter as forecast from what was known when it began, beside what came."""

    winter = text("winter", key=True)
    units = count("units in service, with weather, when it began", required=True)
    expected = number("calls in the cold that were to be expected over the spread of winters", digits=2, min=0)
    lower_90 = number("lower end of the 90 % predictive interval", digits=2, min=0)
    upper_90 = number("upper end of the 90 % predictive interval", digits=2, min=0)
    expected_given_weather = number("calls to be expected in the hours that the winter had", digits=2, min=0)
    came = count("calls that came: complaints of cold_probability 0.5 or more, as judged today", required=True)
    deviance = number("mean Poisson deviance of units", digits=4, min=0)
    deviance_last_winter = number("the same of each unit's calls of the winter before", digits=4, min=0)
    deviance_all_time = number("the same of each unit's mean over the winters before", digits=4, min=0)


class BacktestPit(dy.Schema):
    """Grain: bin. Units of all past winters by the probability integral transform of their calls, ten equal bins."""

    bin = count("bin, from the lowest", key=True, minimum=1)
    units = number("units and winters in it, as expected of the randomised transform", digits=2, min=0)


class OptionFit(dy.Schema):
    """Grain: unit, package. Which packages fit, and why the others do not."""

    unit_id = text("unit", key=True)
    option = text("package of options, or do nothing", key=True)
    fits = flag("can be done on the unit", required=True)
    reason = text("why it does not fit, or what has to be made sure of first")


class OptionEffects(dy.Schema):
    """Grain: option, condition. Share of avoidable cold calls avoided, before and after the fleet's own record."""

    option = text("option", key=True)
    condition = text("condition that it answers", key=True)
    prior_mean = number("share judged beforehand [-]", required=True, min=0, max=1)
    prior_alpha = number("first parameter of its beta distribution", required=True, min=0)
    prior_beta = number("second parameter of its beta distribution", required=True, min=0)
    work = text("kind of work whose record speaks for it")
    repairs = count("repairs of that kind; null where the record tells too little")
    ratio = number("calls after over those expected untreated", min=0)
    lower = number("lower end of the 95 % interval of the ratio", min=0)
    upper = number("upper end of the 95 % interval of the ratio", min=0)
    mean = number("share that the plan takes [-]", required=True, min=0, max=1)
    alpha = number("first parameter of its beta distribution", required=True, min=0)
    beta = number("second parameter of its beta distribution", required=True, min=0)
    source = text("where the share judged beforehand comes from", required=True)


class _SetFigures(dy.Schema):
    """Figures of one chosen set."""

    units = count("units chosen", required=True)
    sites = count("sites of theirs", required=True)
    cost = number("parts, labour and driving [currency]", required=True, digits=2, min=0)
    crew_h = number("crew hours with driving [h]", required=True, digits=2, min=0)
    avoided_calls_per_winter = number("cold calls expected to be avoided in a typical winter", required=True, min=0)
    avoided_cost_contractor = number("what those would cost the contractor, a winter", required=True, digits=2, min=0)
    avoided_cost_customer = number("billed for them and lost by outage, a winter", required=True, digits=2, min=0)
    value = number("what the plan seeks, reached by the set", required=True)
    bound = number("no set within the limits reaches more", required=True)
    gap = number("the best set is at most this share better [-]", required=True, digits=6, min=0)


class WorkList(dy.Schema):
    """Grain: unit. Where to go, what to check first and what to do; `work_list.xlsx` is this table to be filled in."""

    place = count("order of going", required=True, minimum=1)
    why = text("planned, or drawn at random", required=True)
    unit_id = text("unit", key=True)
    site_id = text("site")
    site_name = text("name of the site")
    latitude = number("north positive [degree]", digits=5)
    longitude = number("east positive [degree]", digits=5)
    description = text("what the unit serves")
    flag = choice("flag", "to be looked at first", required=True)
    first_check = text("how to look at it", required=True)
    bring = text("what to bring for that", required=True)
    package = text("work planned; null for a unit drawn at random")
    make_sure_of = text("what has to be made sure of first")
    after_check = text("work that each result of a check leads to")
    crew_h = number("crew hours with driving where it carries it [h]", digits=2, min=0)
    cost = number("parts, labour and driving where it carries it [currency]", digits=2, min=0)


class BudgetCurve(_SetFigures):
    """Grain: budget. The best set that each budget buys."""

    budget = number("money [currency]", required=True, digits=2, min=0, primary_key=True)
    is_given = flag("it is the profile's budget", required=True)


class PlanSensitivity(_SetFigures):
    """Grain: scenario. The best set under other figures than those taken."""

    scenario = text("what is taken otherwise", key=True)
    kept_share = number("of the units chosen now, chosen then too [-]", digits=4, min=0, max=1)
    still_worth_share = number("of the packages chosen now, still worth their money then [-]", digits=4, min=0, max=1)
    value_of_plan = number("what the set chosen now reaches then", required=True)
    loss_share = number("how much less that is than the best then [-]", digits=4, min=0, max=1)


class PlanAssumptions(dy.Schema):
    """Grain: figure. What a call costs and takes, and where that comes from."""

    name = text("figure", key=True)
    value = number("the figure", required=True, digits=4)
    unit = text("its unit", required=True)
    standing = text("profile, the fleet's own calls, or assumed", required=True)
    source = text("where it comes from", required=True)


class PlanSummary(dy.Schema):
    """Grain: fact. The chosen set in figures, then doubts in words."""

    fact = text("what is told", key=True)
    value = number("the number; null for a doubt", digits=4)
    meaning = text("what the number is, or the doubt", required=True)


class PlanByOption(dy.Schema):
    """Grain: package of options. The chosen work by package."""

    option = text("package of options done together", key=True)
    units = count("units it is chosen for", required=True)
    cost = number("parts, labour and driving [currency]", required=True, digits=2, min=0)
    crew_h = number("crew hours with driving [h]", required=True, digits=2, min=0)
    avoided_calls_per_winter = number("cold calls expected to be avoided in a typical winter", required=True, min=0)
    avoided_cost_contractor = number("what those would cost the contractor, a winter", required=True, digits=2, min=0)
    avoided_cost_customer = number("billed for them and lost by outage, a winter", required=True, digits=2, min=0)
    cost_per_call = number("cost over the calls avoided in one winter [currency]", digits=2, min=0)


class FitReasons(dy.Schema):
    """Grain: kind of reason. Why packages do not fit units, measured numbers left out."""

    reason = text("why, measured numbers left out", key=True)
    units = count("units on which it keeps a package out", required=True)
    packages = count("packages that it keeps out", required=True)
    pairs = count("pairs of unit and package", required=True)


class Unmatched(dy.Schema):
    """Grain: source, unit id as written there. Ids that no listed unit answers to."""

    source = text("file, relative to the profile", key=True)
    written = text("unit id as written", key=True)
    rows = count("records that carry it", required=True)
    nearest = text("nearest listed unit")


class SetAside(dy.Schema):
    """Grain: source, line, target, column. Cells that could not be read while the rest of the record was kept."""

    source = text("file, relative to the profile", key=True)
    line = count("line where the record starts, from 1", key=True, minimum=1)
    target = choice("target", "table it was meant for", key=True)
    column = text("column of the contract", key=True)
    written = dy.String(nullable=True, description="the cell as it was", metadata={"kind": "text"})
    reason = text("why it was not read", required=True)


class Summary(dy.Schema):
    """Grain: fact. Counts and shares that the pages state in sentences."""

    fact = text("what is counted", key=True)
    value = number("the number", digits=4)
    instant = text("the instant, where the fact is one")
    meaning = text("how it was counted", required=True)


class Winters(dy.Schema):
    """Grain: winter. Cold hours for each unit, over the same units in every whole winter where there are any."""

    winter = text("winter", key=True)
    whole = flag("weather and service cover the whole winter", required=True)
    units = count("units that the means are over", required=True)
    cold_hours_mean = number("mean cold hours of a unit [h]", digits=1, min=0)
    reset_cold_hours_mean = number("mean reset-cold hours of a unit [h]", digits=1, min=0)
    gap_hours_mean = number("mean hours of a unit without weather [h]", digits=1, min=0)


class LoadTotals(dy.Schema):
    """Grain: table fed. Records of all files that feed it."""

    target = choice("target", "table fed", key=True)
    files = count("files", required=True)
    rows_read = count("records in the files", required=True)
    loaded = count("records that stand in the table", required=True)
    refused = count("records in quarantine", required=True)
    repeated = count("exact repeats", required=True)


class UnmatchedIds(dy.Schema):
    """Grain: unit id as written. Ids that no listed unit answers to, over all files."""

    written = text("unit id as written", key=True)
    rows = count("records that carry it", required=True)
    files = count("files", required=True)
    nearest = text("nearest listed unit")
    example_source = text("first file that carries it", required=True)


class RefusalReasons(dy.Schema):
    """Grain: table fed, kind of reason. Refused records with the first of them as an example."""

    target = choice("target", "table fed", key=True)
    kind = text("why they were refused, what is quoted or in brackets left out", key=True)
    rows = count("records", required=True)
    files = count("files", required=True)
    example_reason = text("reason of the first one", required=True)
    example_source = text("file of the first one", required=True)
    example_line = count("line of the first one", required=True, minimum=1)
    example_row = dy.String(nullable=False, description="the first one as it was", metadata={"kind": "text"})


class SetAsideReasons(dy.Schema):
    """Grain: table fed, column, kind of reason. Cells set aside with the first of them as an example."""

    target = choice("target", "table fed", key=True)
    column = text("column of the contract", key=True)
    kind = text("why they were not read, what is quoted or in brackets left out", key=True)
    cells = count("cells", required=True)
    files = count("files", required=True)
    example_reason = text("reason of the first one", required=True)
    example_source = text("file of the first one", required=True)
    example_line = count("line of the first one", required=True, minimum=1)
    example_written = dy.String(nullable=True, description="the first one as it was", metadata={"kind": "text"})


class Revisit(dy.Schema):
    """Grain: unit, circuit, flag. Flags over the threshold, most probable first."""

    unit_id = text("unit", required=True)
    circuit = text("circuit; null is the whole unit")
    flag = choice("flag", "what is suspected", required=True)
    rank = count("place in the list, from 1", required=True, minimum=1)
    site_id = text("site")
    probability = number("of the condition at the end of the data", required=True, digits=3, min=0, max=1)
    is_new = yes_or_no("not raised in the run that this one is held against; null without one")
    rests_on = text("kinds of evidence that carry it: readings, calls, notes, checks, unit list")
    pieces_for = count("pieces of evidence that speak for it", required=True)
    pieces_against = count("pieces of evidence that speak against it", required=True)
    weight_for = number("their log odds together", digits=2)
    weight_against = number("log odds of the pieces against together", digits=2)
    sentence = text("the evidence in a sentence; temperatures in °C, differences in K")
    check = text("the cheapest check on site that would settle it")
    bring = text("what to bring")
    expected_cold_calls = number(
        "calls expected next winter from circuits that the cold stops, returns included, if nothing is done",
        digits=3,
        min=0,
    )
    last_checked_at = instant("last check on site")
    last_verdict = choice("verdict", "what it found")


class Contradictions(dy.Schema):
    """Grain: unit, circuit, flag, other flag. Raised flags that exclude or look like each other."""

    unit_id = text("unit", required=True)
    circuit = text("circuit; null is the whole unit")
    flag = choice("flag", "one of them, the more probable", required=True)
    other_flag = choice("flag", "the other one", required=True)
    probability = number("of the first", required=True, digits=3, min=0, max=1)
    other_probability = number("of the other", required=True, digits=3, min=0, max=1)
    relation = text(
        "`excludes`: they cannot both be so; `looks alike`: the same signs can come from either", required=True
    )
    why = text("why", required=True)
    settles = text("what tells them apart on site", required=True)


class Thresholds(dy.Schema):
    """Grain: threshold. Numbers that judgements rest on."""

    name = text("name in the profile", key=True)
    value = number("value used, in `unit`", required=True, digits=4)
    listed = number("value where the profile says nothing, in `unit`", required=True, digits=4)
    unit = text("unit", required=True)
    source = text("where the listed value comes from", required=True)


class Versions(dy.Schema):
    """Grain: program."""

    program = text("program, library or data file", key=True)
    version = text("version", required=True)


class Costs(dy.Schema):
    """Grain: cost. Costs that the profile states."""

    name = text("name in the profile", key=True)
    value = number("amount, or factor where the name says so", required=True, digits=4)


class Contents(dy.Schema):
    """Grain: table. What lies in the folder `tables`."""

    table = text("name", key=True)
    rows = count("rows", required=True)


WORKING: dict[str, type[dy.Schema]] = {
    "unit_ranking": UnitRanking,
    "cold_hours": ColdHours,
    "unit_station": UnitStation,
    "backtest": Backtest,
    "backtest_pit": BacktestPit,
    "unmatched": Unmatched,
    "set_aside": SetAside,
    **callback_schemas.TABLES,
    "option_fit": OptionFit,
    "option_effects": OptionEffects,
    "work_list": WorkList,
    "budget_curve": BudgetCurve,
    "plan_sensitivity": PlanSensitivity,
    "plan_assumptions": PlanAssumptions,
    "plan_summary": PlanSummary,
}
PAGE: dict[str, type[dy.Schema]] = {
    "summary": Summary,
    "winters": Winters,
    "plan_by_option": PlanByOption,
    "fit_reasons": FitReasons,
    "load_totals": LoadTotals,
    "unmatched_ids": UnmatchedIds,
    "refusal_reasons": RefusalReasons,
    "set_aside_reasons": SetAsideReasons,
    "revisit": Revisit,
    "contradictions": Contradictions,
    "thresholds": Thresholds,
    "versions": Versions,
    "costs": Costs,
    "follow_up_verdicts": callback_schemas.FollowUpVerdicts,
    "contents": Contents,
}
ALL: dict[str, type[dy.Schema]] = {**outputs.TABLES, **WORKING, **PAGE}

# Grains that a primary key cannot state, because a part of them may be null.
_NULLABLE_GRAIN = {
    "flags": ("unit_id", "circuit", "flag"),
    "evidence": ("unit_id", "flag", "place"),
    "forecast": ("level", "unit_id", "site_id"),
    "trips": ("unit_id", "circuit", "tripped_at", "kind"),
    "lockouts": ("unit_id", "circuit", "started_at"),
    "set_points": ("unit_id", "circuit", "switch"),
    "head_pressure": ("unit_id", "circuit", "period_start"),
    "revisit": ("unit_id", "circuit", "flag"),
    "contradictions": ("unit_id", "circuit", "flag", "other_flag"),
    "plan": ("unit_id", "option"),
}


def grain(table: str) -> list[str]:
    """Columns that together name one row of a written table."""
    kinds = ALL[table].columns() if table in ALL else {}
    keys = [name for name, column in kinds.items() if column.primary_key]
    return keys or list(_NULLABLE_GRAIN[table])
