"""Tables of a field survey as they are written: crowns, trunks, the clean table, the conflicts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely

from geotrim.core.field_conflicts import Conflict, GivenCrowns
from geotrim.core.field_crowns import NONE, TrunkJoin
from geotrim.io.crs import horizontal, plan_move
from geotrim.io.field_table import LENGTHS
from geotrim.io.fields import text_ids
from geotrim.io.gpx import TOLD, Waypoint, description_of
from geotrim.io.site_layers import code_of
from geotrim.prepare.survey_trees import Survey, species_note
from geotrim.units import feet_per_map_unit

#: Where a crown's shape comes from.
GIVEN, MADE = "given", "spreads"
#: Last word of the columns of positions, by the length of a map unit in international feet.
_MAP_UNITS = ((1.0, "ft"), (1.000002, "us_ft"), (1 / 0.3048, "m"))
#: Decimals of lengths and of degrees in the clean table: a millionth of a foot, 0.1 mm.
DECIMALS, DEGREE_DECIMALS = 6, 9


def crowns_made(survey: Survey, join: TrunkJoin | None) -> list[int]:
    """Trees that get a crown of their own: with spreads, and in no given crown."""
    shapes = survey.trees.ellipses
    return [
        tree
        for tree in range(len(shapes))
        if shapes[tree] is not None and (join is None or join.crown_of_tree[tree] == NONE)
    ]


def own_ids(survey: Survey, given: GivenCrowns | None) -> tuple[list[str], bool]:
    """Ids of crowns made of spreads, one a tree; and whether they had to be told from given ones.

    A crown made is called as its tree. Where a given crown has such an id, all are "tree T1".
    """
    taken = set() if given is None else {name.casefold() for name in given.ids}
    ids = list(survey.trees.ids)
    is_clash = any(name.casefold() in taken for name in ids)
    prefix = ""
    while any((prefix + name).casefold() in taken for name in ids):
        prefix += "tree "
    return [prefix + name for name in ids], is_clash


def crown_layer(
    survey: Survey,
    given_rows: Any,
    given: GivenCrowns | None,
    join: TrunkJoin | None,
    joined: Any,
    conflicts: Sequence[Conflict],
) -> Any:
    """Given crowns, then crowns made of spreads, with what the field says of each.

    Parameters
    ----------
    given_rows : GeoDataFrame or None
        Rows of the given layer, whose other fields are carried along.
    joined : (trees,) array
        Crown that each tree is joined to, -1 for none.
    conflicts : sequence
        In the order of their numbers.
    """
    import geopandas as gpd
    import pandas as pd

    contradicted = {c.tree for c in conflicts if c.kind == "species-contradict"}
    parts = []
    if given is not None:
        tree_of = {int(k): tree for tree, k in enumerate(joined) if k >= 0}
        told = [
            _told_of(survey, tree_of.get(k), given, k, contradicted) for k in range(len(given.ids))
        ]
        data = pd.DataFrame(told).astype({"tag": object, "species": object})
        rest = _carried(given_rows, data)
        parts.append(pd.concat([data, rest], axis=1).assign(geometry=given.shapes))
    ids, _ = own_ids(survey, given)
    made = crowns_made(survey, join)
    if made:
        told = [_told_of_own(survey, tree, ids[tree]) for tree in made]
        parts.append(pd.DataFrame(told).assign(geometry=survey.trees.ellipses[made]))
    if not parts:
        return None
    table = pd.concat([part.astype(object) for part in parts], ignore_index=True)
    of_given = [] if given is None else [_numbers(conflicts, crown=name) for name in given.ids]
    table["conflicts"] = [*of_given, *(_numbers(conflicts, tree=tree) for tree in made)]
    crowns = gpd.GeoDataFrame(table, geometry="geometry", crs=survey.rows.crs)
    factor = feet_per_map_unit(crowns.crs, "crowns")
    crowns["crown_area_ft2"] = crowns.area.to_numpy() * factor**2
    return crowns


def _told_of(
    survey: Survey, tree: int | None, given: GivenCrowns, k: int, contradicted: set[int]
) -> dict[str, Any]:
    """Fields of a given crown, with those of the tree joined to it."""
    is_open = tree in contradicted
    field = None if tree is None else survey.trees.species[tree]
    return {
        "crown_id": given.ids[k],
        "tag": None if tree is None else survey.trees.ids[tree],
        "species": None if is_open else field or given.species[k],
        "height_ft": np.nan if tree is None else survey.trees.height_ft[tree],
        "base_height_ft": np.nan if tree is None else survey.base_height_ft[tree],
        "crown_from": GIVEN,
        "field_species": field,
        "given_species": given.species[k],
        "given_height_ft": given.height_ft[k],
    }


def _told_of_own(survey: Survey, tree: int, name: str) -> dict[str, Any]:
    species = survey.trees.species[tree]
    return {
        "crown_id": name,
        "tag": survey.trees.ids[tree],
        "species": species,
        "height_ft": survey.trees.height_ft[tree],
        "base_height_ft": survey.base_height_ft[tree],
        "crown_from": MADE,
        "field_species": species,
        "given_species": None,
        "given_height_ft": np.nan,
    }


def _carried(rows: Any, told: Any) -> Any:
    """Other fields of the given crowns; of one named as ours, "given" stands before its name.

    Species and height are not carried twice, where ``told`` has them from the same field.
    """
    ours = {name.casefold() for name in (*told.columns, "conflicts", "crown_area_ft2", "geom")}
    out = rows.drop(columns=[rows.geometry.name]).reset_index(drop=True)
    for name in list(out.columns):
        new = f"given_{name}"
        if name.casefold() in ("crown_id", "fid") or _is_told(out[name], told, new):
            out = out.drop(columns=[name])
        elif name.casefold() in ours:
            out = out.rename(columns={name: f"{new}_field" if new.casefold() in ours else new})
    return out


def _is_told(column: Any, told: Any, name: str) -> bool:
    return name in told.columns and text_ids(column) == text_ids(told[name])


def _numbers(
    conflicts: Sequence[Conflict], *, crown: str | None = None, tree: int | None = None
) -> str | None:
    """Numbers of the conflicts about a given crown, or a tree, as their list has them."""
    told = [
        str(k)
        for k, one in enumerate(conflicts, start=1)
        if crown in one.crowns or tree in one.trees
    ]
    return ", ".join(told) or None


def trunk_layer(
    survey: Survey,
    given: GivenCrowns | None,
    join: TrunkJoin | None,
    conflicts: Sequence[Conflict],
) -> Any:
    """Trunks with a position, and the crown each stands in; none where that is in conflict."""
    rows = survey.rows.copy()
    crown_id, origin = crown_of_rows(survey, given, join)
    table = rows[["tag", "stem", "species", "height_ft", "date", "who", "geometry"]].copy()
    table.insert(0, "crown_id", crown_id)
    table.insert(1, "crown_from", origin)
    table["conflicts"] = [
        _numbers(conflicts, tree=tree) for tree in survey.group.tree_of_row.tolist()
    ]
    return table[table.geometry.notna()]


def crown_of_rows(
    survey: Survey, given: GivenCrowns | None, join: TrunkJoin | None
) -> tuple[list[str | None], list[str | None]]:
    """Id of the crown each row's trunk stands in, and where that crown comes from."""
    ids, _ = own_ids(survey, given)
    made = set(crowns_made(survey, join))
    crown_id: list[str | None] = []
    origin: list[str | None] = []
    for tree in survey.group.tree_of_row.tolist():
        at = NONE if join is None else int(join.crown_of_tree[tree])
        if given is not None and at >= 0:
            crown_id.append(given.ids[at])
            origin.append(GIVEN)
        else:
            crown_id.append(ids[tree] if tree in made else None)
            origin.append(MADE if tree in made else None)
    return crown_id, origin


def clean_table(survey: Survey, given: GivenCrowns | None, join: TrunkJoin | None) -> Any:
    """The field table again, one row a row: units in the names, positions twice, crowns beside it.

    Reading it back gives the same rows (:func:`geotrim.io.field_table.read_field_table`).
    """
    import pandas as pd

    rows = survey.rows
    lon, lat = degrees_of(rows)
    unit = map_unit_of(rows.crs)
    crown_id, origin = crown_of_rows(survey, given, join)
    bare = rows.geometry.isna().to_numpy()
    xy = [(np.nan, np.nan) if shape is None else (shape.x, shape.y) for shape in rows.geometry]
    easting, northing = (np.round([pair[k] for pair in xy], DECIMALS) for k in (0, 1))
    lengths = {f"{name}_ft": np.round(rows[f"{name}_ft"], DECIMALS) for name in LENGTHS}
    return pd.DataFrame(
        {
            **{name: rows[name] for name in ("tag", "stem", "species")},
            **lengths,
            "bearing_deg": rows["bearing_deg"],
            f"easting_{unit}": easting,
            f"northing_{unit}": northing,
            "crs": [None if is_bare else code_of(rows.crs) for is_bare in bare],
            "lon_deg": np.round(lon, DEGREE_DECIMALS),
            "lat_deg": np.round(lat, DEGREE_DECIMALS),
            **{name: rows[name] for name in ("remarks", "date", "who")},
            "crown_id": crown_id,
            "crown_from": origin,
            "species_note": [species_note(name) for name in rows["species"]],
        }
    )


def map_unit_of(crs: Any) -> str:
    """The last word of a column of positions in a CRS.

    Examples
    --------
    >>> map_unit_of(6443), map_unit_of(6442)
    ('us_ft', 'm')
    """
    factor = feet_per_map_unit(crs, "trees")
    return next((word for size, word in _MAP_UNITS if abs(size / factor - 1) < 1e-9), "map_units")


def degrees_of(rows: Any) -> tuple[Any, Any]:
    """Longitude and latitude of points in WGS 84; NaN without a point."""
    from pyproj import CRS

    shapes = np.asarray(rows.geometry.array, dtype=object)
    known = ~shapely.is_missing(shapes)
    lon, lat = np.full(len(shapes), np.nan), np.full(len(shapes), np.nan)
    move = plan_move(
        horizontal(CRS.from_user_input(rows.crs)), CRS.from_epsg(4326), rows.total_bounds, "trees"
    )
    moved = move.apply(shapely.get_coordinates(shapes[known]))
    lon[known], lat[known] = moved[:, 0], moved[:, 1]
    return lon, lat


def waypoints_of(survey: Survey) -> list[Waypoint]:
    """One waypoint a trunk with a position: tag and stem, species and heights, remarks.

    Reading them back gives the same (:func:`geotrim.io.field_table.read_field_table`).
    """
    rows = survey.rows
    lon, lat = degrees_of(rows)
    out = []
    for k, row in enumerate(rows.itertuples(index=False)):
        if not np.isfinite(lon[k]):
            continue
        told = {name: getattr(row, name) for name in TOLD}
        name = row.tag if row.stem is None else f"{row.tag} {row.stem}"
        if row.stem is None:
            told["tag"] = None  # it is the name
        out.append(Waypoint(lon[k], lat[k], name, row.remarks or "", description_of(told)))
    return out


def conflict_table(conflicts: Sequence[Conflict], crs: Any) -> Any:
    """The conflicts, numbered as on the map; a header alone where there are none."""
    import pandas as pd

    unit = map_unit_of(crs)
    columns = ["number", "kind", "tag", "crown_id", "found", "done", "easting", "northing"]
    rows = [
        (k, c.kind, c.tag, ", ".join(c.crowns) or None, c.found, c.done, *np.round((c.x, c.y), 2))
        for k, c in enumerate(conflicts, start=1)
    ]
    table = pd.DataFrame(rows, columns=columns)
    return table.rename(columns={name: f"{name}_{unit}" for name in ("easting", "northing")})
