"""Arrow columns of well-known binary, as the plain buffers that core/wkb_rings.py reads."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from geotrim.errors import LayerError


@dataclass(frozen=True, slots=True, eq=False)
class WkbColumn:
    """One column, nothing copied; handed on as ``rings_of_wkb(c.data, c.offsets, is_null=...)``.

    data : bytes of all rows, one after the other.
    offsets : (n + 1,) first byte of each row, and the end.
    is_null : (n,) rows without a shape, or None if there are none.
    """

    data: Any
    offsets: npt.NDArray[np.integer[Any]]
    is_null: npt.NDArray[np.bool_] | None


def wkb_column(column: Any, subject: str) -> WkbColumn:
    """Buffers of an Arrow column of shapes.

    Parameters
    ----------
    column : pyarrow.Array or pyarrow.ChunkedArray
        Binary or large binary, or an extension type kept as one. Chunks are joined (and so copied)
        if there are several; hand over one at a time to save that.
    subject : str
        How the user knows the input, for messages.

    Raises
    ------
    LayerError
        If it does not hold binary values.
    """
    import pyarrow as pa

    array = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    if isinstance(array, pa.ChunkedArray):  # too large for one
        array = pa.concat_arrays([c.cast(pa.large_binary()) for c in array.chunks])
    if isinstance(array, pa.ExtensionArray):
        array = array.storage
    kinds = {pa.binary(): np.int32, pa.large_binary(): np.int64}
    if array.type not in kinds:
        raise LayerError(
            subject, f"a column of {array.type}", "shapes as well-known binary", "name another one"
        )
    _, offsets, data = array.buffers()
    n = len(array)
    starts = np.zeros(1, kinds[array.type])
    if n:
        starts = np.frombuffer(offsets, kinds[array.type])[array.offset : array.offset + n + 1]
    is_null = None
    if array.null_count:
        is_null = np.asarray(array.is_null().to_numpy(zero_copy_only=False), dtype=bool)
    return WkbColumn(b"" if data is None else data, starts, is_null)
