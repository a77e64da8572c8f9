"""An invented company's fleet with planted truth, made independently of the package it is used to score.

It has its own weather, physics, people and words, and shares no code with anything under `src`.
`python -m world --out DIR --seed N` writes exports, a profile and the truth; `make(Options(seed=N))` gives the same
world in memory.
"""

from .build import World, make
from .options import Options

__all__ = ["Options", "World", "make"]
