"""geotrim: measure a waterfront lot and its mangroves, and hold the figures against limits.

Importing the package is cheap: the operations and readers below are loaded when first used.

>>> import geotrim
>>> "frontage" in dir(geotrim)
True
"""

from __future__ import annotations

__version__ = "0.1.0"

#: Public name -> the module that holds it. Loaded at first use.
_PUBLIC = {
    "GeotrimError": "geotrim.errors",
    "CanopyGrid": "geotrim.model",
    "Facts": "geotrim.model",
    "Setback": "geotrim.model",
    "Site": "geotrim.model",
    "frontage": "geotrim.ops.frontages",
    "riparian_lines": "geotrim.ops.riparian",
    "fringe": "geotrim.ops.fringes",
    "zone": "geotrim.ops.zones",
    "setbacks": "geotrim.ops.setback_flags",
    "heights": "geotrim.ops.canopy",
    "slices": "geotrim.ops.canopy",
    "route": "geotrim.ops.route",
    "consequence": "geotrim.ops.consequences",
    "measure": "geotrim.ops.chain",
    "read_site": "geotrim.io.site_file",
    "read_layer": "geotrim.io.vectors",
    "open_heights": "geotrim.io.rasters",
    "run_site": "geotrim.run",
    "prepare_input": "geotrim.prepare.work",
    "GivenFile": "geotrim.prepare.task",
}

__all__ = ["__version__", *_PUBLIC]


def __getattr__(name: str) -> object:
    if name not in _PUBLIC:
        raise AttributeError(f"module 'geotrim' has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(_PUBLIC[name]), name)


def __dir__() -> list[str]:
    return sorted(__all__)
