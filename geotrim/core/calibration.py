"""Heights of a raster against stick readings: bias, spread, outliers, and a correction.

A difference is always the raster's height less the stick's: a negative bias means that the raster
reads low, and trees are taller than it says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geotrim.core.coverage import Floats
from geotrim.core.height_wrap import HeightsOf
from geotrim.errors import RangeError
from geotrim.model import FloatArray, HeightSource

#: Share of the t distribution that an interval holds.
CONFIDENCE_FRAC = 0.95
#: A modified z farther from 0 than this is an outlier. Source: B. Iglewicz and D. C. Hoaglin
#: (1993), *How to Detect and Handle Outliers*, ASQC Quality Press (from memory).
OUTLIER_Z = 3.5
#: The median absolute deviation of a normal distribution, in standard deviations: its 0.75
#: quantile. The mean absolute deviation: the square root of 2 over pi.
MEDIAN_DEVIATION, MEAN_DEVIATION = 0.6745, float(np.sqrt(2.0 / np.pi))
#: Differences closer together than this are alike: less than a raster in single precision holds.
ALIKE_FT = 1e-5
#: Trees under which no trend with height is looked for. Common practice, no source.
LEAST_FOR_TREND = 10
#: Trees without which no height is corrected: a spread of two says next to nothing. Common
#: practice, no source.
LEAST_FOR_CORRECTION = 3
#: Checks under which an accuracy is told with a caveat. Source: ASPRS Positional Accuracy
#: Standards for Digital Geospatial Data, Edition 2 (2023), which raised it from 20.
ENOUGH_CHECKS = 30
#: Error of a height where nobody states one. Source: USGS data release, corrected elevation model
#: of Collier County (2019): RMSE 44.5 cm of uncorrected lidar ground under wetland plants. [ft]
UNSTATED_ERROR_FT = 1.46
#: What a normal distribution's 95 % interval reaches to either side, in standard deviations.
NORMAL_REACH = 1.959964
#: A shift that two decimals tell as none. [ft]
NO_SHIFT_FT = 0.005
#: Ways to use what was found, the first being not to.
CORRECTIONS = ("none", "error", "bias")


@dataclass(frozen=True, slots=True)
class Agreement:
    """How a raster's heights agree with sticks. Feet; NaN where n is too small to tell.

    n : trees compared.
    bias_ft : mean of the differences, raster less stick.
    sd_ft : their standard deviation, with n - 1.
    rmse_ft : root of their mean square, with n.
    mae_ft : mean of their sizes.
    median_ft : their median.
    bias_error_ft : standard error of the bias, ``sd / sqrt(n)``.
    bias_low_ft, bias_high_ft : the bias's 95 % interval, by Student's t with n - 1 degrees.
    """

    n: int
    bias_ft: float
    sd_ft: float
    rmse_ft: float
    mae_ft: float
    median_ft: float
    bias_error_ft: float
    bias_low_ft: float
    bias_high_ft: float


def agreement(difference_ft: npt.ArrayLike) -> Agreement:
    """Bias, spread and size of differences.

    Parameters
    ----------
    difference_ft : (n,) array
        Raster less stick, one a tree, all finite. [ft]

    Notes
    -----
    ``rmse^2 = bias^2 + sd^2 (n - 1) / n``. Formulas of the textbooks; RMSE, n and mean error are
    what the ASPRS *Positional Accuracy Standards for Digital Geospatial Data*, Edition 2 (2023),
    ask for. That edition drops the 95 % figure, so there is none here.

    Examples
    --------
    >>> found = agreement([-1.0, 0.0, -2.0])
    >>> found.n, found.bias_ft, found.sd_ft, round(found.rmse_ft, 4)
    (3, -1.0, 1.0, 1.291)
    """
    from scipy.special import stdtrit

    d = _finite(difference_ft)
    n = d.size
    if n == 0:
        return Agreement(0, *[float("nan")] * 8)
    bias = float(d.mean())
    sd = float(d.std(ddof=1)) if n > 1 else float("nan")
    error = float(sd / np.sqrt(n))
    reach = float(stdtrit(n - 1, 0.5 + CONFIDENCE_FRAC / 2.0)) * error if n > 1 else float("nan")
    return Agreement(
        n=n,
        bias_ft=bias,
        sd_ft=sd,
        rmse_ft=float(np.sqrt(np.mean(d**2))),
        mae_ft=float(np.abs(d).mean()),
        median_ft=float(np.median(d)),
        bias_error_ft=error,
        bias_low_ft=bias - reach,
        bias_high_ft=bias + reach,
    )


def modified_z(difference_ft: npt.ArrayLike) -> Floats:
    """How far each difference lies from the others, by a scale that outliers do not widen.

    Parameters
    ----------
    difference_ft : (n,) array
        All finite. [ft]

    Returns
    -------
    (n,) array
        ``0.6745 (d - median) / MAD``, where MAD is the median absolute deviation from the median.
        Where more than half of the differences are alike, so that MAD is 0, the mean absolute
        deviation stands in for it, scaled for a normal distribution too (common practice, no
        source); 0 for all where all are alike.

    References
    ----------
    B. Iglewicz and D. C. Hoaglin (1993), *How to Detect and Handle Outliers* (from memory).

    Examples
    --------
    Median 0, MAD 1: 0.6745 for each foot.

    >>> modified_z([-1.0, 0.0, 1.0, -1.0, 10.0]).round(4).tolist()
    [-0.6745, 0.0, 0.6745, -0.6745, 6.745]
    """
    d = _finite(difference_ft)
    if d.size == 0:
        return d
    from_middle: Floats = d - np.median(d)
    size = np.abs(from_middle)
    mad = float(np.median(size))
    if mad > ALIKE_FT:
        return MEDIAN_DEVIATION * from_middle / mad
    mean = float(size.mean())
    if not size.max() > ALIKE_FT:
        return np.zeros(d.size)
    return MEAN_DEVIATION * from_middle / mean


@dataclass(frozen=True, slots=True)
class Trend:
    """How the difference changes with the stick's height: feet for each foot, with its interval."""

    slope_frac: float
    low_frac: float
    high_frac: float

    @property
    def is_clear(self) -> bool:
        """Whether the 95 % interval leaves 0 out."""
        return self.low_frac > 0.0 or self.high_frac < 0.0


def trend(stick_ft: npt.ArrayLike, difference_ft: npt.ArrayLike) -> Trend:
    """Slope of the difference over the stick's height, by least squares.

    Parameters
    ----------
    stick_ft, difference_ft : (n,) arrays
        All finite. [ft]

    Returns
    -------
    Trend
        NaN under ``LEAST_FOR_TREND`` trees, or where all are of one height.

    Notes
    -----
    The stick is taken as the better of the two. Its own error draws the slope down a little, by
    its variance over that of the heights.
    """
    from scipy.special import stdtrit

    x, y = _finite(stick_ft), _finite(difference_ft)
    away = x - x.mean() if x.size else x
    spread = float((away**2).sum())
    if x.size < LEAST_FOR_TREND or not np.ptp(x) > ALIKE_FT:
        return Trend(*[float("nan")] * 3)
    slope = float((away * y).sum()) / spread
    rest = y - y.mean() - slope * away
    error = np.sqrt(float((rest**2).sum()) / (x.size - 2) / spread)
    reach = float(stdtrit(x.size - 2, 0.5 + CONFIDENCE_FRAC / 2.0) * error)
    return Trend(slope, slope - reach, slope + reach)


def welch(one_ft: npt.ArrayLike, other_ft: npt.ArrayLike) -> tuple[float, float]:
    """Difference of two means, and the reach of its 95 % interval either way; NaN under two each.

    Parameters
    ----------
    one_ft, other_ft : arrays
        All finite. [ft]

    References
    ----------
    B. L. Welch (1947), *The generalization of "Student's" problem when several different population
    variances are involved*, Biometrika 34 (from memory).
    """
    from scipy.special import stdtrit

    one, other = _finite(one_ft), _finite(other_ft)
    if min(one.size, other.size) < 2:
        return float("nan"), float("nan")
    parts = np.array([part.var(ddof=1) / part.size for part in (one, other)])
    gap, whole = float(one.mean() - other.mean()), float(parts.sum())
    if not whole > 0.0:
        return gap, 0.0
    degrees = whole**2 / float((parts**2 / (np.array([one.size, other.size]) - 1)).sum())
    return gap, float(stdtrit(degrees, 0.5 + CONFIDENCE_FRAC / 2.0) * np.sqrt(whole))


def with_reading_error(rmse_ft: float, reading_error_ft: float) -> float:
    """RMSE of a product with the error of its checks added in; NaN if that was not stated. [ft].

    ``sqrt(RMSE_test^2 + RMSE_survey^2)``, as ASPRS Edition 2 asks (formula from memory).

    Examples
    --------
    >>> round(with_reading_error(10.0, 3.0), 2)
    10.44
    """
    return float(np.hypot(rmse_ft, reading_error_ft))


@dataclass(frozen=True, slots=True)
class Correction:
    """What is taken off every height, and the error every height then carries. [ft].

    is_stated : whether that error is the one stated for the raster, being greater.
    """

    shift_ft: float
    error_ft: float
    is_stated: bool = False

    @property
    def is_usual(self) -> bool:
        """Whether that error is the one taken where none is stated, so few trees showing less."""
        return not self.is_stated and self.error_ft == UNSTATED_ERROR_FT


def widening(n: int) -> float:
    """What a spread of n readings is multiplied by, to be used as if it were known for sure.

    A further tree differs from the mean of n by ``t(n - 1) sd sqrt(1 + 1 / n)`` (the textbooks'
    prediction interval), while whoever is given an error reaches out by that error times a normal
    quantile. At 95 % both reach as far where the error is ``sd sqrt(1 + 1 / n)`` times the t
    quantile over the normal one. (At 99 % that is still too little for a few trees, which a floor
    holds up: :func:`correction`.)

    Examples
    --------
    Tables of t give 4.303 for 2 degrees and 2.045 for 29.

    >>> round(widening(3), 3), round(widening(30), 3)
    (2.195, 1.044)
    """
    from scipy.special import stdtrit

    return float(stdtrit(n - 1, 0.5 + CONFIDENCE_FRAC / 2.0)) / NORMAL_REACH


def is_bias_sure(n: int, low_ft: float, high_ft: float) -> bool:
    """Whether enough trees show a bias that chance would not: its 95 % interval leaves 0 out.

    Examples
    --------
    >>> is_bias_sure(30, -1.2, -0.8), is_bias_sure(29, -1.2, -0.8), is_bias_sure(30, -0.1, 0.9)
    (True, False, False)
    """
    return n >= ENOUGH_CHECKS and (low_ft > 0.0 or high_ft < 0.0)


def correction(
    choice: str,
    *,
    n: int,
    bias_ft: float,
    sd_ft: float,
    rmse_ft: float,
    reading_error_ft: float,
    stated_error_ft: float,
) -> Correction | None:
    """How heights are corrected by what was found; None if they are not.

    Parameters
    ----------
    choice : str
        One of ``CORRECTIONS``. ``error`` keeps the heights and takes the RMSE found as their
        error; ``bias`` takes the bias off them.
    n, bias_ft, sd_ft, rmse_ft :
        As in :class:`Agreement`.
    reading_error_ft : float
        Standard error of a reading, NaN if nobody stated it: it then adds nothing. [ft]
    stated_error_ft : float
        Standard error stated for the raster, NaN if nobody did. [ft]

    Raises
    ------
    RangeError
        With fewer than ``LEAST_FOR_CORRECTION`` trees.

    Notes
    -----
    A difference is ``d = bias + e - s`` with the raster's own error e and the stick's error s. Once
    the bias found is taken off, the height of a further tree is off by e and by the error of the
    bias, so its variance is ``var(e) + sd^2 / n``. Of ``var(e)`` only ``sd^2 = var(e) + var(s)`` is
    seen, which is no less. The reading's error is added once more, as ASPRS Edition 2 adds that of
    the survey: it stands for what all readings share, such as a rod that sinks into the mud, which
    no number of readings shows. So

    ``error = sqrt(w^2 (sd^2 + sd^2 / n) + reading_error^2)``, and with the bias kept in,
    ``error = sqrt(w^2 rmse^2 + reading_error^2)``, where w is the :func:`widening` for n readings
    (an RMSE of n readings has a degree more, so there it is a little too wide). Both lie on the
    safe side.

    Fewer than ``ENOUGH_CHECKS`` trees may agree by luck: they make an error greater than the one
    stated for the raster, and never less; where none is stated, than ``UNSTATED_ERROR_FT``.
    """
    if choice == CORRECTIONS[0]:
        return None
    if n < LEAST_FOR_CORRECTION:
        raise RangeError(
            "height_correction",
            f"{choice!r} with {n} {'tree' if n == 1 else 'trees'} to compare",
            f"readings of {LEAST_FOR_CORRECTION} trees or more that the raster covers "
            "(30 for a statement of accuracy)",
            "measure more trees with the stick, or say height_correction none",
        )
    reading = 0.0 if np.isnan(reading_error_ft) else reading_error_ft
    shift = bias_ft if choice == "bias" else 0.0
    own = float(sd_ft * np.sqrt(1.0 + 1.0 / n)) if choice == "bias" else rmse_ft
    error = with_reading_error(widening(n) * own, reading)
    is_stated = not np.isnan(stated_error_ft)
    floor = stated_error_ft if is_stated else UNSTATED_ERROR_FT
    if n < ENOUGH_CHECKS and floor > error:
        return Correction(shift, floor, is_stated)
    return Correction(shift, error)


@dataclass(frozen=True, slots=True, eq=False)
class CorrectedHeights(HeightsOf):
    """A height source with a bias taken off; a :class:`~geotrim.model.HeightSource` itself.

    source : where the heights come from.
    shift_ft : taken off every height above the substrate. [ft]
    rmse_ft : standard error of one height once that is done. [ft]

    Cells at or below 0 show no canopy and stay as they are: a raster that reads trees low still
    reads open ground as ground. No height is taken below 0. No data stays no data.
    """

    source: HeightSource
    shift_ft: float
    rmse_ft: float | None

    def read(self, row0: int, row1: int, col0: int, col1: int) -> FloatArray:
        """Heights of one window in the source's unit, less the shift."""
        heights = self.source.read(row0, row1, col0, col1)
        if self.shift_ft == 0.0:
            return heights
        if heights.dtype.kind != "f":
            heights = heights.astype(np.float64)
        shift = heights.dtype.type(self.shift_ft / self.source.feet_per_unit)
        shifted: FloatArray = np.where(heights > 0.0, np.maximum(heights - shift, 0.0), heights)
        return shifted.astype(heights.dtype, copy=False)


def _finite(values: npt.ArrayLike) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    if array.ndim != 1 or not np.isfinite(array).all():
        raise ValueError("differences are one row of finite numbers")
    return array
