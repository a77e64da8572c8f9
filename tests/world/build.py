"""Puts a world together: weather, fleet, lives, traces, future winters."""

import datetime as dt
from dataclasses import dataclass

import numpy as np

from .circuit import Condition, settle
from .fleet import Site, Unit, draw_sites, draw_units
from .life import Life, Surroundings
from .loggers import Job, draw_jobs
from .notes import Note, Writer
from .options import FUTURE_WINTERS, Habits, Options, draw_habits
from .traces import Trace, run_traces
from .weather import Station, Weather, draw_stations, make_weather
from .winters import YEAR_H, Recurring, Winter, future_winters, recurring_stretches


@dataclass
class World:
    """Everything that is so. `lives`, `recurring`, `next_winters` and `next_fixed` follow the order of `units`."""

    options: Options
    habits: Habits
    stations: list[Station]
    weather: list[Weather]
    future: list[Weather]
    sites: list[Site]
    units: list[Unit]
    lives: list[Life]
    jobs: list[Job]
    traces: list[Trace]
    notes: dict[int, Note]  # by id() of the ticket
    recurring: list[list[Recurring]]
    next_winters: list[list[Winter]]
    next_fixed: list[list[Winter]]

    def instant(self, hour: float) -> dt.datetime:
        """UTC of an hour of this world, to the second."""
        return self.habits.start + dt.timedelta(seconds=round(hour * 3600))

    @property
    def ends(self) -> dt.datetime:
        return self.instant(self.habits.hours)


def make(options: Options) -> World:
    """Make one world; the same options give the same world."""
    rng = np.random.default_rng([options.seed, 5])
    habits = draw_habits(options, rng)
    stations = draw_stations(habits.climates, rng)
    sites = draw_sites(options, habits, stations, rng)
    units = draw_units(options, habits, sites, rng)
    weather = make_weather(stations, habits.start, habits.hours, np.random.default_rng([options.seed, 6]))
    lives = []
    for i, unit in enumerate(units):
        for circuit in unit.circuits:
            settle(circuit)
        around = Surroundings(unit, weather[unit.site.station], habits.start, [options.seed, i])
        sound = [Condition(control_fitted=c.head_control) for c in unit.circuits]
        lives.append(Life(around, habits, sound, evolve=True).run())
    jobs = draw_jobs(options, habits, lives, np.random.default_rng([options.seed, 7]))
    traces = run_traces(jobs, options.seed)
    after = habits.start + dt.timedelta(hours=habits.hours)
    future = make_weather(stations, after, FUTURE_WINTERS * YEAR_H, np.random.default_rng([options.seed, 8]))
    recurring, as_is, fixed = [], [], []
    for i, life in enumerate(lives):
        around = Surroundings(life.unit, future[life.unit.site.station], after, [options.seed, i, 9], later=True)
        recurring.append(_recurring(life, around, future, after, [options.seed, i, 9]))
        as_is.append(future_winters(around, habits, life.now))
        fixed.append(future_winters(around, habits, [c.with_sound_head for c in life.now]))
    writer = Writer(habits, options.seed)
    notes = {}
    for life in lives:
        for ticket in life.tickets:
            if ticket.opened >= habits.exports_from:
                air = float(life.around.outdoor_c[min(int(ticket.visited), habits.hours - 1)])
                notes[id(ticket)] = writer.write(ticket, air)
    return World(
        options, habits, stations, weather, future, sites, units, lives, jobs, traces, notes, recurring, as_is, fixed
    )


def _recurring(
    life: Life, around: Surroundings, future: list[Weather], after: dt.datetime, seed: list[int]
) -> list[Recurring]:
    """Recurring stretches; a unit whose use changed is judged by the use of the time."""
    found = recurring_stretches(life, around)
    change = life.unit.use_changes_h
    if not life.unit.later_use:
        return found
    earlier = Surroundings(life.unit, future[life.unit.site.station], after, seed)
    earlier.changes_at = earlier.hours
    before = [
        Recurring(r.began, min(r.ended or change, change), r.by, r.spells)
        for r in recurring_stretches(life, earlier)
        if r.began < change
    ]
    later = [
        Recurring(max(r.began, change), r.ended, r.by, r.spells) for r in found if r.ended is None or r.ended > change
    ]
    return before + later
