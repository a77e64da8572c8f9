"""Read plans carried out: each file is one transaction, then files are held against each other."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from lowambient.intake.plan import ReadPlan
from lowambient.intake.planning import ORDER, plan_all
from lowambient.profile import Profile
from lowambient.store import ledger, long_readings, queries, resolving, rows
from lowambient.store.database import Store
from lowambient.store.failures import translated
from lowambient.store.places import Surroundings
from lowambient.store.watching import Progress, Watch


@dataclass(frozen=True)
class Loaded:
    """What a load did: files read afresh, files that stood already, and files taken out."""

    fresh: tuple[str, ...]
    unchanged: tuple[str, ...]
    removed: tuple[str, ...]


def load_all(store: Store, profile: Profile, progress: Progress | None = None) -> Loaded:
    """Brings the store to what the profile's files hold now.

    A file that stands already under the same bytes, settings and surroundings is not read again. A load that dies
    keeps the files that were through.
    Raises InputRefused, StoreUnavailable, NoSpace; KeyboardInterrupt after Ctrl-C.
    """
    plans = plan_all(profile)
    with translated(store.path), Watch(store.connection, progress, len(plans)) as watch:
        load = _Load(store, profile, watch)
        load.remove_unnamed(plans)
        for target in ORDER:
            load.target(target, [plan for plan in plans if plan.target == target])
        store.checkpoint()
    return Loaded(tuple(load.fresh), tuple(load.unchanged), tuple(load.removed))


@dataclass
class _Load:
    """One load at work."""

    store: Store
    profile: Profile
    watch: Watch
    fresh: list[str] = field(default_factory=list)
    unchanged: list[str] = field(default_factory=list)
    removed: list[str] = field(default_factory=list)

    def remove_unnamed(self, plans: Sequence[ReadPlan]) -> None:
        """Takes out the files that the profile names no longer."""
        con = self.store.connection
        named = {(plan.source, plan.target) for plan in plans}
        for source, target, file_no in con.execute("select source, target, file_no from files order by all").fetchall():
            if (source, target) not in named:
                with self.store.transaction():
                    ledger.forget(con, target, file_no)
                    resolving.mark_unresolved(self.store, target)
                self.removed.append(source)

    def target(self, target: str, plans: Sequence[ReadPlan]) -> None:
        """Loads the files of one table that are new or changed, then holds all of them against each other."""
        con = self.store.connection
        around = Surroundings.of(con, self.profile.time_zone)
        for plan in plans:
            self.watch.at(plan.source)
            if ledger.stands(con, plan, around):
                self._keep(plan)
            else:
                self._read(plan, around)
        if not resolving.is_resolved(self.store, target):
            resolving.resolve(self.store, target, plans, around)

    def _keep(self, plan: ReadPlan) -> None:
        with self.store.transaction():
            if ledger.reorder(self.store.connection, plan):
                resolving.mark_unresolved(self.store, plan.target)
        self.unchanged.append(plan.source)

    def _read(self, plan: ReadPlan, around: Surroundings) -> None:
        """Works one file out in temporary tables, then writes it in one transaction."""
        con = self.store.connection
        reader = long_readings if plan.is_long else rows
        read = reader.prepare(con, plan, around)
        with self.store.transaction():
            old = ledger.standing_no(con, plan)
            if old is not None:
                ledger.forget(con, plan.target, old)
            file_no = con.execute("select coalesce(max(file_no), 0) + 1 from files").fetchall()[0][0]
            reader.keep(con, plan, file_no)
            ledger.note_file(con, plan, read, file_no)
            resolving.mark_unresolved(self.store, plan.target)
        con.execute(queries.text("staging", "drop_working_tables"))
        self.fresh.append(plan.source)
