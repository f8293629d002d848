"""Trees the user marked to be kept: no plan trims them."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd


def is_kept(crowns: Any) -> npt.NDArray[np.bool_]:
    """Which crowns are to be left as they are: the column ``keep`` says why.

    Parameters
    ----------
    crowns : DataFrame
        n crowns; without a column ``keep``, or with nothing in it, none is kept.

    Returns
    -------
    (n,) bool array

    Examples
    --------
    >>> is_kept(pd.DataFrame({"keep": ["nest", None, " ", float("nan")]})).tolist()
    [True, False, False, False]
    """
    if "keep" not in crowns.columns:
        return np.zeros(len(crowns), dtype=bool)
    said = [pd.notna(why) and bool(str(why).strip()) for why in crowns["keep"]]
    return np.array(said, dtype=bool)
