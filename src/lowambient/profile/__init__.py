"""`fleet.toml` -> Profile: where exports lie, how columns map to the contract, what differs from defaults.

The file is validated as a whole: every problem is named with its key, what was found and what is allowed.
"""

from lowambient.profile.loading import load_profile, source_digest
from lowambient.profile.model import (
    ChannelSource,
    ColumnSource,
    Costs,
    OptionProfile,
    OwnWord,
    PlanLimits,
    Profile,
    SourceProfile,
)
from lowambient.profile.own_words import words_digest

__all__ = [
    "ChannelSource",
    "ColumnSource",
    "Costs",
    "OptionProfile",
    "OwnWord",
    "PlanLimits",
    "Profile",
    "SourceProfile",
    "load_profile",
    "source_digest",
    "words_digest",
]
