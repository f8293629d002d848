"""Jurisdictions into the working folder."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import shapely

from geotrim.io.places import Places
from geotrim.io.site_layers import Loading
from geotrim.io.site_load import named_layer
from geotrim.screen.store import JURISDICTIONS, Store, write_table


def read_places(run: Loading, store: Store) -> Places:
    """Read the layer and leave its outlines in the working folder; empty without a layer."""
    table = named_layer(run, "jurisdictions", ("polygon",))
    if table is not None:
        wkb = pa.array(shapely.to_wkb(np.asarray(table.geometry.array)), pa.binary())
        names = pa.array(list(table["name"]), pa.string())
        write_table(store.jurisdictions, pa.table([names, wkb], schema=JURISDICTIONS))
    return Places.of_table(table)
