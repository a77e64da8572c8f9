"""Writes a world to a folder: exports, profile, truth."""

from pathlib import Path

from .build import World
from .exports import write_exports
from .profile import write_profile
from .readings import write_readings
from .truth import write_truth
from .vocabulary import Vocabulary


def write_world(world: World, folder: Path) -> None:
    """`folder`/exports, `folder`/fleet.toml and `folder`/truth."""
    words = Vocabulary(world.options.seed)
    exports = folder / "exports"
    ids = write_exports(world, exports, words)
    brands = write_readings(world, exports / "readings")
    write_profile(world, folder / "fleet.toml", words, brands, (exports / "checks.csv").exists())
    write_truth(world, folder / "truth", ids)
