"""A result package read back: what leaves the office is made of it alone, without the inputs."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from itertools import product
from pathlib import Path
from typing import Any

from geotrim.errors import FileError
from geotrim.io.files import sha256_of
from geotrim.io.replaceable import PACKAGE, RECORD, kind_of
from geotrim.model import Result
from geotrim.units import feet_per_map_unit

#: The GeoPackage of a result package.
LAYERS = "results.gpkg"


@dataclass(frozen=True, slots=True, eq=False)
class Package:
    """A result package as it lies on the disk.

    record : ``record.json``.
    tables : layer -> table; those with shapes as GeoDataFrames in ``crs``.
    crs : the site's CRS.
    feet_per_unit : international feet in a map unit.
    sha256 : of ``record.json``, which holds the hash of every other file: it names the plan.
    changed : files that are no longer as geotrim wrote them, by name.
    """

    folder: Path
    record: Mapping[str, Any]
    tables: Mapping[str, Any]
    crs: Any
    feet_per_unit: float
    sha256: str
    changed: tuple[str, ...] = ()
    results: Mapping[str, Result] = field(default_factory=dict)

    @property
    def site_name(self) -> str:
        """Name of the site."""
        return str(self.record["site"]["name"])

    def lot_ids(self) -> list[str]:
        """Ids of the lots that were measured, in file order."""
        return [str(lot) for lot in self.record["site"]["measured_lots"]]

    def rows(self, name: str, lot_id: str | None = None) -> Any:
        """A table, of one lot if asked; an empty one without columns where it is not there."""
        import pandas as pd

        table = self.tables.get(name)
        if table is None:
            return pd.DataFrame()
        if lot_id is None or "lot_id" not in table.columns:
            return table
        return table[table["lot_id"].astype(str) == lot_id]

    def parameter(self, operation: str, name: str, default: Any = None) -> Any:
        """A parameter as an operation used it, the default where it did not run."""
        for told in self.record["operations"]:
            if told["name"] == operation and name in told["parameters"]:
                return told["parameters"][name]["value"]
        return default


def read_package(folder: str | Path) -> Package:
    """Read a result package.

    Parameters
    ----------
    folder : path-like
        As ``geotrim run`` wrote it.

    Raises
    ------
    FileError
        If it is no result package, or one of its files cannot be read.
    """
    path = Path(folder)
    if not path.is_dir() or kind_of(path) != PACKAGE:
        found = "no folder of that name" if not path.exists() else "no result package"
        raise FileError(
            str(folder), found, "a folder that geotrim run wrote", "name the folder it printed last"
        )
    try:
        record = json.loads((path / RECORD).read_text(encoding="utf-8"))
        _check(record)
        tables = dict(_layers(path / LAYERS))
        crs = record["crs"]["wkt"]
    except FileError:
        raise
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise FileError(
            str(folder), f"a package that cannot be read ({error})", "a whole one", "run again"
        ) from error
    changed = tuple(_changed(path, record))
    return Package(
        path,
        record,
        tables,
        crs,
        feet_per_map_unit(crs, "site"),
        sha256_of(path / RECORD)[0],
        changed,
        _results(record, tables),
    )


#: What papers are made of in a record: name -> its kind, and what each part of it holds.
NEEDED: dict[str, tuple[type, tuple[str, ...]]] = {
    "site": (dict, ("name", "measured_lots", "mhw_line")),
    "crs": (dict, ("wkt", "name", "map_unit")),
    "inputs": (list, ("role", "path", "sha256")),
    "operations": (list, ("name", "parameters", "n_rows", "is_measured", "caution")),
    "cautions": (list, ()),
    "facts": (dict, ()),
}


def _check(record: Any) -> None:
    """Refuse a record without what papers are made of.

    Raises
    ------
    ValueError
        That names what is not there, or is of another kind.
    """
    if not isinstance(record, dict):
        raise ValueError(f"{RECORD} holds no table")
    for name, (kind, parts) in NEEDED.items():
        held: Any = record.get(name)
        if not isinstance(held, kind):
            raise ValueError(f"{RECORD} has no {name}")
        every: list[Any] = held if isinstance(held, list) else [held]
        for one, part in product(every, parts):
            if not isinstance(one, dict) or part not in one:
                raise ValueError(f"{RECORD} has no {part} in its {name}")
    if "label" not in record["site"]["mhw_line"]:
        raise ValueError(f"{RECORD} has no label of the shore line")


def _layers(path: Path) -> Iterator[tuple[str, Any]]:
    """Every layer of the GeoPackage; one that was left out of the file is told."""
    import pyogrio
    from pyogrio.errors import DataSourceError

    try:
        names = [str(name) for name, _ in pyogrio.list_layers(path)]
        for name in names:
            table = pyogrio.read_dataframe(path, layer=name, use_arrow=True)
            yield name, table
    except DataSourceError as error:
        raise FileError(
            str(path), f"a file that cannot be read ({error})", "the package's own", "run again"
        ) from error


def _changed(folder: Path, record: Mapping[str, Any]) -> Iterator[str]:
    """Files that are not there or not as they were written."""
    for item in record.get("files", []):
        path = folder / item["file"]
        if not path.is_file() or sha256_of(path)[0] != item["sha256"]:
            yield item["file"]


def _results(record: Mapping[str, Any], tables: Mapping[str, Any]) -> dict[str, Result]:
    """Results of operations as far as their tables are layers of their own."""
    out = {}
    for told in record["operations"]:
        own = {name: tables[name] for name in told["n_rows"] if name in tables}
        values = {key: item["value"] for key, item in told["parameters"].items()}
        out[told["name"]] = Result(told["name"], own, (), values)
    return out
