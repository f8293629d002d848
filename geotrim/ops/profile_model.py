"""The canopy model ``profile``: volume spread over heights as lidar returns say leaf area is."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from geotrim.checks import check_columns
from geotrim.core.leaf_weights import (
    LayerWeights,
    foliage_bases_ft,
    foliage_tops_ft,
    layer_weights,
    share_above,
)
from geotrim.errors import RangeError

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: A raster's top this far outside the highest layer with leaves is told. Common practice, no
#: source: the gap at which field heights are told as well. [ft]
FAR_OFF_FT = 3.0
COLUMNS = ("crown_id", "low_ft", "high_ft", "weight_frac")


class ProfileModel:
    """Leaf-area weights of the crowns, in their order.

    Parameters
    ----------
    crowns : DataFrame
        ``crown_id``.
    profiles : DataFrame or None
        ``crown_id``, ``low_ft``, ``high_ft``, ``weight_frac`` and, where known, ``is_capped``.
        Rows of other crowns are left aside.
    shift_ft : float
        Taken off every height of the raster, so that heights are looked up that much higher. [ft]

    Raises
    ------
    GeotrimError
        If there are no profiles, or layers that cannot be.
    """

    def __init__(self, crowns: Any, profiles: Any, shift_ft: float = 0.0) -> None:
        if profiles is None:
            raise RangeError(
                "canopy_model 'profile'",
                "no profiles",
                "leaf-area weights of the crowns by layers of height",
                "make them from a lidar cloud with geotrim prepare profiles, or choose another "
                "canopy_model",
            )
        check_columns(profiles, COLUMNS, "profiles")
        ids = pd.Index(crowns["crown_id"].astype(str))
        at = ids.get_indexer(profiles["crown_id"].astype(str))
        rows = profiles[at >= 0]
        low, high, weight = (rows[name].to_numpy(dtype=np.float64) for name in COLUMNS[1:])
        self.layers: LayerWeights = layer_weights(len(ids), at[at >= 0], low, high, weight)
        self.shift_ft = shift_ft
        self.is_capped: Flags = np.zeros(len(ids), dtype=bool)
        if "is_capped" in rows.columns:
            self.is_capped[at[at >= 0][rows["is_capped"].to_numpy(dtype=bool)]] = True

    @property
    def is_known(self) -> Flags:
        """(n,) the crown has a profile."""
        return self.layers.is_known

    @property
    def base_ft(self) -> Floats:
        """(n,) lower side of the lowest layer with leaves; NaN without a profile. [ft]."""
        return np.maximum(foliage_bases_ft(self.layers) - self.shift_ft, 0.0)

    def above(self, height_ft: npt.ArrayLike) -> Floats:
        """(n,) share of each crown's leaves above a height, as heights are read. 1 above 0."""
        height = np.asarray(height_ft, dtype=np.float64)
        share = share_above(self.layers, height + self.shift_ft)
        return np.where((height <= 0.0) & self.is_known, 1.0, share)

    def is_far_from(self, top_ft: Floats) -> Flags:
        """(n,) the top that was seen lies well over or under the highest layer with leaves."""
        low, high = foliage_tops_ft(self.layers)
        top = top_ft + self.shift_ft
        return (top > high + FAR_OFF_FT) | (top < low - FAR_OFF_FT)
