"""Leaf area layer by layer from lidar returns, after MacArthur and Horn.

A pulse that comes down through a layer of foliage is stopped with a chance that grows with the leaf
area it passes, so the logarithm of what enters over what leaves measures the leaf area between::

    density = ln(n_in / n_out) / (k * depth)

``k`` is the share of a leaf's area that stands in the way, usually taken as 0.5. It is one number
for a whole crown, so it cancels in every share of the crown's leaf area.

References
----------
R. H. MacArthur and H. S. Horn (1969), *Foliage profile by vertical measurements*, Ecology 50 (from
memory). Lidar layers: M. Bouvier et al. (2015), Remote Sensing of Environment 156; A. G. Kamoske et
al. (2019), Forest Ecology and Management (formula read second-hand). J. Arnqvist et al. (2020),
Biogeosciences: methods agree in the shape of a profile and differ by up to 400 % in its total, so
profiles serve as relative weights within one tree and nothing else.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats, Ints
from geotrim.errors import RangeError, ShapeError

Flags = npt.NDArray[np.bool_]

#: What is taken to leave the lowest layer that stops every pulse: half a pulse, the middle between
#: none and one. Common practice for logarithms of counts, no source.
CAP_PULSES = 0.5
#: Leaves of a layer are spread over no less than this, even where all its returns lie closer
#: together: returns of one leaf differ by as much. Common practice, no source. [ft]
LEAST_DEPTH_FT = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class LeafProfiles:
    """Leaf-area profiles of n crowns in m layers of one depth, from the ground up.

    layer_ft : depth of a layer; layer i lies between ``i`` and ``i + 1`` times this. [ft]
    leaf_low_ft, leaf_high_ft : (n, m) where in a layer leaves can be: from the floor, under which
        returns count as from the ground, to the crown's highest return. [ft]
    n_pulses : (n,) pulses counted, the weights of their returns summed.
    n_in, n_out : (n, m) pulses that enter a layer from above, and that leave it below.
    density_perft : (n, m) leaf area in a volume, ft2 in a ft3, where leaves can be. NaN in a layer
        no pulse came to, and in crowns without a profile. [1/ft]
    weight_frac : (n, m) share of the crown's leaf area. It adds up to 1; 0 in a layer no pulse came
        to; NaN in crowns without a profile.
    is_capped : (n, m) the layer let nothing through; half a pulse is taken to have left it.
    """

    layer_ft: float
    leaf_low_ft: Floats
    leaf_high_ft: Floats
    n_pulses: Floats
    n_in: Floats
    n_out: Floats
    density_perft: Floats
    weight_frac: Floats
    is_capped: Flags

    @property
    def is_measured(self) -> Flags:
        """(n,) the crown has a profile."""
        return np.asarray(np.isfinite(self.weight_frac).all(axis=1))

    @property
    def low_ft(self) -> Floats:
        """(m,) lower side of each layer. [ft]."""
        return self.layer_ft * np.arange(self.n_in.shape[1], dtype=np.float64)

    @property
    def unseen_below_ft(self) -> Floats:
        """(n,) no pulse came under this height; 0 where some reached the ground. [ft]."""
        unseen: Floats = self.layer_ft * (self.n_in == 0.0).sum(axis=1)
        return np.where(self.is_measured, unseen, np.nan)


def leaf_area_density(
    n_in: npt.ArrayLike, n_out: npt.ArrayLike, depth: npt.ArrayLike, k: float = 0.5
) -> tuple[Floats, Flags]:
    """Leaf area in a volume for each layer; arrays are broadcast.

    Parameters
    ----------
    n_in : array
        Pulses that enter the layer from above.
    n_out : array
        Pulses that leave it below, at most as many.
    depth : array
        Depth of the layer, above 0; the result is in one over its unit.
    k : float
        Extinction coefficient, above 0.

    Returns
    -------
    density : array
        NaN where nothing enters.
    is_capped : array
        Where something enters and nothing leaves. The density would have no bound; half a pulse
        (or half of what enters, if that is less) is taken to leave.

    Raises
    ------
    RangeError
        If a count is negative or not finite, more leaves than enters, or depth or k is not above 0.

    Examples
    --------
    >>> density, is_capped = leaf_area_density([1000.0, 10.0, 0.0], [700.0, 0.0, 0.0], 1.0)
    >>> density.round(6).tolist(), is_capped.tolist()
    ([0.71335, 5.991465, nan], [False, True, False])
    """
    enters, leaves, deep = np.broadcast_arrays(
        *(np.asarray(a, dtype=np.float64) for a in (n_in, n_out, depth))
    )
    if not ((leaves >= 0.0) & (enters >= leaves) & np.isfinite(enters)).all():
        need = "counts from 0 up, of which no more leave a layer than enter it"
        raise RangeError("n_in and n_out", "others", need, "count from the top down")
    if not (k > 0.0 and (deep > 0.0).all()):
        raise RangeError("k and depth", f"k {k:g}", "both above 0", "correct the one that is not")
    with np.errstate(invalid="ignore", divide="ignore"):
        density = np.log(enters / _passed(enters, leaves)) / (k * deep)
    is_capped: Flags = np.asarray((leaves == 0.0) & (enters > 0.0))
    return np.where(enters > 0.0, density, np.nan), is_capped


def _passed(n_in: Floats, n_out: Floats) -> Floats:
    """What leaves a layer, where nothing does half a pulse or half of what enters."""
    return np.where(n_out > 0.0, n_out, np.minimum(CAP_PULSES, n_in / 2.0))


def count_returns(
    crown: Ints,
    height_ft: Floats,
    weight: Floats,
    is_ground: Flags,
    *,
    n_crowns: int,
    n_layers: int,
    layer_ft: float,
    floor_ft: float,
) -> Floats:
    """Returns of each crown and layer; counts of parts of a cloud add up to those of the whole.

    Parameters
    ----------
    crown : (r,) array
        Number of the crown each return is in, from 0.
    height_ft : (r,) array
        Above the substrate. A layer holds its lower side and not its upper one. [ft]
    weight : (r,) array
        What a return counts, in pulses.
    is_ground : (r,) array
        Returns that are known to come from the ground, whatever their height.
    n_crowns, n_layers : int
    layer_ft : float
        Depth of a layer. [ft]
    floor_ft : float
        Returns lower than this count as from the ground. [ft]

    Returns
    -------
    counts : (n_crowns, 1 + n_layers) array
        First what reached the ground, then the layers from the ground up. Returns over the highest
        layer are left out.

    Examples
    --------
    >>> height = np.array([0.1, 1.9, 2.0, 0.9])
    >>> ground = np.array([False, False, False, True])
    >>> count_returns(np.zeros(4, dtype=int), height, np.ones(4), ground,
    ...               n_crowns=1, n_layers=2, layer_ft=2.0, floor_ft=0.5).tolist()
    [[2.0, 1.0, 1.0]]
    """
    down = is_ground | (height_ft < floor_ft)
    layer = np.where(down, 0, 1 + np.floor(np.maximum(height_ft, 0.0) / layer_ft))
    inside = layer <= n_layers
    cell = crown[inside] * (1 + n_layers) + layer[inside].astype(np.int64)
    n_cells = n_crowns * (1 + n_layers)
    counts = np.bincount(cell, weights=weight[inside], minlength=n_cells).astype(np.float64)
    return counts.reshape(n_crowns, 1 + n_layers)


def leaf_profiles(
    counts: Floats,
    *,
    layer_ft: float,
    k: float = 0.5,
    min_pulses: float = 30.0,
    floor_ft: float = 0.0,
    top_ft: npt.ArrayLike = np.inf,
) -> LeafProfiles:
    """Profiles of many crowns from their returns.

    Parameters
    ----------
    counts : (n, 1 + m) array
        As :func:`count_returns` gives them. [pulses]
    layer_ft : float
        Depth of a layer. [ft]
    k : float
        Extinction coefficient.
    min_pulses : float
        Crowns with fewer have no profile; nor has a crown that stopped no pulse at all.
    floor_ft : float
        As in :func:`count_returns`: no leaves are counted under it. [ft]
    top_ft : float or (n,) array
        Highest return of each crown: there are no leaves over it. [ft]

    Raises
    ------
    GeotrimError
        If the counts are no table of layers, or a number does not fit.

    Notes
    -----
    What leaves the lowest layer is what reached the ground. Where nothing did, the lowest layer in
    which a return was seen is capped (:func:`leaf_area_density`), and the layers under it are
    undefined: no weight, and ``unseen_below_ft`` tells of them.

    Pulses that pass beside the foliage do change the weights, although they stop nowhere: they make
    the crown look thinner, and the correction for what is hidden below smaller. So a crown should
    be outlined at its edge, and not as a box around it.

    Leaf area lies evenly in that part of a layer where leaves can be; else deep layers would put
    leaves over a crown's own top, and near the ground where none were counted.

    Examples
    --------
    >>> found = leaf_profiles(np.array([[25.0, 25.0, 50.0]]), layer_ft=2.0)
    >>> found.weight_frac.tolist(), found.n_out.tolist()
    ([[0.5, 0.5]], [[25.0, 50.0]])
    """
    if counts.ndim != 2 or counts.shape[1] < 2:
        found = f"an array of shape {counts.shape}"
        raise ShapeError("counts", found, "a row a crown: ground, then layers", "count again")
    below = np.cumsum(counts, axis=1)
    n_in, n_out, n_pulses = below[:, 1:], below[:, :-1], below[:, -1]
    low, high = _leaf_sides(below[:, 1:].shape, layer_ft, floor_ft, top_ft)
    density, is_capped = leaf_area_density(n_in, n_out, high - low, k)
    known = np.nan_to_num(density) * (high - low)
    total = known.sum(axis=1)
    is_measured = (n_pulses >= min_pulses) & (total > 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        weight = known / total[:, None]
    return LeafProfiles(
        layer_ft=layer_ft,
        leaf_low_ft=low,
        leaf_high_ft=high,
        n_pulses=n_pulses,
        n_in=n_in,
        n_out=n_out,
        density_perft=np.where(is_measured[:, None], density, np.nan),
        weight_frac=np.where(is_measured[:, None], weight, np.nan),
        is_capped=is_capped & is_measured[:, None],
    )


def _leaf_sides(
    shape: tuple[int, ...], layer_ft: float, floor_ft: float, top_ft: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Where in each layer leaves can be; a layer all under the floor or over the top as it is."""
    least = min(LEAST_DEPTH_FT, layer_ft)
    under = np.broadcast_to(layer_ft * np.arange(shape[1], dtype=np.float64), shape)
    over = under + layer_ft
    low = np.where((under < floor_ft) & (floor_ft < over), floor_ft, under)
    low = np.minimum(low, over - least)
    top = np.broadcast_to(np.asarray(top_ft, dtype=np.float64), shape[:1])[:, None]
    high = np.where((under <= top) & (top < over), np.maximum(top, low + least), over)
    return low, high


def band_shares(profiles: LeafProfiles, low_ft: float, high_ft: float) -> tuple[Floats, Floats]:
    """Share of each crown's leaf area between two heights, and its standard error of sampling.

    Parameters
    ----------
    profiles : LeafProfiles
    low_ft, high_ft : float
        Leaf area lies evenly where in a layer it can be, so a layer that is cut counts in part.
        [ft]

    Returns
    -------
    share_frac, error_frac : (n,) arrays
        NaN for crowns without a profile.

    Notes
    -----
    Of pulses that come into a layer independently of one another, those that leave it are binomial,
    so ``y = ln(n_in / n_out)`` has variance ``1 / n_out - 1 / n_in`` to first order, and layers do
    not covary. The share is ``S = sum(b y) / sum(y)``, with b the part of each layer inside, and by
    the delta method ``var(S) = sum((b - S)^2 var(y)) / sum(y)^2``.

    That holds where each pulse stops once (first returns). Where a pulse is shared out among its
    returns it is an upper bound: drawing one return of each pulse by its share gives the same means
    and adds variance to every sum of layers. What is left out is larger for most crowns: leaves
    that stand in clumps, slant paths, ground that is set too high.

    Where no pulse stopped in the band the error is the share that one pulse would have made. Where
    none came to some of it, nothing is known of what is there, and the error is NaN. It is NaN too
    where all leaves are in one layer and the band ends inside it: the share is then a guess at how
    they lie, of which pulses tell nothing. An error over 1 says no more than 1, and is told as
    that.
    """
    if not high_ft > low_ft:
        raise RangeError("band", f"{low_ft:g} to {high_ft:g} ft", "heights that rise", "swap them")
    low, high = profiles.leaf_low_ft, profiles.leaf_high_ft
    inside = np.clip(np.minimum(high, high_ft) - np.maximum(low, low_ft), 0.0, None)
    part = inside / (high - low)
    share: Floats = (profiles.weight_frac * part).sum(axis=1)
    n_in, n_out = profiles.n_in, _passed(profiles.n_in, profiles.n_out)
    with np.errstate(invalid="ignore", divide="ignore"):
        stopped = np.where(n_in > 0.0, np.log(n_in / n_out), 0.0)
        variance = np.where(n_in > 0.0, 1.0 / n_out - 1.0 / n_in, 0.0)
        total = stopped.sum(axis=1)
        error = np.sqrt((variance * (part - share[:, None]) ** 2).sum(axis=1)) / total
        least = np.where(part > 0.0, n_in, np.inf).min(axis=1)
        one = np.log(least / np.maximum(least - 1.0, least / 2.0)) / total
    error = np.where(((stopped * part).sum(axis=1) == 0.0) & (least < np.inf), one, error)
    error = np.minimum(error, 1.0)
    is_cut = (stopped > 0.0) & (part > 0.0) & (part < 1.0)
    error[((stopped > 0.0).sum(axis=1) == 1) & is_cut.any(axis=1)] = np.nan
    return share, np.where(profiles.is_measured & (least > 0.0), error, np.nan)
