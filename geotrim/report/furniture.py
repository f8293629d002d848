"""What every figure carries: title, legend column, north arrow, scale bar, cautions."""

from __future__ import annotations

import textwrap
from typing import Any

from geotrim.model import Site
from geotrim.report.palette import BLACK, GREY, PAPER
from geotrim.units import feet_per_map_unit

CAUTION = (
    "Screening, not a survey and not legal advice. Boundaries and MHW lines are for a licensed "
    "surveyor; the department or the delegated local government decides. Confirm every species in "
    "the field."
)
MARGIN_IN = 0.45


def new_figure(width_in: float, height_in: float) -> Any:
    """A figure of its own, outside pyplot's list."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in), facecolor=PAPER)
    FigureCanvasAgg(figure)
    return figure


def axes_in(figure: Any, left: float, bottom: float, width: float, height: float) -> Any:
    """Axes placed in inches from the lower left corner."""
    w, h = figure.get_size_inches()
    return figure.add_axes((left / w, bottom / h, width / w, height / h))


def wrapped(text: str, width_in: float, size_pt: float) -> str:
    """Text broken so that a line of it fits a width; long words are broken too.

    DejaVu Sans takes about 0.56 of its size a letter on average, 0.60 to be safe.
    """
    letters = max(8, int(width_in * 72.0 / (0.60 * size_pt)))
    return "\n".join(
        line
        for part in text.splitlines() or [""]
        for line in textwrap.wrap(part, letters, break_long_words=True) or [""]
    )


def put_text(
    figure: Any, x_in: float, y_in: float, text: str, size_pt: float, width_in: float, **look: Any
) -> Any:
    """Wrapped text at a place in inches."""
    w, h = figure.get_size_inches()
    return figure.text(
        x_in / w, y_in / h, wrapped(text, width_in, size_pt), fontsize=size_pt, **look
    )


def title_block(figure: Any, title: str, subtitle: str) -> float:
    """Title and subtitle at the top; the height they take. [in]."""
    width, height = figure.get_size_inches()
    room = width - 2 * MARGIN_IN
    size = 14.0 if len(title) < 70 else 11.0
    head = put_text(
        figure, MARGIN_IN, height - 0.30, title, size, room, va="top", weight="bold", gid="title"
    )
    n_head = head.get_text().count("\n") + 1
    below = height - 0.30 - n_head * size * 1.28 / 72.0 - 0.03
    sub = put_text(
        figure, MARGIN_IN, below, subtitle, 9.0, room, va="top", color="#303030", gid="subtitle"
    )
    n_sub = sub.get_text().count("\n") + 1
    return float(height - below + n_sub * 9.0 * 1.28 / 72.0 + 0.10)


def footer_block(figure: Any, lines: list[str]) -> float:
    """Cautions and CRS at the foot; the height they take. [in]."""
    width = figure.get_size_inches()[0]
    room = width - 2 * MARGIN_IN
    text = "\n".join(wrapped(line, room, 7.0) for line in lines)
    put_text(
        figure,
        MARGIN_IN,
        0.22,
        text,
        7.0,
        room,
        va="bottom",
        color="#303030",
        gid="footer",
        linespacing=1.3,
    )
    return float(0.22 + (text.count("\n") + 1) * 7.0 * 1.45 / 72.0 + 0.08)


def block_heights(
    width_in: float, title: str, subtitle: str, footer: list[str]
) -> tuple[float, float]:
    """Heights that a title and a footer take on a page of this width. [in]."""
    scratch = new_figure(width_in, 8.0)
    return title_block(scratch, title, subtitle), footer_block(scratch, footer)


def crs_line(site: Site) -> str:
    """The CRS in words, with its code where it has one, and the units of a map."""
    from pyproj import CRS

    crs = CRS.from_user_input(site.crs)
    code = crs.to_authority()
    named = f"{crs.name} ({code[0]}:{code[1]})" if code else crs.name
    feet = feet_per_map_unit(crs, "map")
    return map_line(named, feet, "lengths (international feet, on the grid)")


def map_line(name: str, feet_per_unit: float, rest: str) -> str:
    """What the figures on the edges of a map are, beside its scale bar in feet.

    Parameters
    ----------
    name : str
        The CRS.
    feet_per_unit : float
        International feet in one map unit.
    rest : str
        What else is said of units, as the end of a sentence.

    Examples
    --------
    >>> map_line("EPSG:32617", 1 / 0.3048, "heights")
    'Coordinates: EPSG:32617; figures on the axes in metres. In feet: scale bar, heights.'
    """
    unit = axes_unit(feet_per_unit)
    return f"Coordinates: {name}; figures on the axes in {unit}. In feet: scale bar, {rest}."


def axes_unit(feet_per_unit: float) -> str:
    """A unit of coordinates by its length in international feet.

    Metre and US survey foot (1200/3937 m): Public Law 89-304 and 24 FR 5445 (1959).

    Examples
    --------
    >>> axes_unit(1.0), axes_unit(1200 / 3937 / 0.3048), axes_unit(3.0)
    ('international feet', 'US survey feet', 'units of 3 ft')
    """
    known = {
        1.0: "international feet",
        1200.0 / 3937.0 / 0.3048: "US survey feet",
        1.0 / 0.3048: "metres",
    }
    for length, name in known.items():
        if abs(feet_per_unit / length - 1.0) < 1e-7:
            return name
    return f"units of {feet_per_unit:.6g} ft"


#: A space at which no line is broken.
HARD_SPACE = "\N{NO-BREAK SPACE}"


def counted(n: int, one: str, many: str | None = None) -> str:
    """A number with its noun.

    Examples
    --------
    >>> counted(1, "cell"), counted(2405, "cell")
    ('1 cell', '2,405 cells')
    """
    return f"{n:,} {one if n == 1 else many or one + 's'}"


def percent(share: float) -> str:
    """A share in percent, with no line broken before the sign; a small one is not told as none.

    Examples
    --------
    >>> [percent(s).replace(HARD_SPACE, "_") for s in (0.1234, 0.0, 0.0001, 0.99999, 1.0)]
    ['12.3_%', '0.0_%', 'under_0.1_%', 'over_99.9_%', '100.0_%']
    """
    if 0.0 < share < 0.0005:
        text = f"under{HARD_SPACE}0.1"
    elif 0.9995 <= share < 1.0:
        text = f"over{HARD_SPACE}99.9"
    else:
        text = f"{100 * share:.1f}"
    return f"{text}{HARD_SPACE}%"


def round_length(most: float) -> float:
    """The largest of 1, 2 or 5 times a power of ten that is not over ``most``.

    Examples
    --------
    >>> round_length(37.0), round_length(9.9), round_length(1000.0)
    (20.0, 5.0, 1000.0)
    """
    power = 1e-6
    while power * 10 <= most * (1 + 1e-9):
        power *= 10
    power = float(f"{power:.0e}")
    return max(step * power for step in (1, 2, 5) if step * power <= most * (1 + 1e-9))


def scale_and_north(figure: Any, left: float, bottom: float, feet_per_inch: float) -> None:
    """Scale bar in feet and an arrow to grid north, on a strip 2.6 in wide and 0.6 in high."""
    ax = axes_in(figure, left, bottom, 2.6, 0.6)
    ax.set_xlim(0, 2.6)
    ax.set_ylim(0, 0.6)
    ax.set_axis_off()
    length = round_length(1.75 * feet_per_inch)
    wide = length / feet_per_inch
    for k, colour in enumerate((BLACK, PAPER)):
        ax.add_patch(_bar(k * wide / 2, 0.22, wide / 2, 0.07, colour))
    for share in (0.0, 0.5, 1.0):
        text = f"{length * share:,g}" + (" ft" if share == 1.0 else "")
        ax.text(wide * share, 0.16, text, ha="center" if share else "left", va="top", fontsize=7)
    ax.text(
        0, 0.36, f"1 in = {figures(feet_per_inch)} ft at {_page(figure)}", fontsize=6.5, color=GREY
    )
    ax.annotate(
        "",
        xy=(2.42, 0.60),
        xytext=(2.42, 0.20),
        arrowprops={"arrowstyle": "-|>", "lw": 1.4, "color": BLACK, "shrinkA": 0, "shrinkB": 0},
    )
    ax.text(2.42, 0.17, "grid N", ha="center", va="top", fontsize=7, weight="bold")


def figures(value: float) -> str:
    """A length to three figures, written out.

    Examples
    --------
    >>> figures(18.34), figures(4513.0), figures(250.0)
    ('18.3', '4,510', '250')
    """
    short = float(f"{value:.3g}")
    return f"{short:,.0f}" if short >= 100 else f"{short:g}"


def _page(figure: Any) -> str:
    width, height = figure.get_size_inches()
    return f"{width:g} x {height:g} in"


def _bar(x: float, y: float, width: float, height: float, colour: str) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((x, y), width, height, facecolor=colour, edgecolor=BLACK, lw=0.8)


Entry = tuple[Any, str]


def legend_column(
    figure: Any,
    entries: list[Entry],
    left: float,
    top: float,
    width: float,
    height: float,
    n_columns: int = 1,
) -> Any:
    """A legend that shrinks its type until it fits the room it is given. Places in inches.

    A handle may be a pair, drawn one over the other.
    """
    from matplotlib.legend_handler import HandlerTuple

    w, h = figure.get_size_inches()
    legend = None
    for size in (7.5, 7.0, 6.5, 6.0, 5.5, 5.0, 4.5):
        if legend is not None:
            legend.remove()
        room = width / n_columns - 0.52
        legend = figure.legend(
            handles=[handle for handle, _ in entries],
            labels=[wrapped(label, room, size * 0.9) for _, label in entries],
            handler_map={tuple: HandlerTuple(ndivide=1, pad=0.0)},
            loc="upper left",
            bbox_to_anchor=(left / w, top / h),
            borderaxespad=0.0,
            frameon=False,
            fontsize=size,
            handlelength=2.6,
            handleheight=1.1,
            labelspacing=0.55,
            columnspacing=1.2,
            borderpad=0.0,
            ncols=n_columns,
        )
        box = legend.get_window_extent(figure.canvas.get_renderer())
        if box.height / figure.dpi <= height and box.width / figure.dpi <= width + 0.05:
            break
    return legend


def coordinates(ax: Any) -> None:
    """A few coordinates on the frame of a map, so that a place can be found in the field."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
        axis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}"))
    ax.tick_params(labelsize=6, length=3, width=0.6, pad=1.5, colors="#303030")
    ax.yaxis.set_tick_params(rotation=90)
    for label in ax.get_yticklabels():
        label.set_va("center")
