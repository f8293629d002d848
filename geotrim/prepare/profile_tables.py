"""Tables of leaf-area profiles: one row a layer, one row a crown, and the latter in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.core.leaf_area import LeafProfiles, band_shares
from geotrim.core.leaf_weights import (
    LayerWeights,
    cut_heights_ft,
    foliage_bases_ft,
    layer_weights,
    share_above,
)

Floats = npt.NDArray[np.float64]
#: Share of the leaf area off the top for which a cut height is told: the most that may come off
#: within a year of a tree of 16 ft or more. Source: s. 403.9326(3) and s. 403.9327(1)(c) F.S.
QUARTER = 0.25
#: Rows of the terminal's table.
MOST_ROWS = 20


def layer_table(ids: list[str], profiles: LeafProfiles) -> Any:
    """Layers of every crown with a profile, from the ground up to its highest return."""
    import pandas as pd

    has_more = profiles.n_out < profiles.n_pulses[:, None]  # something stops here or above
    crown, layer = np.nonzero(has_more & profiles.is_measured[:, None])
    return pd.DataFrame(
        {
            "crown_id": np.asarray(ids, dtype=object)[crown],
            "low_ft": profiles.leaf_low_ft[crown, layer],
            "high_ft": profiles.leaf_high_ft[crown, layer],
            "n_in": profiles.n_in[crown, layer],
            "n_out": profiles.n_out[crown, layer],
            "leaf_density_perft": profiles.density_perft[crown, layer],
            "weight_frac": profiles.weight_frac[crown, layer],
            "is_capped": profiles.is_capped[crown, layer],
        }
    )


def weights_of(profiles: LeafProfiles) -> LayerWeights:
    """The layers of profiles as weights."""
    crown, layer = np.nonzero(np.nan_to_num(profiles.weight_frac) > 0.0)
    low, high = (side[crown, layer] for side in (profiles.leaf_low_ft, profiles.leaf_high_ft))
    n = len(profiles.n_pulses)
    return layer_weights(n, crown, low, high, profiles.weight_frac[crown, layer])


def summary_table(
    crowns: Any,
    profiles: LeafProfiles,
    highest_ft: Floats,
    n_returns: Any,
    n_no_ground: Any,
    params: Mapping[str, Any],
) -> Any:
    """One row a crown: pulses, top, base, shares with their error, and why there is no profile."""
    import geopandas as gpd

    low, high = params["band_ft"]
    layers = weights_of(profiles)
    share, error = band_shares(profiles, low, high)
    over = share_above(layers, high)
    few = profiles.n_pulses < params["min_pulses"]
    told = [f"{pulses(n)} pulses, fewer than {params['min_pulses']:,}" for n in profiles.n_pulses]
    reason = np.where(few, told, "no pulse stopped above the ground")
    reason = np.where(profiles.is_measured, "", reason)
    return gpd.GeoDataFrame(
        {
            "crown_id": crowns["crown_id"].to_numpy(dtype=object),
            "n_pulses": profiles.n_pulses,
            "n_returns": n_returns,
            "n_returns_no_ground": n_no_ground,
            "top_ft": np.where(np.isfinite(highest_ft), highest_ft, np.nan),
            "foliage_base_ft": foliage_bases_ft(layers, params["base_weight_frac"]),
            "unseen_below_ft": profiles.unseen_below_ft,
            "is_capped": profiles.is_capped.any(axis=1),
            "band_low_ft": float(low),
            "band_high_ft": float(high),
            "share_under_frac": 1.0 - share - over,
            "share_band_frac": share,
            "share_band_error_frac": error,
            "share_over_frac": over,
            "quarter_cut_ft": cut_heights_ft(layers, QUARTER),
            "reason": reason,
        },
        geometry=np.asarray(crowns.geometry.array),
        crs=crowns.crs,
    )


def pulses(n: float) -> str:
    """A number of pulses, which may be a part of one.

    Examples
    --------
    >>> pulses(12345.0), pulses(2.4999), pulses(0.0)
    ('12,345', '2.5', '0')
    """
    return f"{n:,.0f}" if n >= 10.0 else f"{n:.2g}"


def words_of(summary: Any, params: Mapping[str, Any]) -> str:
    """The profiles as the terminal prints them."""
    low, high = params["band_ft"]
    done = summary[summary["reason"] == ""]
    lines = [
        f"Leaf-area profiles of {len(done)} of {len(summary)} crowns, in layers of "
        f"{params['layer_ft']:g} ft.",
        f"  {'crown':<16}{'pulses':>9}{'top, ft':>10}{'base, ft':>10}"
        f"{f'{low:g}-{high:g} ft':>12}{'error':>9}",
    ]
    for row in done.head(MOST_ROWS).itertuples():
        name = str(row.crown_id)
        name = name if len(name) <= 15 else name[:12] + "..."
        is_known = np.isfinite(row.share_band_error_frac)  # else it is a guess
        share = row.share_band_frac if is_known else np.nan
        lines.append(
            f"  {name:<16}{row.n_pulses:>9,.0f}{_number(row.top_ft, 10)}"
            f"{_number(row.foliage_base_ft, 10)}{_number(100 * share, 12, ' %')}"
            f"{_number(100 * row.share_band_error_frac, 9, ' %')}"
        )
    if len(done) > MOST_ROWS:
        lines.append(f"  and {len(done) - MOST_ROWS} more, see profile_summary.csv")
    lines.append("Error: of sampling by pulses alone, as a standard error.")
    lost = done[done["share_band_error_frac"].isna()]
    is_blind = lost["unseen_below_ft"] > low
    for n, why in (
        (int(is_blind.sum()), "no pulse came down to some of the band"),
        (int((~is_blind).sum()), "all leaves lie in one layer, which the band cuts"),
    ):
        if n:
            crowns = f"({n} {'crown' if n == 1 else 'crowns'})"
            lines.append(f"-: {why} {crowns}, so its share is not known.")
    return "\n".join(lines)


def _number(value: float, width: int, unit: str = "") -> str:
    """A number of one place in a column; a dash where it is not known.

    Examples
    --------
    >>> _number(12.34, 8), _number(50.0, 8, " %"), _number(float("nan"), 8, " %")
    ('    12.3', '  50.0 %', '       -')
    """
    return f"{f'{value:.1f}{unit}' if np.isfinite(value) else '-':>{width}}"
