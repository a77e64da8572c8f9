"""`python -m world --out DIR --seed N`: writes DIR/exports, DIR/fleet.toml and DIR/truth."""

import argparse
import shutil
import sys
import time
from pathlib import Path

from . import Options, make
from .options import CLIMATE_SETS
from .written import write_world


def main() -> int:
    """Parse, make, write; says on standard error how long it took."""
    parser = argparse.ArgumentParser(prog="python -m world", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder to write; its exports/ and truth/ are replaced")
    parser.add_argument("--seed", type=int, required=True)
    parser.add_argument("--units", type=int, default=200)
    parser.add_argument("--winters", type=int, default=4)
    parser.add_argument("--logger-share", type=float, default=0.25)
    parser.add_argument("--loggers-go", choices=["random", "troubled"], default="random")
    parser.add_argument("--climate", choices=sorted(CLIMATE_SETS), default=None, help="drawn by seed if not given")
    parser.add_argument("--checks", type=float, default=0.05, help="share of units with one check on the roof")
    given = parser.parse_args()
    began = time.perf_counter()
    options = Options(
        given.seed, given.units, given.winters, given.logger_share, given.loggers_go, given.climate, given.checks
    )
    world = make(options)
    for name in ("exports", "truth"):
        shutil.rmtree(given.out / name, ignore_errors=True)
    write_world(world, given.out)
    took = time.perf_counter() - began
    print(
        f"world {given.seed}: {len(world.units)} units, {len(world.traces)} circuits logged, {took:.0f} s",
        file=sys.stderr,
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
