"""Run the main job on the sample sites, from nothing.

``python3 scripts/demo.py`` makes its own virtual environment (``.venv-demo``), installs geotrim in
it, measures every site of ``sample_data``, takes the bare lot from a lidar cloud to its measures
by the README's own commands, makes the papers of one lot, holds an invented cut against its plan,
screens a small invented county, and says where the results are.
"""

from __future__ import annotations

import csv
import shlex
import shutil
import subprocess
import sys
import time
from datetime import date

from environment import ROOT, clean_env, ready

RESULTS = ROOT / "results" / "demo"
#: The lot whose papers are made, and who is said to have read its heights.
PAPERS_OF, READER = "plain_lot", "the demo (invented readings)"


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
    if PAPERS_OF not in failed and papers(python, RESULTS / PAPERS_OF):
        failed.append(f"papers of {PAPERS_OF}")
    if county(python):
        failed.append("county")
    if failed:
        print("\nFailed: {}".format(", ".join(failed)))
        return 1
    print(f"\nAll {len(sites)} sites and the bare lot measured. Results in {RESULTS}")
    print(
        "Start with summary.txt and shoreline_elevation.png of each; results.gpkg holds the rest.\n"
        f"The plan set is in {PAPERS_OF}-sheets, the crew list in {PAPERS_OF}-crew.\n"
        "The screening of an invented county is in county: open screening.html."
    )
    return 0


def papers(python, package):
    """Plan set, crew list, a cut held against the plan, and the ledger; the exit code comes back.

    The readings are what a crew would have read that cut as its list says: they are invented.
    """
    print(f"\n=== papers of {package.name} ===", flush=True)
    start = time.perf_counter()
    sheets, crew, verified = (
        package.with_name(f"{package.name}-{word}") for word in ("sheets", "crew", "verified")
    )
    readings, ledger = package.with_name("readings.csv"), package.with_name("demo.ledger")
    ledger.unlink(missing_ok=True)
    plan = ["--kind", "plan", "--package", str(package), "--who", READER]
    found = ["--readings", str(readings), "--ledger", str(ledger), "--who", READER]
    steps = [
        ["sheets", str(package), "--no-pictures", "--out", str(sheets), "--replace"],
        ["crew", str(package), "--out", str(crew), "--replace"],
        ["enter", str(ledger), *plan],
        ["verify", str(package), *found, "--out", str(verified), "--replace"],
        ["history", str(ledger)],
    ]
    for words in steps:
        if words[0] == "verify":
            as_planned(crew / "crew_list.csv", readings)
        print(f"\n$ geotrim {shlex.join(words)}", flush=True)
        command = [str(python), "-m", "geotrim", *words]
        code = subprocess.run(command, env=clean_env(), cwd=str(ROOT)).returncode
        if code:
            return code
    print(f"({time.perf_counter() - start:.1f} s)", flush=True)
    return 0


def county(python):
    """An invented county of a few streets, screened; the exit code comes back."""
    print("\n=== an invented county ===", flush=True)
    start, made, out = time.perf_counter(), RESULTS / "county-input", RESULTS / "county"
    shutil.rmtree(made, ignore_errors=True)
    script = str(ROOT / "scripts" / "make_county.py")
    screen = ["screen", str(made / "screen.toml"), "--out", str(out), "--replace", "--fresh"]
    for words in ([script, str(made), "--lots", "60"], ["-m", "geotrim", *screen]):
        code = subprocess.run([str(python), *words], env=clean_env(), cwd=str(ROOT)).returncode
        if code:
            return code
    print(f"({time.perf_counter() - start:.1f} s)", flush=True)
    return 0


def as_planned(crew_list, path):
    """Readings of every tree that is cut, as if it had been cut today just as the crew list says.

    A day to come would be refused, and the plan's own first day may be one.
    """
    today = date.today().isoformat()
    with crew_list.open(encoding="utf-8-sig", newline="") as stream:
        rows = [row for row in csv.DictReader(stream) if row["cut_from_ft"]]
    names = ["crown_id", "is_done", "height_ft", "cleared_from_ft", "cleared_to_ft", "date"]
    with path.open("w", encoding="utf-8", newline="") as stream:
        table = csv.writer(stream)
        table.writerow(names)
        for row in rows:
            low, high = row["cut_from_ft"], row["cut_to_ft"]
            is_top = not high
            heights = [low, "", ""] if is_top else [row["top_height_ft"], low, high]
            table.writerow([row["crown_id"], "yes", *heights, today])


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
