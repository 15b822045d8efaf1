"""The weight usual at a length, by a fit that entry errors cannot bend; for doubting entries only, not for estimates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

MINIMUM_WEIGHED = 10
_ALL_PAIRS_UP_TO = 300
_BINS = 40
_MAD_TO_SD = 1.4826
_LEAST_SCALE = 0.02
_SLOPES = (2.2, 4.0)


@dataclass(frozen=True, slots=True)
class UsualWeight:
    """log10 weight (g) = intercept + slope x log10 length (mm), scattered by `scale` (in log10 units).

    `low`, `high` bound the lengths (mm) that are common in the data.
    """

    intercept: float
    slope: float
    scale: float
    low: float
    high: float

    def weight(self, length_mm: npt.ArrayLike) -> FloatArray:
        """The usual weight (g)."""
        return np.asarray(10.0 ** (self.intercept + self.slope * np.log10(np.asarray(length_mm, dtype=np.float64))))

    def residual(self, length_mm: npt.ArrayLike, weight_g: npt.ArrayLike) -> FloatArray:
        """log10 of weight over usual weight."""
        return np.asarray(np.log10(np.asarray(weight_g, dtype=np.float64)) - np.log10(self.weight(length_mm)))

    def tolerance(self, length_mm: npt.ArrayLike) -> FloatArray:
        """How large a residual may be before it is doubted: 4.5 scales, a third at least, and a gram for rounding."""
        return np.asarray(max(4.5 * self.scale, np.log10(1.35)) + np.log10(1 + 1 / self.weight(length_mm)))


def _median_slope(x: FloatArray, y: FloatArray) -> float:
    """Median of the slopes between all pairs of points that are some way apart (Theil 1950, Sen 1968)."""
    first, second = np.triu_indices(len(x), k=1)
    apart = np.abs(x[second] - x[first]) > 0.02
    if apart.sum() < 3:
        return 3.0
    slopes = (y[second] - y[first])[apart] / (x[second] - x[first])[apart]
    return float(np.clip(np.median(slopes), *_SLOPES))


def _start(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Intercept and slope from all pairs, or from medians of equally filled length classes where the fish are many."""
    px, py = x, y
    if len(x) > _ALL_PAIRS_UP_TO:
        parts = np.array_split(np.argsort(x, kind="stable"), _BINS)
        px, py = (np.array([np.median(values[part]) for part in parts]) for values in (x, y))
    slope = _median_slope(px, py)
    return float(np.median(y - slope * x)), slope


def fit_usual_weight(length_mm: FloatArray, weight_g: FloatArray) -> UsualWeight | None:
    """The usual weight from weighed fish (both positive), or None when fewer than `MINIMUM_WEIGHED` are weighed.

    Median of pairwise slopes as a start, then three least-squares fits to the fish within three scales, where the scale is
    1.4826 times the median absolute residual.
    """
    if len(length_mm) < MINIMUM_WEIGHED:
        return None
    x, y = np.log10(length_mm), np.log10(weight_g)
    intercept, slope = _start(x, y)
    for _ in range(3):
        residual = y - intercept - slope * x
        scale = max(_MAD_TO_SD * float(np.median(np.abs(residual))), _LEAST_SCALE)
        near = np.abs(residual) < 3 * scale
        spread = float(np.var(x[near])) if near.sum() >= MINIMUM_WEIGHED else 0.0
        if spread < 1e-4:
            break
        centre = x[near].mean()
        slope = float(np.clip(np.mean((x[near] - centre) * y[near]) / spread, *_SLOPES))
        intercept = float(y[near].mean() - slope * centre)
    residual = y - intercept - slope * x
    scale = max(_MAD_TO_SD * float(np.median(np.abs(residual))), _LEAST_SCALE)
    low, high = common_lengths(length_mm[np.abs(residual) < 4.5 * scale])
    return UsualWeight(intercept, slope, scale, low, high)


def common_lengths(length_mm: FloatArray) -> tuple[float, float]:
    """Bounds of the lengths (mm) that are common: the inner 99 percent, and a quarter beyond."""
    if not len(length_mm):
        return 60.0, 1000.0
    low, high = np.quantile(length_mm, [0.005, 0.995])
    return float(low) * 0.8, float(high) * 1.25
