"""``geotrim screen``: many lots, in parts; what an earlier run has left is gone on with."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

from geotrim.cli import COMMANDS
from geotrim.cli.parser import Parser, number_of
from geotrim.errors import GeotrimError
from geotrim.screen.defaults import ENGINES, MEMORY_MB, UNFINISHED

EXAMPLE = f"""
example:
  geotrim screen county.toml --out cove_2027

  measures every lot of county.toml on all processors. The work lies in
  cove_2027{UNFINISHED} until all of it is done; stopped or killed, it is gone on
  with by the same command. In the end cove_2027 holds the lots as GeoPackage,
  GeoParquet and CSV, a map, a page to open in a browser, and record.json.

  county.toml is a site file of many lots:

    [site]
    name = "Cove County"

    [lots]
    file = "parcels.gpkg"
    id_field = "PARCEL"
    keep_fields = ["OWNER"]
    facts = {{ n_units = "UNITS" }}

    [mhw_line]
    file = "mhw.gpkg"
    origin = "survey"

    [crowns]
    file = "crowns.gpkg"

    [heights]
    file = "height_tiles"
    unit = "us-ft"

    [jurisdictions]
    file = "towns.gpkg"
    name_field = "NAME"
    overlays = {{ "Gannet Quay" = ["gannet_quay.toml"] }}
"""
#: Lots that are told by name where something is wrong with them.
MOST_TOLD = 5
#: Files of the results, as far as a word is needed of them.
FILES = {
    "screening.html": "open this first: table and map, in a browser",
    "screening.gpkg": "lots, crowns and summaries as layers",
    "lots.parquet": "a lot a row, GeoParquet",
    "lots.csv": "the same without shapes",
    "crowns.parquet": "a crown a row, GeoParquet",
    "summary_by_jurisdiction.csv": "lots and trees by jurisdiction",
    "summary_by_route.csv": "lots and trees by way to an authorisation",
    "columns.csv": "what each column of lots and crowns means, with its unit",
    "notes.csv": "what was assumed, mended or not known, and how often",
    "map.png": "map of the lots, also as map.svg",
    "summary.txt": "the words above",
    "record.json": "inputs, options, rules, versions, cautions, hashes",
}


class ScreenParser(Parser):
    """A parser whose help ends with an example, kept as it is written."""

    def format_help(self) -> str:
        return super().format_help() + EXAMPLE


def screen_parser() -> Parser:
    """Parser of ``geotrim screen``."""
    parser = ScreenParser("screen", COMMANDS["screen"], "screen FILE [options]")
    parser.add_argument("file", metavar="FILE", help="screen file: a site file of many lots")
    parser.add_argument(
        "--out",
        metavar="FOLDER",
        help=f"new folder for the results [results/NAME, then NAME-2 ...]; the work lies in "
        f"FOLDER{UNFINISHED} meanwhile",
    )
    parser.add_argument(
        "--replace", action="store_true", help="let an earlier screening at --out go, at the end"
    )
    parser.add_argument(
        "--fresh", action="store_true", help="throw away what an earlier run has left unfinished"
    )
    work = parser.add_argument_group("the work, which changes nothing of the answer")
    work.add_argument(
        "--workers", metavar="N", help="parts measured at a time [one for each processor]"
    )
    work.add_argument(
        "--engine", metavar="KIND", help=f"what workers are: {' or '.join(ENGINES)} [{ENGINES[0]}]"
    )
    work.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="workers of a dask.distributed cluster that runs already, tcp://HOST:PORT",
    )
    work.add_argument(
        "--memory-mb", metavar="MB", help=f"memory it may take on this machine [{MEMORY_MB}]"
    )
    return parser


def run_screen(words: list[str]) -> int:
    """Screen, tell how far it is meanwhile, and in the end what came of it."""
    args = screen_parser().parse_args(words)
    check_together(args)
    asked: dict[str, Any] = {
        name: int(number_of(value, f"--{name.replace('_', '-')}", whole=True))
        for name, value in (("workers", args.workers), ("memory_mb", args.memory_mb))
        if value is not None
    }
    if args.engine is not None:
        asked["engine"] = args.engine
    from geotrim.screen.progress import Progress
    from geotrim.screen.work import screen

    progress = Progress(sys.stderr)
    try:
        done = screen(
            args.file,
            args.out,
            scheduler=args.scheduler,
            is_fresh=args.fresh,
            is_replacing=args.replace,
            progress=progress,
            **asked,
        )
    finally:
        progress.end()
    print(told(done.folder))
    return 0


def check_together(args: argparse.Namespace) -> None:
    """Refuse options that contradict each other."""
    if args.replace and args.out is None:
        raise GeotrimError("--replace", "no --out", "the folder to replace", "say --out FOLDER")
    for name in ("workers", "engine"):
        if args.scheduler is not None and getattr(args, name) is not None:
            raise GeotrimError(
                f"--{name}",
                "a scheduler beside it, which has workers of its own",
                "one or the other",
                f"leave out --{name} or --scheduler",
            )


def told(folder: Path) -> str:
    """What is printed of finished results: the summary, lots to look at, and the files."""
    parts = [(folder / "summary.txt").read_text(encoding="utf-8").rstrip("\n")]
    parts += ["\n".join(lines) for lines in (look_at_first(folder), files_of(folder)) if lines]
    return "\n\n".join(parts)


def look_at_first(folder: Path) -> list[str]:
    """The first lots that could not be measured, each with its reason."""
    import pyarrow.compute as pc
    from pyarrow import parquet

    lots = parquet.read_table(folder / "lots.parquet", columns=["lot_id", "status", "reason"])
    lots = lots.filter(pc.field("status").isin(["failed", "unfit"]))
    if not lots.num_rows:
        return []
    lines = [f"Look at first ({lots.num_rows:,} not measured)"]
    for row in lots.slice(0, MOST_TOLD).to_pylist():
        lines.append(f"  lot {row['lot_id'] or '(no id)'}, {row['status']}: {row['reason']}")
    more = lots.num_rows - MOST_TOLD
    return [*lines, f"  and {more:,} more: lots.csv, status failed or unfit"] if more > 0 else lines


def files_of(folder: Path) -> list[str]:
    """The folder, and what is in it."""
    there = [name for name in FILES if (folder / name).exists()]
    left = max((len(name) for name in there), default=0) + 2
    return [f"results: {folder}", *(f"  {name:<{left}}{FILES[name]}" for name in there)]
