"""What lies in a folder, and which part each file may play in a site."""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path

from geotrim.errors import GeotrimError
from geotrim.io.layers import PARQUET, LayerSchema, layer_schema, list_layers
from geotrim.io.repair import listed
from geotrim.model import Note

VECTOR_SUFFIXES = (
    ".gpkg",
    ".shp",
    ".geojson",
    ".json",
    ".fgb",
    ".gml",
    ".kml",
    ".zip",
    ".gdb",
    *PARQUET,
)
RASTER_SUFFIXES = (".tif", ".tiff", ".vrt", ".img", ".asc", ".bil", ".jp2")

#: Role -> kind of geometry, and words in a layer's or file's name that point to it. The first role
#: that fits takes the layer, so the narrower words come first.
ROLE_WORDS: dict[str, tuple[str, tuple[str, ...]]] = {
    "neighbours": ("polygon", ("neighbour", "neighbor", "adjoining", "adjacent", "abutting")),
    "exclusions": ("polygon", ("exclusion", "excluded", "easement")),
    "set_aside": (
        "polygon",
        ("setaside", "aside", "conservation", "preserve", "mitigation", "reserve"),
    ),
    "mouth_line": ("line", ("mouth",)),
    "mhw_line": (
        "line",
        ("mhw", "mhwl", "high", "shore", "shoreline", "coast", "coastline", "waterline"),
    ),
    "channel": ("line", ("channel", "canal", "thread", "thalweg", "fairway")),
    "eyes": ("point", ("eye", "view", "viewpoint", "viewer", "lookout")),
    "trunks": ("point", ("trunk", "stem", "bole", "tree")),
    "crowns": ("polygon", ("crown", "canopy", "canopie", "tree", "mangrove")),
    "lots": ("polygon", ("lot", "parcel", "property", "propertie", "tract")),
}
#: Names of the two kinds of land are alike, and what follows from them is not.
SET_ASIDE_DOUBT = (
    "it can take exemptions away; land that is only to be kept clear belongs in [exclusions]"
)
EXCLUSIONS_DOUBT = (
    "it is kept clear and nothing else follows; if it is set aside for conservation or as "
    "mitigation, say so in [set_aside] or [facts]"
)
HEIGHTS_DOUBT = "check that {!r} was measured on site, from the substrate"
#: Words that point to a raster of heights above the ground, and to one of something else.
HEIGHT_WORDS = ("height", "chm", "canopy", "ndsm", "hag")
OTHER_RASTER_WORDS = (
    "dem",
    "dtm",
    "dsm",
    "ground",
    "elevation",
    "ortho",
    "image",
    "slope",
    "aerial",
)
#: Words that point to a raster of elevations of the ground.
GROUND_WORDS = ("dem", "dtm", "ground", "terrain", "bathymetry", "topobathy")
#: Key of a site file -> field names that usually hold it, by role.
FIELD_NAMES: dict[tuple[str, str], tuple[str, ...]] = {
    ("lots", "id_field"): ("lot_id", "lot", "parcel_id", "parcel", "parcel_no", "folio", "id"),
    ("neighbours", "id_field"): (
        "lot_id",
        "lot",
        "parcel_id",
        "parcel",
        "parcel_no",
        "folio",
        "id",
    ),
    ("crowns", "id_field"): ("crown_id", "crown", "tree_id", "tree_no", "tree", "id"),
    ("crowns", "species_field"): ("species", "common_name", "taxon", "kind"),
    ("crowns", "height_field"): (
        "field_height_ft",
        "field_height_m",
        "field_height",
        "height_ft",
        "height_m",
    ),
    ("crowns", "base_height_field"): (
        "base_height_ft",
        "base_height_m",
        "base_height",
        "crown_base_ft",
        "crown_base_m",
        "crown_base",
        "crown_base_height_ft",
        "crown_base_height_m",
        "crown_base_height",
        "lowest_foliage_ft",
        "lowest_foliage_m",
        "lowest_foliage",
    ),
    ("crowns", "target_height_field"): ("target_height_ft", "target_height_m", "target_height"),
    ("crowns", "trim_field"): ("is_to_trim", "to_trim", "trim"),
    ("crowns", "keep_field"): ("keep", "keep_why", "why_kept"),
    ("eyes", "id_field"): ("eye_id", "eye", "viewpoint_id", "viewpoint", "name", "id"),
    ("eyes", "height_field"): (
        "eye_height_ft",
        "eye_height_m",
        "eye_height",
        "eye_h_ft",
        "eye_h_m",
        "eye_h",
        "eye_ht",
        "height_ft",
        "height_m",
        "height",
        "ht_ft",
        "ht_m",
        "ht",
    ),
    ("eyes", "elevation_field"): (
        "eye_elevation_ft",
        "eye_elevation_m",
        "eye_elevation",
        "elevation_ft",
        "elevation_m",
        "elevation",
    ),
    ("trunks", "crown_id_field"): ("crown_id", "crown", "tree_id", "tree_no", "tree"),
    ("channel", "name_field"): ("name",),
    ("mouth_line", "name_field"): ("name",),
    ("exclusions", "name_field"): ("name",),
    ("set_aside", "name_field"): ("name",),
}


@dataclass(frozen=True, slots=True)
class Found:
    """One layer or raster in the folder."""

    path: Path
    schema: LayerSchema | None = None
    n_layers: int = 1

    @property
    def name(self) -> str:
        """How a note calls it."""
        if self.schema is None or self.n_layers == 1:
            return self.path.name
        return f"{self.path.name}, layer {self.schema.name}"


def overlays_in(folder: Path) -> list[str]:
    """Names of the rule files of local governments in a folder."""
    found = []
    for path in sorted(folder.glob("*.toml")):
        try:
            head = tomllib.loads(path.read_text(encoding="utf-8")).get("file")
        except (OSError, ValueError):
            continue
        if isinstance(head, dict) and head.get("kind") == "overlay":
            found.append(path.name)
    return found


def look_in(folder: Path, notes: list[Note]) -> tuple[list[Found], list[Found]]:
    """Vector layers and rasters in a folder; files that cannot be read are told."""
    vectors: list[Found] = []
    rasters: list[Found] = []
    for path in sorted(folder.iterdir()):
        suffix = path.suffix.lower()
        if path.name.startswith("."):
            continue
        if suffix in RASTER_SUFFIXES:
            rasters.append(Found(path))
        elif suffix in VECTOR_SUFFIXES:
            try:
                names = list_layers(path, subject=path.name)
                schemas = [layer_schema(path, name, subject=path.name) for name in names]
            except GeotrimError as error:
                notes.append(Note(path.name, f"left out: {error.found}", "missing"))
                continue
            vectors += [Found(path, s, len(names)) for s in schemas if s.kind != "none"]
    return vectors, rasters


def _words(found: Found) -> list[set[str]]:
    """Words of the layer's name, then of the file's, plural s taken off."""
    names = [found.path.stem] if found.schema is None else [found.schema.name, found.path.stem]
    parts = [re.split(r"[^a-z]+", re.sub(r"(?<=[a-z])(?=[A-Z])", "_", n).lower()) for n in names]
    return [{word.rstrip("s") for word in words if word} for words in parts]


def guess_roles(
    vectors: list[Found], rasters: list[Found]
) -> tuple[dict[str, Found], dict[str, str]]:
    """Role -> layer, and role -> why it is only a guess."""
    roles: dict[str, Found] = {}
    doubts: dict[str, str] = {}
    free = list(vectors)
    for which in (0, 1):  # the layer's own name speaks first, then the file's
        for role, (kind, words) in ROLE_WORDS.items():
            fits = [v for v in free if _fits(v, kind) and set(words) & _words(v)[which]]
            if role in roles or not fits:
                continue
            roles[role] = fits[0]
            free.remove(fits[0])
            if len(fits) > 1:
                doubts[role] = f"also possible: {listed(v.name for v in fits[1:])}"
    _tell_land(roles, doubts)
    for role in ("lots", "mhw_line"):
        rest = [v for v in free if _fits(v, ROLE_WORDS[role][0])]
        if role not in roles and len(rest) == 1:
            roles[role] = rest[0]
            free.remove(rest[0])
            doubts[role] = f"a guess: the only {ROLE_WORDS[role][0]} layer left"
    heights = [r for r in rasters if _words(r)[0] & set(HEIGHT_WORDS)]
    heights = heights or [r for r in rasters if not _words(r)[0] & set(OTHER_RASTER_WORDS)]
    if heights:
        roles["heights"] = heights[0]
        if len(heights) > 1:
            doubts["heights"] = f"also possible: {listed(r.name for r in heights[1:])}"
        elif not _words(heights[0])[0] & set(HEIGHT_WORDS):
            doubts["heights"] = "a guess: check that it holds heights above the ground"
    grounds = [r for r in rasters if r not in heights and _words(r)[0] & set(GROUND_WORDS)]
    if grounds:
        roles["ground"] = grounds[0]
        if len(grounds) > 1:
            doubts["ground"] = f"also possible: {listed(r.name for r in grounds[1:])}"
    return roles, doubts


def _tell_land(roles: dict[str, Found], doubts: dict[str, str]) -> None:
    """Say what it means that land was given to one of two roles with names alike."""
    told = {"set_aside": SET_ASIDE_DOUBT} if "set_aside" in roles else {}
    words = set(ROLE_WORDS["set_aside"][1])
    if "exclusions" in roles and any(words & some for some in _words(roles["exclusions"])):
        told["exclusions"] = EXCLUSIONS_DOUBT
    for role, text in told.items():
        doubts[role] = "; ".join(part for part in (doubts.get(role), text) if part)


def _fits(found: Found, kind: str) -> bool:
    return found.schema is not None and found.schema.kind in (kind, "mixed")


def usual_field_of(schema: LayerSchema, role: str, key: str) -> str | None:
    """The field that usually holds a key: "Tree No." is taken for tree_no."""
    fields = {re.sub(r"[^a-z0-9]", "", name.lower()): name for name in schema.fields}
    usual = (name.replace("_", "") for name in FIELD_NAMES[role, key])
    return next((fields[name] for name in usual if name in fields), None)
