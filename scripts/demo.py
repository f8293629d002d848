"""Run the main job on the sample sites, from nothing.

``python3 scripts/demo.py`` makes its own virtual environment (``.venv-demo``), installs geotrim in
it, measures every site of ``sample_data``, takes the bare lot from a lidar cloud to its measures
by the README's own commands, and says where the results are.
"""

from __future__ import annotations

import shutil
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
    if from_a_cloud(python):
        failed.append("bare_lot")
    if failed:
        print("\nFailed: {}".format(", ".join(failed)))
        return 1
    print(f"\nAll {len(sites)} sites and the bare lot measured. Results in {RESULTS}")
    print(
        "Start with summary.txt and shoreline_elevation.png of each; results.gpkg holds the rest."
    )
    return 0


def from_a_cloud(python):
    """A lot from nothing but a cloud, a station and a polygon; the exit code comes back."""
    from write_readme import sequence

    print("\n=== bare_lot, from a cloud ===", flush=True)
    start, place, n = time.perf_counter(), RESULTS / "bare_lot", 1
    while place.exists():
        n += 1
        place = RESULTS / f"bare_lot-{n}"
    shutil.copytree(ROOT / "sample_data" / "bare_lot", place / "sample_data" / "bare_lot")
    for words in sequence((ROOT / "README.md").read_text(encoding="utf-8")):
        print("\n$ geotrim {}".format(" ".join(words)), flush=True)
        command = [str(python), "-m", "geotrim", *words]
        code = subprocess.run(command, env=clean_env(), cwd=str(place)).returncode
        if code:
            return code
    print(f"({time.perf_counter() - start:.1f} s)", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main())
