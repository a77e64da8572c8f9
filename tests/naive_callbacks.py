"""Slow, obvious twin of the callback marts: plain loops over plain rows, written from the words, not from the SQL."""

from datetime import timedelta

import naive

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
SWITCH_BACK = "safety switch put back"
OF_REPAIRS = ("control fitted", "control reconnected", SWITCH_BACK, "refrigerant added")


def service_calls(tickets, duplicate_h):
    """Service calls of one unit in time, each a dict with its tickets; every pair of tickets is looked at."""
    answering = [
        ticket
        for ticket in tickets
        if ticket["work_type"] in (None, "service") and ticket["status"] in (None, "open", "completed")
    ]
    groups = [[ticket] for ticket in answering]
    joined = True
    while joined:
        joined = False
        for one in groups:
            for other in groups:
                if one is not other and any(_same_complaint(a, b, duplicate_h) for a in one for b in other):
                    one.extend(other)
                    groups.remove(other)
                    joined = True
                    break
            if joined:
                break
    calls = [_call(sorted(group, key=lambda ticket: (ticket["opened_at"], ticket["call_id"]))) for group in groups]
    return sorted(calls, key=lambda call: call["opened_at"])


def _same_complaint(a, b, duplicate_h):
    first, second = sorted((a, b), key=lambda ticket: ticket["opened_at"])
    soon = second["opened_at"] - first["opened_at"] <= duplicate_h * HOUR
    return soon or (first["closed_at"] is not None and second["opened_at"] < first["closed_at"])


def _call(group):
    return {
        "call_id": group[0]["call_id"],
        "unit_id": group[0]["unit_id"],
        "opened_at": group[0]["opened_at"],
        "ended_at": max(ticket["closed_at"] or ticket["opened_at"] for ticket in group),
        "is_index": any(ticket["status"] in (None, "completed") for ticket in group),
        "symptom": group[0]["symptom"],
        "technician": next((ticket["technician"] for ticket in group if ticket["technician"]), None),
        "works": {work for ticket in group for work in ticket["works"]},
        "work": min((ticket["work"] for ticket in group if ticket["work"]), default=None),
        "tickets": len(group),
    }


def related(one, other, pairs):
    """Whether two symptoms are the same or stand together in the table, in either order."""
    return one == other or (one, other) in pairs or (other, one) in pairs


def latest(call, calls, fits):
    """The latest earlier index call that fits, or None."""
    earlier = [each for each in calls if each["opened_at"] < call["opened_at"] and each["is_index"] and fits(each)]
    return max(earlier, key=lambda each: each["opened_at"], default=None)


def watched_to(call, unit, end, retrofits):
    """When the unit was no longer watched after a call."""
    cuts = [end, unit["served_to"], unit["retired_on"]]
    cuts += [done_at for done_at in retrofits if done_at > call["ended_at"]]
    return max(call["ended_at"], min(cut for cut in cuts if cut is not None))


def retrofits(tickets):
    """When planned visits fitted a head-pressure control on a unit."""
    return [
        ticket["closed_at"] or ticket["opened_at"]
        for ticket in tickets
        if ticket["work_type"] == "planned"
        and ticket["status"] in (None, "completed")
        and "control fitted" in ticket["works"]
    ]


def other_work(tickets, calls, clock, begins_when):
    """(id, work or None, opening of the call that brought it about) of visits that end the time of a repair."""
    found = []
    for call in calls:
        work = call["work"] and call["work"][1]
        unlike = (None, SWITCH_BACK) if begins(call, clock, begins_when) else OF_REPAIRS
        if call["is_index"] and work in unlike:
            found.append((call["call_id"], work, call["opened_at"]))
    for ticket in tickets:
        if ticket["work_type"] not in ("planned", "return") or ticket["status"] not in (None, "completed"):
            continue
        work = ticket["work"] and ticket["work"][1]
        earlier = [call["opened_at"] for call in calls if call["opened_at"] <= ticket["opened_at"]]
        if ticket["work_type"] == "planned" and work == SWITCH_BACK:
            found.append((ticket["call_id"], work, ticket["opened_at"]))
        elif ticket["work_type"] == "return" and work in (None, "switch reset only", SWITCH_BACK):
            told = work if work == SWITCH_BACK else None
            found.append((ticket["call_id"], told, max(earlier, default=ticket["opened_at"])))
    return sorted(found, key=lambda each: each[0])


def work_of(stated, kinds):
    """(rank, work) of the strongest work that a ticket states, or None; `stated`: {statement: what was bridged}."""
    named = [stated[each] for each in ("bypass found", "bypass removed") if stated.get(each)]
    bridged = named[0] if named else "head control"
    fits = [row for row in kinds if row["statement"] in stated and row["about"] in ("", bridged)]
    return min(((int(row["rank"]), row["work"]) for row in fits), default=None)


def callback_of(call, calls, pairs, window_d, whatever=False):
    """Id of the call that this one comes back from, or None."""
    found = latest(call, calls, lambda each: whatever or related(each["symptom"], call["symptom"], pairs))
    return found["call_id"] if found and call["opened_at"] - found["ended_at"] <= window_d * DAY else None


class ColdClock:
    """Cold hours of one unit in service, looked at one by one."""

    def __init__(self, served, temperatures, limits):
        self.temperatures, self.limits = temperatures, limits
        self.hours = [
            hour
            for hour in served
            if hour in temperatures
            and naive.demand(limits, temperatures[hour])
            and temperatures[hour] < limits["starve_ambient_c"]
        ]

    def between(self, begin, end):
        """Cold hours that began from one instant on and before another."""
        return sum(begin <= hour < end for hour in self.hours)

    def in_the_cold(self, call):
        """Whether the coldest demand hour of the 24 before was a cold one; None where that is not known."""
        coldest = naive.coldest_demand_c(naive.whole_hour(call["opened_at"]), self.temperatures, self.limits)
        return None if coldest is None else coldest < self.limits["starve_ambient_c"]


def begins(call, clock, begins_when):
    """Whether a cold recall window runs from the end of a call."""
    when = begins_when.get(call["symptom"])
    return call["is_index"] and (
        when == "in any weather" or (when == "in the cold" and clock.in_the_cold(call) is True)
    )


def cold_callback_of(call, calls, pairs, clock, begins_when, window_h):
    """(id of the call that this one is a cold callback of or None, whether it is one or None where not known)."""
    if call["symptom"] not in begins_when:
        return None, False
    if clock.in_the_cold(call) is None:
        return None, None
    if not clock.in_the_cold(call):
        return None, False
    found = latest(
        call,
        calls,
        lambda each: begins(each, clock, begins_when) and related(each["symptom"], call["symptom"], pairs),
    )
    within = found is not None and clock.between(found["ended_at"], call["opened_at"]) <= window_h
    return (found["call_id"] if within else None), within
