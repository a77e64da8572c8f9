"""Slow, obvious twins of the SQL marts: plain loops over plain rows, written from the words, not from the SQL."""

import math
from datetime import datetime, timedelta
from itertools import pairwise

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
MEASURES = ("at opening", "coldest demand hour")


def whole_hour(instant):
    """The hour in which an instant lies."""
    return instant.replace(minute=0, second=0, microsecond=0)


def next_whole_hour(instant):
    """The first whole hour that does not begin before an instant."""
    return whole_hour(instant) if instant == whole_hour(instant) else whole_hour(instant) + HOUR


def great_circle_km(latitude_a, longitude_a, latitude_b, longitude_b):
    """Spherical law of cosines: another formula than the haversine of the mart."""
    a, b = math.radians(latitude_a), math.radians(latitude_b)
    turn = math.radians(longitude_b - longitude_a)
    cosine = math.sin(a) * math.sin(b) + math.cos(a) * math.cos(b) * math.cos(turn)
    return 6371.0088 * math.acos(min(1.0, max(-1.0, cosine)))


def weather_hours(weather, filled_h):
    """{station: {hour: (temperature, dew point, wind, interpolated)}}."""
    hours = {}
    for row in weather:
        if row["kind"] == "observed":
            values = (row["temperature_c"], row["dew_point_c"], row["wind_m_s"])
            hours.setdefault(row["station_id"], {})[row["hour"]] = (*map(rounded, values), False)
    for of_station in hours.values():
        for before, after in pairwise(sorted(of_station)):
            missing = int((after - before) / HOUR) - 1
            if missing <= filled_h:
                for step in range(1, missing + 1):
                    part = step / (missing + 1)
                    ends = zip(of_station[before][:3], of_station[after][:3], strict=True)
                    between = [None if None in pair else pair[0] + (pair[1] - pair[0]) * part for pair in ends]
                    of_station[before + step * HOUR] = (*map(rounded, between), True)
    return hours


def rounded(value):
    """To thousandths, null kept."""
    return None if value is None else round(value, 3)


def unit_station(units, sites, stations, weather, kind):
    """{unit: (station, km, named)} for one kind of weather."""
    with_weather = {row["station_id"] for row in weather if row["kind"] == kind}
    chosen = {}
    for unit in units:
        site = next(site for site in sites if site["site_id"] == unit["site_id"])
        distances = []
        for station in stations:
            if station["station_id"] in with_weather and site["latitude"] is not None:
                place = (site["latitude"], site["longitude"], station["latitude"], station["longitude"])
                distances.append((great_circle_km(*place), station["station_id"]))
        if site["station_id"] in with_weather:
            km = next((km for km, station in distances if station == site["station_id"]), None)
            chosen[unit["unit_id"]] = (site["station_id"], km, True)
        elif distances:
            km, station = min(distances)
            chosen[unit["unit_id"]] = (station, km, False)
        else:
            chosen[unit["unit_id"]] = (None, None, None)
    return chosen


def served_hours(unit, calls):
    """Hours in service of a unit, within the days of the first and the last call."""
    if not calls:
        return []
    first = min(call["opened_at"] for call in calls)
    last = max(call["opened_at"] for call in calls)
    begins = [datetime(first.year, first.month, first.day), unit["served_from"], unit["installed_on"]]
    ends = [datetime(last.year, last.month, last.day) + DAY, unit["served_to"], unit["retired_on"]]
    hour = next_whole_hour(max(instant for instant in begins if instant))
    end = min(instant for instant in ends if instant)
    hours = []
    while hour < end:
        hours.append(hour)
        hour += HOUR
    return hours


def winter_of(hour, starts_month):
    """'2016/17' for an hour of the winter that begins in `starts_month` of 2016."""
    year = hour.year if hour.month >= starts_month else hour.year - 1
    return str(year) if starts_month == 1 else f"{year}/{(year + 1) % 100:02d}"


def demand(limits, temperature_c):
    """Whether mechanical cooling can be wanted."""
    return limits["demand_from_c"] is None or temperature_c >= limits["demand_from_c"]


def cold_hours(served, temperatures, limits, starts_month):
    """{winter: [service, demand, cold, reset-cold, gap hours]}."""
    winters = {}
    for hour in served:
        count = winters.setdefault(winter_of(hour, starts_month), [0, 0, 0, 0, 0])
        count[0] += 1
        if hour not in temperatures:
            count[4] += 1
        elif demand(limits, temperatures[hour]):
            count[1] += 1
            if temperatures[hour] < limits["starve_ambient_c"]:
                count[2] += 1
                below = limits["reset_cold_below_c"]
                if below is not None and temperatures[hour] < below:
                    count[3] += 1
    if limits["reset_cold_below_c"] is None:
        for count in winters.values():
            count[3] = None
    return winters


def coldest_demand_c(hour, temperatures, limits):
    """Coldest demand hour of an hour and the 23 before; null without one, or without weather in the hour itself."""
    if hour not in temperatures:
        return None
    day = [hour - back * HOUR for back in range(24)]
    wanted = [temperatures[at] for at in day if at in temperatures and demand(limits, temperatures[at])]
    return min(wanted, default=None)


def band_from_f(temperature_c, width_f=5):
    """Lower edge of the band in degF, from the temperature to a hundredth of a degF."""
    return math.floor(round(temperature_c * 1.8 + 32, 2) / width_f) * width_f


def banded(hour, temperatures, limits):
    """{measure: lower edge in degF} of an hour; without those it is in no band of."""
    places = {}
    if hour in temperatures:
        places["at opening"] = band_from_f(temperatures[hour])
        coldest = coldest_demand_c(hour, temperatures, limits)
        if coldest is not None:
            places["coldest demand hour"] = band_from_f(coldest)
    return places


def unit_bands(served, temperatures, limits, low_calls):
    """{(measure, lower edge in degF): [hours, calls, episodes]} of one unit; `low_calls` as from `episodes`."""
    bands = {}
    for hour in served:
        for measure, edge in banded(hour, temperatures, limits).items():
            bands.setdefault((measure, edge), [0, 0, 0])[0] += 1
    for call in low_calls:
        hour = whole_hour(call["opened_at"])
        if hour in served:
            for measure, edge in banded(hour, temperatures, limits).items():
                bands[measure, edge][1] += not call["is_duplicate"]
                bands[measure, edge][2] += call["episode_id"] == call["call_id"]
    return bands


def episodes(calls, low, duplicate_h, episode_days):
    """Low-pressure service calls of one unit in order, each with its episode and whether it is a duplicate.

    `low`: ids of calls whose words tell of low pressure.
    """
    counted = [
        call
        for call in sorted(calls, key=lambda call: (call["opened_at"], call["call_id"]))
        if call["call_id"] in low
        and call["work_type"] in (None, "service")
        and call["status"] in (None, "open", "completed")
    ]
    placed = []
    first = None
    for before, call in zip([None, *counted], counted, strict=False):
        if first is None or call["opened_at"] - first["opened_at"] > episode_days * DAY:
            first, duplicate = call, False
        else:
            soon = call["opened_at"] - before["opened_at"] <= duplicate_h * HOUR
            overlapping = before["closed_at"] is not None and call["opened_at"] < before["closed_at"]
            duplicate = soon or overlapping
        placed.append(call | {"episode_id": first["call_id"], "is_duplicate": duplicate})
    return placed


def winters_at_station(temperatures, limits, starts_month):
    """{winter: (hours of the winter, hours observed, cold hours)} of a station for one set of limits."""
    winters = {}
    for hour, temperature in temperatures.items():
        cold = demand(limits, temperature) and temperature < limits["starve_ambient_c"]
        year = hour.year if hour.month >= starts_month else hour.year - 1
        whole = (datetime(year + 1, starts_month, 1) - datetime(year, starts_month, 1)) / HOUR
        _, observed, colds = winters.get(winter_of(hour, starts_month), (whole, 0, 0))
        winters[winter_of(hour, starts_month)] = (whole, observed + 1, colds + cold)
    return winters


def station_hours(weather, filled_h):
    """{(station, whole degree): hours of 8,760}, observed weather before a typical year."""
    observed = {
        station: [values[0] for values in hours.values()] for station, hours in weather_hours(weather, filled_h).items()
    }
    by_station = dict(observed)
    for row in weather:
        if row["kind"] == "typical" and row["station_id"] not in observed:
            by_station.setdefault(row["station_id"], []).append(row["temperature_c"])
    counted = {}
    for station, temperatures in by_station.items():
        for temperature in temperatures:
            at = (station, math.floor(temperature))
            counted[at] = counted.get(at, 0) + 8760 / len(temperatures)
    return counted


def winter_bands(filled, span, starts_month, width_k):
    """Hours of a station by winter and band of the coldest of each hour and the 23 before: {(winter, band): hours}."""
    found = {}
    for hour in filled:
        if not span[0] <= hour < span[1]:
            continue
        back = [filled.get(hour - timedelta(hours=each)) for each in range(24)]
        coldest = min(value for value in back if value is not None)
        key = winter_of(hour, starts_month), math.floor(round((coldest - 10) / width_k, 3))
        found[key] = found.get(key, 0) + 1
    return found


def judged_winters(span, starts_month, done_months):
    """First hours of the winters with half a year of calls before them, and done when the calls end."""
    first = [
        span[0].replace(year=year, month=starts_month, day=1, hour=0) for year in range(span[0].year, span[1].year + 1)
    ]
    return [each for each in first if each >= _months_later(span[0], 6) and _months_later(each, done_months) <= span[1]]


def _months_later(at, months):
    month = at.month - 1 + months
    year, month = at.year + month // 12, month % 12 + 1
    last = (at.replace(year=year + month // 12, month=month % 12 + 1, day=1) - timedelta(days=1)).day
    return at.replace(year=year, month=month, day=min(at.day, last))
