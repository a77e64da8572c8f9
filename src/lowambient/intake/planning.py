"""The read plans of all files of a profile, in the order in which they are loaded."""

from collections.abc import Iterator
from pathlib import Path

from lowambient.errors import InputRefused
from lowambient.intake.plan import ReadPlan, find_files, plan_file, source_name
from lowambient.profile import Profile, SourceProfile

ORDER = ("sites", "stations", "aliases", "units", "calls", "readings", "weather", "checks")
"""Tables in the order of need: what names units comes before what happens to them."""


def plan_all(profile: Profile) -> list[ReadPlan]:
    """The read plans of all files of a profile, in the order in which they are loaded.

    Raises InputRefused with every file that cannot be read at all.
    """
    plans: list[ReadPlan] = []
    problems: list[str] = []
    seen: dict[str, str] = {}
    for order, (source, path) in enumerate(_named_files(profile, problems), 1):
        name = f"{source_name(profile, path)} for {source.table}"
        if name in seen:
            problems.append(f"{name} is named by {seen[name]} and by {source.key}: keep one")
            continue
        seen[name] = source.key
        try:
            plans.append(plan_file(profile, source, path, order))
        except InputRefused as error:
            problems.append(str(error))
    if problems:
        raise InputRefused("\n".join(problems))
    return sorted(plans, key=lambda plan: (ORDER.index(plan.target), plan.source))


def _named_files(profile: Profile, problems: list[str]) -> Iterator[tuple[SourceProfile, Path]]:
    for source in profile.sources:
        if source.table == "readings" and source.replaces == "table":
            problems.append(
                f'{source.key}.replaces: "table" is for tables of records; a later file of readings replaces'
                ' single readings with "key"'
            )
        try:
            yield from ((source, path) for path in find_files(profile, source))
        except InputRefused as error:
            problems.append(str(error))
