"""Cells of a raster as they are on a picture: hatched to their edges, with no corner cut."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

#: Rectangles in one hatched path at most; past that only longer runs of cells are hatched.
MOST_RUNS = 20_000


def cell_runs(mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Runs of true cells along the rows.

    Parameters
    ----------
    mask : (rows, cols) bool

    Returns
    -------
    (n, 3) int
        Row, first column, and column after the last, from the top row on.

    Examples
    --------
    >>> import numpy as np
    >>> cell_runs(np.array([[True, True, False], [False, False, True]])).tolist()
    [[0, 0, 2], [1, 2, 3]]
    """
    steps = np.diff(np.pad(mask.astype(np.int8), ((0, 0), (1, 1))), axis=1)
    row, first = np.nonzero(steps == 1)
    after = np.nonzero(steps == -1)[1]
    return np.stack([row, first, after], axis=1).astype(np.int64)


def cells_path(mask: npt.NDArray[np.bool_], most: int = MOST_RUNS) -> Any:
    """A matplotlib path round the true cells, in columns and rows; None where there are none.

    Of a mask that is scattered past ``most`` runs, the shortest runs are left out.
    """
    from matplotlib.path import Path

    runs = cell_runs(mask)
    least = 1
    while len(runs) > most:
        least += 1
        runs = runs[runs[:, 2] - runs[:, 1] >= least]
    if not len(runs):
        return None
    row, first, after = runs.T
    x = np.stack([first, after, after, first, first], axis=1)
    y = np.stack([row, row, row + 1, row + 1, row], axis=1)
    codes = [Path.MOVETO, Path.LINETO, Path.LINETO, Path.LINETO, Path.CLOSEPOLY]
    xy = np.stack([x, y], axis=2).reshape(-1, 2).astype(float)
    return Path(xy, np.tile(np.array(codes, dtype=Path.code_type), len(runs)))


def hatch_cells(
    ax: Any, mask: npt.NDArray[np.bool_], place: Any, hatch: str, colour: str, **look: Any
) -> Any:
    """Hatch the true cells; ``place`` takes columns and rows to the page.

    The marks keep to the cells; what the cells are filled with is drawn before.
    """
    from matplotlib.patches import PathPatch

    path = cells_path(mask)
    if path is None or not hatch:
        return None
    look = {"facecolor": "none", "edgecolor": colour, "linewidth": 0.0, "zorder": 1.5} | look
    return ax.add_artist(PathPatch(path, transform=place, hatch=hatch, **look))
