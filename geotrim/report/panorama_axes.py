"""The strips of the panorama: how they fit the page, and what is drawn on them."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely

from geotrim.report.furniture import figures
from geotrim.report.palette import BLACK, BLUE, GREEN, PAPER, PURPLE, VERMILION
from geotrim.report.shapes import draw_area, halo

#: What a piece of the panorama may be -> how it is drawn. Dark, light and hatch part them on grey.
GROUND, CANOPY = "ground", "canopy"
WINDOW, FIRST = "removed by the window", "removed first"
LOOKS: Mapping[str, dict[str, Any]] = {
    GROUND: {"facecolor": "#CFC7B4", "edgecolor": "#857B63", "hatch": "...."},
    CANOPY: {"facecolor": GREEN, "edgecolor": GREEN, "hatch": None},
    WINDOW: {"facecolor": "#F7DFAE", "edgecolor": VERMILION, "hatch": "////"},
    FIRST: {"facecolor": "#EBD9E5", "edgecolor": PURPLE, "hatch": "xxx"},
}
WATER, SHORE, SKY, GAP = "#CFE4F2", "#EDE9DF", PAPER, "#E4E4E4"
EDGE_LOOK: dict[str, Any] = {"color": BLUE, "lw": 1.5}
HORIZON_LOOK: dict[str, Any] = {"color": BLACK, "lw": 1.0, "ls": (0, (5.0, 2.0))}
WIND = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW",
        "NW", "NNW")  # fmt: skip
WIDEST_IN, NARROWEST_IN = 9.1, 4.2
#: Heights a strip is kept between. [in]
LOWEST_IN, HIGHEST_IN = 2.15, 2.9
#: Most sight lines drawn across a strip: about a point of print each.
MOST_RAYS = 1500
#: The drawing goes this much over the horizon at most and at least, in depths of the view.
MOST_OVER, LEAST_OVER, UNDER = 1.6, 0.3, 0.18
#: A gap between two sight lines wider than this many of their widths is no shore of the lot's.
GAP_WIDTHS = 1.6
#: Sides nearer to each other than this are one. [deg]
TOUCHING_DEG = 1e-6
#: Outline of what is gone in the strip of after.
GONE_LOOK: dict[str, Any] = {"lw": 0.9, "ls": (0, (1.0, 1.2))}
Floats = npt.NDArray[np.float64]
#: Name of a span, and its left and right side. [deg]
Mark = tuple[str, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """One eye's view: sight lines from left to right, and what is met on them.

    x_deg : (r,) to the right of the first azimuth. width_deg, edge_deg, horizon_deg : (r,).
    ray : (p,) sight line of each piece. low_deg, high_deg : (p,). what : (p,) words of ``LOOKS``.
    from_deg : azimuth of x 0.
    """

    x_deg: Floats
    width_deg: Floats
    edge_deg: Floats
    horizon_deg: Floats
    ray: npt.NDArray[np.int64]
    low_deg: Floats
    high_deg: Floats
    what: npt.NDArray[np.object_]
    from_deg: float

    @property
    def sides_deg(self) -> tuple[Floats, Floats]:
        """(r,) left and right side of each sight line's strip; neighbours share theirs."""
        left, right = self.x_deg - self.width_deg / 2, self.x_deg + self.width_deg / 2
        touch = np.flatnonzero(np.abs(left[1:] - right[:-1]) < TOUCHING_DEG)
        right[touch] = left[touch + 1]  # to the last digit, so that shapes grow together
        return left, right

    def pieces(self, what: str) -> npt.NDArray[np.bool_]:
        """(p,) pieces of one kind."""
        return np.asarray(self.what == what, dtype=bool)


@dataclass(frozen=True, slots=True)
class Scale:
    """How a strip fits the page."""

    x0_deg: float
    x1_deg: float
    bottom_deg: float
    top_deg: float
    width_in: float
    height_in: float
    is_cut: bool  # canopy goes on over the drawing

    @property
    def across_deg(self) -> float:
        """Degrees of azimuth in an inch of paper."""
        return (self.x1_deg - self.x0_deg) / self.width_in

    @property
    def up_deg(self) -> float:
        """Degrees of elevation in an inch of paper."""
        return (self.top_deg - self.bottom_deg) / self.height_in

    def words(self) -> str:
        """The scale in words; unequal ones are told."""
        ratio = self.across_deg / self.up_deg
        if abs(ratio - 1.0) < 0.005:
            return f"Scale: 1 in = {figures(self.across_deg)} deg across and upward."
        how = (
            f"Vertical exaggeration x{figures(ratio)}"
            if ratio > 1.0
            else f"Drawn x{figures(1 / ratio)} wide"
        )
        return (
            f"{how}: 1 in = {figures(self.across_deg)} deg across, {figures(self.up_deg)} deg "
            "upward."
        )


def wind(azimuth_deg: float) -> str:
    """The nearest of the sixteen winds.

    Examples
    --------
    >>> wind(350.0), wind(45.0), wind(190.0)
    ('N', 'NE', 'S')
    """
    return WIND[round(azimuth_deg / 22.5) % 16]


def seen_from(eye: Mapping[str, Any], rays: Any, blocks: Any) -> Seen:
    """The view of one eye out of its tables; of very many sight lines every so-manieth.

    Parameters
    ----------
    eye : mapping
        A row of ``sight_eyes``.
    rays, blocks : DataFrame
        Its rows of ``sight_rays`` and ``sight_blocks``.
    """
    start = float(eye["azimuth_from_deg"])
    azimuth = rays["azimuth_deg"].to_numpy(dtype=float)
    width = rays["width_deg"].to_numpy(dtype=float)
    x = (azimuth - start) % 360.0
    every = -(-len(x) // MOST_RAYS)
    order = np.argsort(x, kind="stable")[::every]
    place = {float(azimuth[k]): n for n, k in enumerate(order)}
    ray = np.array([place.get(float(a), -1) for a in blocks["azimuth_deg"]], dtype=np.int64)
    mine = blocks[ray >= 0]
    return Seen(
        x[order],
        width[order] * every,
        rays["edge_deg"].to_numpy(dtype=float)[order],
        rays["horizon_deg"].to_numpy(dtype=float)[order],
        ray[ray >= 0],
        mine["low_deg"].to_numpy(dtype=float),
        mine["high_deg"].to_numpy(dtype=float),
        mine["what"].to_numpy(dtype=object),
        start,
    )


def fit(seen: Seen) -> Scale:
    """Room for the view and the trees over it, up to a cap; equal scales where they fit."""
    x0 = float((seen.x_deg - seen.width_deg / 2).min())
    x1 = float((seen.x_deg + seen.width_deg / 2).max())
    low, horizon = float(seen.edge_deg.min()), float(seen.horizon_deg.max())
    deep = horizon - low
    is_tree = ~seen.pieces(GROUND)
    tallest = float(seen.high_deg[is_tree].max(initial=horizon))
    top = min(max(tallest + 0.06 * deep, horizon + LEAST_OVER * deep), horizon + MOST_OVER * deep)
    bottom = low - UNDER * deep
    shape = (x1 - x0) / (top - bottom)
    height = min(max(WIDEST_IN / shape, LOWEST_IN), HIGHEST_IN)
    width = min(max(height * shape, NARROWEST_IN), WIDEST_IN)
    return Scale(x0, x1, bottom, top, width, height, tallest > top)


def span_marks(eye: Mapping[str, Any], rays: Any, spans: Any, feet: float) -> list[Mark]:
    """Where the spans of a window lie across a strip.

    Parameters
    ----------
    eye : mapping
        A row of ``sight_eyes``.
    rays : DataFrame
        Its rows of ``sight_rays``: a sight line is in a span where it ends, at the water's near
        edge, not over a foot from the span (holes and bays of its zone filled).
    spans : GeoDataFrame or None
        ``window_spans``.
    feet : float
        International feet in one map unit.

    Returns
    -------
    list of (name, left, right)
        From the left; a span that is seen in several parts has a mark for each. [deg]
    """
    if spans is None or not len(spans):
        return []
    ends = shapely.get_point(rays.geometry.to_numpy(), -1)
    width = rays["width_deg"].to_numpy(dtype=float)
    start = float(eye["azimuth_from_deg"])
    x = (rays["azimuth_deg"].to_numpy(dtype=float) - start) % 360.0
    order = np.argsort(x, kind="stable")
    x, width, ends = x[order], width[order], ends[order]
    marks: list[Mark] = []
    for row in spans[spans["lot_id"] == eye["lot_id"]].itertuples():
        away = shapely.distance(ends, shapely.convex_hull(row.geometry)) * feet
        at = np.flatnonzero(away <= 1.0)
        name = str(row.span_id).rsplit("/", 1)[-1]
        for run in np.split(at, np.flatnonzero(np.diff(at) > 1) + 1):
            if len(run):
                first, last = run[0], run[-1]
                right = x[last] + width[last] / 2
                marks.append((name, float(x[first] - width[first] / 2), float(right)))
    return sorted(marks, key=lambda mark: mark[1])


def draw_spans(ax: Any, marks: list[Mark], scale: Scale) -> None:
    """A bracket over each span of the window, along the top of a strip, with its name."""
    tall = scale.top_deg - scale.bottom_deg
    top = scale.top_deg - 0.03 * tall
    foot = top - 0.045 * tall
    for name, left, right in marks:
        inset = min(0.02 * scale.across_deg, 0.1 * (right - left))
        x = np.array([left + inset, left + inset, right - inset, right - inset])
        y = np.array([foot, top, top, foot])
        ax.plot(x, y, color=PAPER, lw=3.2, zorder=6.0)
        ax.plot(x, y, color=BLACK, lw=1.2, zorder=6.1, gid=f"span-{name}")
        ax.text(
            (left + right) / 2, top, name, fontsize=7.5, weight="bold", ha="center", va="center",
            zorder=6.2, path_effects=halo(2.4), gid=f"span-label-{name}",
        )  # fmt: skip


def draw_strip(ax: Any, seen: Seen, scale: Scale, *, is_after: bool) -> None:
    """Water, shore, ground and canopy as now, or as after what is taken away is gone."""
    ax.set_xlim(scale.x0_deg, scale.x1_deg)
    ax.set_ylim(scale.bottom_deg, scale.top_deg)
    ax.set_facecolor(SKY)
    for first, last in _runs(seen):
        x = np.stack(seen.sides_deg, 1)[first:last].ravel()
        edge = np.repeat(seen.edge_deg[first:last], 2)
        horizon = np.repeat(seen.horizon_deg[first:last], 2)
        ax.fill_between(x, edge, horizon, color=WATER, lw=0, zorder=1)
        ax.fill_between(x, scale.bottom_deg, edge, color=SHORE, lw=0, zorder=1)
        mid = seen.x_deg[first:last]
        for casing, z in ((True, 5.0), (False, 5.1)):
            ax.plot(
                *_through(mid, x, seen.edge_deg[first:last]), zorder=z,
                **({"color": PAPER, "lw": 3.0} if casing else {**EDGE_LOOK, "gid": "edge"}),
            )  # fmt: skip
            ax.plot(
                *_through(mid, x, seen.horizon_deg[first:last]), zorder=z,
                **({"color": PAPER, "lw": 2.4} if casing else {**HORIZON_LOOK, "gid": "horizon"}),
            )  # fmt: skip
    _gaps(ax, seen)
    for what, look in LOOKS.items():
        if not is_drawn(seen, what, scale):
            continue
        mask = seen.pieces(what)
        if is_after and what in (WINDOW, FIRST):
            _outline(ax, seen, mask, what)
        else:
            _fill(ax, seen, mask, what, look, scale)
    _frame(ax, seen, scale)


def _through(mid: Floats, ends: Floats, value: Floats) -> tuple[Floats, Floats]:
    """A line through the sight lines, run on level to the outer sides of the first and last."""
    return np.r_[ends[0], mid, ends[-1]], np.r_[value[0], value, value[-1]]


def _runs(seen: Seen) -> list[tuple[int, int]]:
    """First sight line, and one past the last, of each run without a gap."""
    step = np.diff(seen.x_deg)
    wide = GAP_WIDTHS * np.maximum(seen.width_deg[1:], seen.width_deg[:-1])
    breaks = np.flatnonzero(step > wide) + 1
    ends = [0, *breaks.tolist(), len(seen.x_deg)]
    return list(itertools.pairwise(ends))


def has_gaps(seen: Seen) -> bool:
    """Whether part of the range looks over no shore of the lot."""
    return len(_runs(seen)) > 1


def is_drawn(seen: Seen, what: str, scale: Scale) -> bool:
    """Whether some piece of a kind reaches into the drawing."""
    mask = seen.pieces(what) & (seen.high_deg > scale.bottom_deg) & (seen.low_deg < scale.top_deg)
    return bool(mask.any())


def _gaps(ax: Any, seen: Seen) -> None:
    """Azimuths between two runs, which look over no shore of the lot."""
    runs = _runs(seen)
    for (_, end), (begin, _) in itertools.pairwise(runs):
        left = seen.x_deg[end - 1] + seen.width_deg[end - 1] / 2
        right = seen.x_deg[begin] - seen.width_deg[begin] / 2
        ax.axvspan(left, right, facecolor=GAP, edgecolor="none", zorder=1.2)


def _boxes(seen: Seen, mask: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
    """(n, 4, 2) corners of pieces, counter-clockwise."""
    at = seen.ray[mask]
    left, right = (side[at] for side in seen.sides_deg)
    low, high = seen.low_deg[mask], seen.high_deg[mask]
    corners = [(left, low), (right, low), (right, high), (left, high)]
    return np.stack([np.stack(pair, axis=-1) for pair in corners], axis=1)


def _shape(seen: Seen, mask: npt.NDArray[np.bool_]) -> Any:
    """Pieces as one shape; those of neighbouring sight lines grown together."""
    boxes = _boxes(seen, mask)
    return shapely.union_all(shapely.polygons(boxes))


def _fill(
    ax: Any, seen: Seen, mask: npt.NDArray[np.bool_], what: str, look: dict[str, Any], scale: Scale
) -> None:
    shape = _within(_shape(seen, mask), scale)
    ink = {"edgecolor": look["edgecolor"], "hatch": look["hatch"]}
    draw_area(ax, shape, facecolor=look["facecolor"], lw=0.0, zorder=2.0, gid=what, **ink)
    if what != CANOPY:
        draw_area(ax, shape, fill=False, edgecolor=look["edgecolor"], lw=0.6, zorder=2.1)


def _outline(ax: Any, seen: Seen, mask: npt.NDArray[np.bool_], what: str) -> None:
    draw_area(
        ax, _shape(seen, mask), fill=False, edgecolor=VERMILION, zorder=2.2, gid=f"{what}, gone",
        **GONE_LOOK,
    )  # fmt: skip


def _within(shape: Any, scale: Scale) -> Any:
    """What of a shape is on the drawing: a hatch beyond it would only make files large."""
    pad = 0.05 * (scale.top_deg - scale.bottom_deg)
    page = (scale.x0_deg - 1.0, scale.bottom_deg - pad, scale.x1_deg + 1.0, scale.top_deg + pad)
    return shapely.intersection(shape, shapely.box(*page))


def _frame(ax: Any, seen: Seen, scale: Scale) -> None:
    """Ticks: azimuths with the winds, and degrees upward."""
    from matplotlib.ticker import MaxNLocator

    span = scale.x1_deg - scale.x0_deg
    step = next((s for s in (1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 45.0) if span / s <= 12.0), 45.0)
    left, right = seen.from_deg + scale.x0_deg, seen.from_deg + scale.x1_deg
    at = np.arange(math.ceil(left / step - 1e-9) * step, right + 1e-9, step)
    ax.set_xticks(at - seen.from_deg, [f"{a % 360.0:g}\N{DEGREE SIGN}" for a in at])
    for a in np.arange(math.ceil(left / 22.5 - 1e-9) * 22.5, right + 1e-9, 22.5):
        ax.annotate(
            wind(float(a)), (a - seen.from_deg, 0.0), xycoords=("data", "axes fraction"),
            xytext=(0, -14), textcoords="offset points", ha="center", va="top", fontsize=7.0,
            weight="bold", annotation_clip=False, gid=f"wind-{a % 360.0:g}",
        )  # fmt: skip
    ax.yaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 2.5, 5, 10]))
    ax.tick_params(labelsize=6.8, length=3, width=0.6)
    ax.set_ylabel("elevation angle, deg", fontsize=7.2)
    ax.spines[["top", "right"]].set_visible(False)
    beside: dict[str, Any] = {"xycoords": ("axes fraction", "data"), "xytext": (4, 0)}
    beside |= {"textcoords": "offset points", "va": "center", "annotation_clip": False}
    last = int(np.argmax(seen.x_deg))
    edge, horizon = float(seen.edge_deg[last]), float(seen.horizon_deg[last])
    apart = (horizon - edge) / scale.up_deg * 72.0
    lift = max(0.0, (9.0 - apart) / 2)
    ax.annotate(
        "horizon", (1.0, horizon), fontsize=6.5, gid="horizon-label",
        **{**beside, "xytext": (4, lift)},
    )  # fmt: skip
    ax.annotate(
        "water's near edge", (1.0, edge), fontsize=6.5, gid="edge-label", color=BLUE,
        path_effects=halo(1.0), **{**beside, "xytext": (4, -lift)},
    )  # fmt: skip
