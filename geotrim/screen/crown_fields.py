"""Fields of crowns, a batch at a time: as :mod:`geotrim.io.site_crowns` reads those of a site.

What a field holds that it cannot hold (a word for a height, a height under 0, neither yes nor no)
is taken as unknown and counted: of a county's trees one must not stop the others.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from geotrim.io.arrow_values import distinct_texts, numbers_of, texts_of
from geotrim.io.repair import counted, listed
from geotrim.io.site_crowns import DRAFT, HEIGHTS, KEPT, YES_NO
from geotrim.io.site_spec import SiteSpec
from geotrim.io.vector_stream import Batch, VectorStream
from geotrim.model import Note
from geotrim.screen.store import CROWNS
from geotrim.units import feet_per_vertical_unit

#: Told of a field that holds what it cannot hold: so many values of it by name.
SHOWN_VALUES = 5


class CrownFields:
    """Columns of ``CROWNS`` from the fields of a layer, and what is to be told of them."""

    def __init__(self, said: SiteSpec, stream: VectorStream) -> None:
        table = said.values["crowns"]
        self.table: Mapping[str, Any] = table
        self.field: dict[str, str | None] = {}
        for key in ("id_field", "species_field", "trim_field", "keep_field"):
            self.field[key] = self._named(said, stream, key)
        for key, _, _ in HEIGHTS:
            self.field[key] = self._named(said, stream, key)
        self.is_id_usual = self.field["id_field"] is None
        self.field["id_field"] = self.field["id_field"] or stream.usual_field("crown_id")
        self.field["species_field"] = self.field["species_field"] or stream.usual_field("species")
        self.field["draft"] = stream.usual_field(DRAFT)
        self.file_fields = stream.fields
        self.n: Counter[str] = Counter()
        self.reasons: Counter[str] = Counter()
        self.odd: dict[str, list[str]] = {}

    def _named(self, said: SiteSpec, stream: VectorStream, key: str) -> str | None:
        name = self.table.get(key)
        return None if name is None else stream.field(name, said.where("crowns", key))

    @property
    def fields(self) -> list[str]:
        return list(dict.fromkeys(name for name in self.field.values() if name))

    @property
    def columns(self) -> tuple[str, ...]:
        """Columns of ``CROWNS`` that the input has."""
        found = ["crown_id", "species", "base_height_ft"]
        found += [name for key, _, name in HEIGHTS[1:] if self.field[key]]
        if "height_field" in self.table and "height_rmse_ft" in self.table:
            found.append("field_height_error_ft")
        found += [
            name
            for key, name in (("trim_field", "is_to_trim"), ("keep_field", "keep"))
            if self.field[key]
        ]
        return tuple(name for name in CROWNS.names if name in found)

    def of_batch(self, batch: Batch) -> dict[str, Any]:
        """Arrow arrays by column; those not given are all null."""
        out = {"crown_id": self._ids(batch), "species": self._species(batch)}
        for key, unit, name in HEIGHTS:
            if self.field[key]:
                out[name] = self._heights(batch, key, unit)
        if "field_height_ft" in out and "height_rmse_ft" in self.table:
            known = pc.is_valid(out["field_height_ft"])
            error = pa.scalar(float(self.table["height_rmse_ft"]))
            out["field_height_error_ft"] = pc.if_else(known, error, pa.scalar(None, pa.float64()))
        if self.field["trim_field"]:
            out["is_to_trim"] = self._to_trim(batch)
        if self.field["keep_field"]:
            out["keep"] = self._kept(batch)
        if self.field["draft"]:
            texts, codes = distinct_texts(batch.columns[self.field["draft"]])
            is_draft = np.array([*(YES_NO.get((t or "").lower(), False) for t in texts), False])
            self.n["draft"] += int(is_draft[codes].sum())
        self.n["crowns"] += batch.n_rows
        return out

    def _ids(self, batch: Batch) -> Any:
        numbers = pa.array(np.arange(batch.first + 1, batch.first + batch.n_rows + 1))
        name = self.field["id_field"]
        if name is None:
            return numbers.cast(pa.string())
        ids = texts_of(batch.columns[name])
        self.n["nameless"] += ids.null_count
        if not ids.null_count:
            return ids
        rows = pc.binary_join_element_wise("row ", numbers.cast(pa.string()), "")
        return pc.coalesce(ids, rows)

    def _species(self, batch: Batch) -> Any:
        name = self.field["species_field"]
        if name is None:
            return pa.nulls(batch.n_rows, pa.string())
        species = texts_of(batch.columns[name])
        self.n["species"] += batch.n_rows - species.null_count
        return species

    def _heights(self, batch: Batch, key: str, unit: str) -> Any:
        field = str(self.field[key])
        heights, is_odd = numbers_of(batch.columns[field])
        is_odd = is_odd | (heights < 0)
        self._tell_odd(key, batch.columns[field], is_odd)
        heights = heights * feet_per_vertical_unit(self.table[unit], "crowns")
        self.n[key] += int((np.isfinite(heights) & ~is_odd).sum())
        return pa.array(heights, mask=is_odd | ~np.isfinite(heights))

    def _to_trim(self, batch: Batch) -> Any:
        column = batch.columns[str(self.field["trim_field"])]
        texts, codes = distinct_texts(column)
        answers = [YES_NO.get((text or "").lower()) for text in texts]
        is_odd = np.array([*(answer is None for answer in answers), False])[codes]
        self._tell_odd("trim_field", column, is_odd)
        found = pa.array([*answers, None], pa.bool_()).take(pa.array(codes % (len(texts) + 1)))
        self.n["trim_field"] += batch.n_rows - found.null_count
        return found

    def _kept(self, batch: Batch) -> Any:
        """Why each is to be left as it is; a word that is neither yes nor no is a reason."""
        texts, codes = distinct_texts(batch.columns[str(self.field["keep_field"])])
        said = [YES_NO.get((text or "no").lower(), text) for text in texts]
        why = [KEPT if one is True else None if one is False else one for one in said]
        counts = np.bincount(codes[codes >= 0], minlength=len(texts))
        self.reasons.update({w: int(n) for w, n in zip(why, counts, strict=True) if w and n})
        return pa.array([*why, None], pa.string()).take(pa.array(codes % (len(texts) + 1)))

    def _tell_odd(self, key: str, column: Any, is_odd: Any) -> None:
        rows = np.flatnonzero(is_odd)
        self.n[f"odd {key}"] += len(rows)
        told = self.odd.setdefault(key, [])
        for row in rows[: max(0, SHOWN_VALUES - len(told))]:
            told.append(repr(column[int(row)].as_py()))

    def notes(self) -> tuple[Note, ...]:
        """What is to be told when all batches have been read."""
        n, total = self.n, self.n["crowns"]
        told: list[tuple[str, str]] = []
        if self.field["id_field"] is None:
            text = f"no id_field named; the crowns are numbered 1 to {total} in file order"
            if self.file_fields:
                text += f" (the file has {listed(self.file_fields, 6)})"
            told.append((text, "assumed"))
        elif self.is_id_usual:
            told.append((f"ids taken from the field {self.field['id_field']!r}", "info"))
        if n["nameless"]:
            text = f"{counted(n['nameless'], 'crown')} without an id, called by the row of the file"
            told.append((text, "assumed"))
        told += self._species_told(total)
        for key, words in (
            ("base_height_field", "height of its base"),
            ("height_field", "height measured on site"),
            ("target_height_field", "height to be left"),
            ("trim_field", "word on whether to trim it"),
        ):
            if n[f"odd {key}"]:
                values = listed(self.odd[key])
                text = f"{counted(n[f'odd {key}'], 'crown')} whose {words} cannot be read, and is "
                told.append((f"{text}taken as unknown: {self.field[key]} {values}", "missing"))
        told += self._field_heights_told(total)
        return tuple(Note("crowns", text, level) for text, level in told)

    def _species_told(self, total: int) -> list[tuple[str, str]]:
        if self.field["species_field"] is None:
            return [("no species_field named; every species is unknown", "missing")]
        n_unknown = total - self.n["species"]
        if not n_unknown:
            return []
        return [(f"{counted(n_unknown, 'crown')} of {total} without a species", "missing")]

    def _field_heights_told(self, total: int) -> list[tuple[str, str]]:
        told = []
        if self.field["height_field"]:
            if "height_rmse_ft" not in self.table:
                text = "no standard error of the heights measured on site; say it as height_rmse_ft"
                told.append((text, "missing"))
            n_known = self.n["height_field"]
            told.append((f"{n_known} of {total} have a height measured on site", "info"))
        if self.field["trim_field"] and (n_open := total - self.n["trim_field"]):
            text = f"not said of {counted(n_open, 'crown')} of {total} whether to trim"
            told.append((text, "missing"))
        if self.reasons:
            words = listed([f"{why} ({n})" for why, n in self.reasons.most_common()], 6)
            n_kept = sum(self.reasons.values())
            told.append((f"{n_kept} of {total} are to be left as they are: {words}", "info"))
        if self.n["draft"]:
            text = (
                f"{self.n['draft']} of {total} are a draft made from heights ({DRAFT}): how many "
                "trees there are, their outlines, and the depths and shares that rest on them are "
                f"to be confirmed in the field; set {DRAFT} to false where that is done"
            )
            told.append((text, "assumed"))
        return told
