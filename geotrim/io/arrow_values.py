"""Values of Arrow columns: text, numbers and answers, a column at a time."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.compute as pc

from geotrim.io.fields import text_ids

#: Texts that stand for nothing; as in :func:`geotrim.io.fields.text_id`.
_NOTHING = pa.array(["", "<NA>", "NaT"])


def texts_of(array: Any) -> Any:
    """Text of each value as :func:`geotrim.io.fields.text_id` writes it; null for a missing one.

    Examples
    --------
    >>> texts_of(pa.array([" A-12 ", "", None])).to_pylist(), texts_of(pa.array([12.0])).to_pylist()
    (['A-12', None, None], ['12'])
    """
    if pa.types.is_dictionary(array.type):
        array = array.dictionary_decode()
    if pa.types.is_integer(array.type):
        return array.cast(pa.string())
    if not (pa.types.is_string(array.type) or pa.types.is_large_string(array.type)):
        return pa.array(text_ids(array.to_pandas()), pa.string())
    trimmed = pc.utf8_trim_whitespace(array.cast(pa.string()))
    is_nothing = pc.is_in(trimmed, value_set=_NOTHING)
    if not pc.any(is_nothing).as_py():
        return trimmed
    return pc.if_else(is_nothing, pa.scalar(None, pa.string()), trimmed)


def distinct_texts(array: Any) -> tuple[list[str | None], npt.NDArray[np.int64]]:
    """The different texts of a column, and which of them each row has; -1 where there is none."""
    coded = pc.dictionary_encode(texts_of(array))
    codes = pc.fill_null(coded.indices, -1).to_numpy(zero_copy_only=False)
    return coded.dictionary.to_pylist(), codes.astype(np.int64)


def numbers_of(array: Any) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Numbers of a column, NaN where there is none; and where a value is there that is no number.

    Examples
    --------
    >>> numbers_of(pa.array(["4.5", None, "tall"]))
    (array([4.5, nan, nan]), array([False, False,  True]))
    """
    import pandas as pd

    if pa.types.is_integer(array.type) or pa.types.is_floating(array.type):
        numbers = pc.fill_null(array.cast(pa.float64(), safe=False), np.nan).to_numpy(
            zero_copy_only=False
        )
        return numbers, np.isinf(numbers)
    raw = pd.Series(array.to_pandas())
    numbers = pd.to_numeric(raw, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
    is_there = np.array([text is not None for text in text_ids(raw)], dtype=bool)
    return numbers, is_there & ~np.isfinite(numbers)


def hashes_of(texts: Any) -> npt.NDArray[np.uint64]:
    """A number of 64 bits for each text, so that ids of millions can be compared in little memory.

    Equal texts have equal numbers; two different ones among five million share one with a chance of
    about 7 in 10 million (n^2 / 2^65).
    """
    import pandas as pd

    plain = texts.to_numpy() if isinstance(texts, pa.ChunkedArray) else texts.to_numpy(False)
    return np.asarray(pd.util.hash_array(plain.astype(object), categorize=False), dtype=np.uint64)
