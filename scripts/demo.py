"""Run the main job on the sample sites, from nothing.

``python3 scripts/demo.py`` makes its own virtual environment (``.venv-demo``), installs geotrim in
it, measures every site of ``sample_data`` and says where the results are.
"""

from __future__ import annotations

import subprocess
import sys
import time

from environment import ROOT, clean_env, ready

RESULTS = ROOT / "results" / "demo"


def main():
    """Measure every sample site; the exit code is not 0 if one failed."""
    python = ready(".venv-demo")
    sites = sorted((ROOT / "sample_data").glob("*/site.toml"))
    if not sites:
        sys.exit("No site files in {}.".format(ROOT / "sample_data"))
    failed = []
    for site in sites:
        print(f"\n=== {site.parent.name} ===", flush=True)
        out = RESULTS / site.parent.name
        start = time.perf_counter()
        words = ["-m", "geotrim", "run", str(site), "--out", str(out), "--replace"]
        if subprocess.run([str(python), *words], env=clean_env(), cwd=str(ROOT)).returncode:
            failed.append(site.parent.name)
        print(f"({time.perf_counter() - start:.1f} s)", flush=True)
    if failed:
        print("\nFailed: {}".format(", ".join(failed)))
        return 1
    print(f"\nAll {len(sites)} sites measured. Results in {RESULTS}")
    print(
        "Start with summary.txt and shoreline_elevation.png of each; results.gpkg holds the rest."
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
