"""The main job on the demo fleet: wall time and peak memory of one whole command, against their bars.

Run as `python tests/benchmarks/demo.py`; ends with 1 where a bar is missed.
"""

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

BAR_S = 60.0
BAR_MB = 1500.0
DEMO = Path(__file__).parents[2] / "demo_data"


def main() -> int:
    """Copies the demo, runs it in a child process, prints both figures."""
    with tempfile.TemporaryDirectory() as folder:
        demo = Path(folder) / "demo"
        shutil.copytree(DEMO, demo, ignore=shutil.ignore_patterns("*.duckdb*", "*.py", "truth"))
        command = "import sys; from lowambient.cli import main; main()"
        started = time.perf_counter()
        subprocess.run(
            [sys.executable, "-c", command, "run", str(demo / "fleet.toml"), "--out", str(demo / "out")], check=True
        )
        wall_s = time.perf_counter() - started
    peak_mb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    print(f"wall {wall_s:.1f} s (bar {BAR_S:.0f} s), peak memory {peak_mb:.0f} MB (bar {BAR_MB:.0f} MB)")
    return int(wall_s > BAR_S or peak_mb > BAR_MB)


if __name__ == "__main__":
    sys.exit(main())
