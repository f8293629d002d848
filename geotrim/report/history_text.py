"""The life of a lot or a tree in words, for a terminal."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence

from geotrim.io.ledger import Ledger, superseded
from geotrim.io.ledger_entry import Entry, TreeEntry
from geotrim.report.furniture import counted
from geotrim.report.history_lines import Line

#: Columns of a terminal.
WIDTH = 80
#: Characters of a hash that are printed: enough to tell plans apart.
SHORT = 12
#: Trees named one by one before the rest is counted.
MOST_NAMES = 8


def history_text(
    ledger: Ledger, lines: Sequence[Line], lot_id: str | None, crown_id: str | None
) -> str:
    """A heading and a table: of a tree a row for each line, else a row for each entry."""
    of = [f"site {ledger.site}"]
    of += [] if lot_id is None else [f"lot {lot_id}"]
    of += [] if crown_id is None else [f"tree {crown_id}"]
    n_gone = len(superseded(ledger.entries))
    n_all = len(ledger.entries)
    told = f"{n_all} {'entry' if n_all == 1 else 'entries'} in the ledger"
    told += f", {n_gone} of them corrected" if n_gone else ""
    if not lines:
        return f"{', '.join(of)}: {told}\nnothing told here"
    shown = _tree_rows(lines) if crown_id is not None else _entry_rows(lines)
    return f"{', '.join(of)}: {told}\n\n{shown}"


def _entry_rows(lines: Sequence[Line]) -> str:
    """A row for each entry: number, day, kind, who, what."""
    seen: dict[int, Line] = {}
    for line in lines:
        seen.setdefault(line.kept.number, line)
    rows = [
        (
            str(number),
            line.entry.day.isoformat(),
            line.entry.kind,
            line.entry.who,
            f"{_struck(line)}{entry_words(line.entry, is_short=True)}",
        )
        for number, line in seen.items()
    ]
    return _table(("no", "day", "kind", "who", "what"), rows)


def _tree_rows(lines: Sequence[Line]) -> str:
    """A row for each line: number, day, kind, who, height, what was taken, words."""
    rows = []
    for line in lines:
        tree = line.tree
        if tree is None:
            continue
        rows.append(
            (
                str(line.kept.number),
                line.day.isoformat(),
                line.entry.kind,
                tree.reader or line.entry.who,
                height_words(tree),
                share_words(tree),
                f"{_struck(line)}{tree_words(line.entry, tree)}",
            )
        )
    return _table(("no", "day", "kind", "who", "height, ft", "removed", "what"), rows)


def _struck(line: Line) -> str:
    """What stands before the words of an entry that no longer counts."""
    if line.corrected_by is not None:
        return f"[struck out: {line.corrected_by} stands in its place] "
    corrects = line.entry.corrects
    return "" if corrects is None else f"[{_place_words(line.entry)}] "


def _place_words(entry: Entry) -> str:
    """Which entry a correction stands in the place of, or withdraws."""
    if kind := entry.details.get("withdraws"):
        return f"withdraws the {kind} of entry {entry.corrects}: it no longer counts"
    return f"in the place of {entry.corrects}"


def entry_words(entry: Entry, *, is_short: bool = False) -> str:
    """An entry in words, its kind, day and who among them unless they stand beside it."""
    kind = entry.kind if entry.kind != "correction" else entry.corrected_kind
    head = "" if is_short else f"{kind} of {entry.day.isoformat()}, {entry.who}; "
    head += "" if is_short or not entry.lot_id else f"lot {entry.lot_id}; "
    head += f"{_place_words(entry)}; " if entry.kind == "correction" else ""
    parts = [part for part in (*_of_trees(entry, kind), entry.words) if part]
    if entry.plan_sha256:
        parts.append(f"plan {entry.plan_sha256[:SHORT]}")
    return head + "; ".join(parts)


def _of_trees(entry: Entry, kind: str) -> list[str]:
    trees = entry.trees
    ids = list(dict.fromkeys(tree.crown_id for tree in trees))
    if not ids:
        return []
    if kind == "plan":
        years = sorted({tree.year for tree in trees})
        text = f"{counted(len(ids), 'tree')} in {counted(max(len(years), 1), 'year')}"
        days = sorted({tree.date for tree in trees if tree.date})
        return [text, f"from {days[0]}" if days else "no day told"]
    years = sorted({tree.year for tree in trees if tree.year})
    out = [f"year {', '.join(map(str, years))}"] if years else []
    done, missed, open_ = (
        [tree.crown_id for tree in trees if tree.is_done is told] for told in (True, False, None)
    )
    if kind == "reading":
        return out + _of_readings(trees, done, missed)
    if kind == "verification":  # of a tree that was not read nothing is told
        parts = [("cut", done), ("not cut", missed), ("not known whether cut", open_)]
    else:
        every = [tree.crown_id for tree in trees if tree.is_done is not False]
        parts = [("", every), ("not done", missed)]
    out += [f"{words}: {names(ids)}" if words else names(ids) for words, ids in parts if ids]
    return out


def _of_readings(trees: Sequence[TreeEntry], done: list[str], missed: list[str]) -> list[str]:
    """Which trees were read, and what was said of the cut: a tree can be in both."""
    read = [tree.crown_id for tree in trees if is_read(tree)]
    rest = [t.crown_id for t in trees if t.is_done is None and not is_read(t)]
    parts = (
        ("read", read), ("said to be done", done), ("said to be not done", missed),
        ("only a note", rest),
    )  # fmt: skip
    return [f"{words}: {names(list(dict.fromkeys(ids)))}" for words, ids in parts if ids]


def is_read(tree: TreeEntry) -> bool:
    """Whether a height was read: of the top, or of what was cleared."""
    return not all(map(math.isnan, (tree.height_ft, tree.cut_low_ft, tree.cut_high_ft)))


def done_words(kind: str, tree: TreeEntry) -> str:
    """What an entry of some kind says of a cut, beside its figures; "" where it says nothing."""
    if kind == "reading" and tree.is_done is not None:
        return "said to be done" if tree.is_done else "said to be not done"
    return "not done" if tree.is_done is False else ""


def names(ids: Sequence[str]) -> str:
    """Ids of trees, the first few by name.

    Examples
    --------
    >>> names(["A", "B"]), names([str(n) for n in range(20)])
    ('2 trees (A, B)', '20 trees (0, 1, 2, 3, 4, 5, 6, 7 ...)')
    """
    some = ", ".join(ids[:MOST_NAMES]) + (" ..." if len(ids) > MOST_NAMES else "")
    return f"{counted(len(ids), 'tree')} ({some})"


def height_words(tree: TreeEntry) -> str:
    """Height of a tree with its error.

    Examples
    --------
    >>> height_words(TreeEntry("A", 9.96, 0.25)), height_words(TreeEntry("A"))
    ('9.96 ± 0.25', '-')
    """
    if not math.isfinite(tree.height_ft):
        return "-"
    error = tree.height_error_ft
    return f"{tree.height_ft:.2f}" + (f" \N{PLUS-MINUS SIGN} {error:.2f}" if error >= 0 else "")


def share_words(tree: TreeEntry) -> str:
    """Share of the foliage that was taken, with its error.

    Examples
    --------
    >>> share_words(TreeEntry("A", removed_frac=0.2, removed_error_frac=0.015))
    '20.0 ± 1.5 %'
    """
    if not math.isfinite(tree.removed_frac):
        return "-"
    error = tree.removed_error_frac
    some = f" \N{PLUS-MINUS SIGN} {100 * error:.1f}" if error >= 0 else ""
    return f"{100 * tree.removed_frac:.1f}{some} %"


def tree_words(entry: Entry, tree: TreeEntry) -> str:
    """What an entry tells of a tree beside its figures."""
    parts = [f"year {tree.year}"] if tree.year else []
    if entry.kind == "plan":
        parts.append(f"not before {tree.date}" if tree.date else "no day told")
    parts += [cleared_words(tree)]
    parts += [done_words(entry.kind, tree)]
    parts += ["no height read"] if entry.kind == "reading" and not is_read(tree) else []
    parts += [tree.words, entry.words]
    return "; ".join(part for part in parts if part)


def cleared_words(tree: TreeEntry) -> str:
    """Heights that were cleared, "" where they are not told.

    Examples
    --------
    >>> cleared_words(TreeEntry("A", cut_low_ft=9.6, cut_high_ft=float("inf")))
    'cut down to 9.60 ft'
    >>> cleared_words(TreeEntry("A", cut_low_ft=6.0, cut_high_ft=10.0))
    'cleared from 6.00 to 10.00 ft'
    """
    low, high = tree.cut_low_ft, tree.cut_high_ft
    if math.isfinite(low) and math.isfinite(high):
        return f"cleared from {low:.2f} to {high:.2f} ft"
    return f"cut down to {low:.2f} ft" if math.isfinite(low) and math.isinf(high) else ""


def _table(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns as wide as their values; the last is folded at the margin."""
    n_fixed = len(heads) - 1
    most = [22] * n_fixed
    wide = [min(max(len(row[k]) for row in (heads, *rows)), most[k]) + 2 for k in range(n_fixed)]
    room = max(WIDTH - sum(wide), 24)
    out = []
    for row in (heads, *rows):
        cells = [textwrap.wrap(row[k], wide[k] - 2) or [""] for k in range(n_fixed)]
        cells.append(textwrap.wrap(row[-1], room) or [""])
        for depth in range(max(map(len, cells))):
            parts = [cell[depth] if depth < len(cell) else "" for cell in cells]
            fixed = "".join(f"{part:<{w}}" for part, w in zip(parts, wide, strict=False))
            out.append((fixed + parts[-1]).rstrip())
    return "\n".join(out)
