"""How far a result lies from the truth in density: patches, unevenness, false steps.

In: the result's transmittance and the expected one on the same grid, and pixels per millimetre. Out: plain figures.
A patch's density is -log10 of its mean transmittance, read through sums over exact (fractional) boxes. The margin next to the
glass's edge is left out, as the edge itself is judged by the corners.
"""

import cv2
import numpy as np

PATCH_MM = 0.3
STEP_MM = 3.0
CELL_MM = 12.0
MARGIN_MM = 1.0
DEEPEST = 2.5


def patch_means(image, per_mm, patch_mm=PATCH_MM, margin_mm=MARGIN_MM):
    """Means of square patches laid edge to edge from `margin_mm` inside the glass: (rows, columns)."""
    h, w = image.shape
    sums = cv2.integral(image, sdepth=cv2.CV_64F)
    side = patch_mm * per_mm
    nx, ny = (int((n - 2 * margin_mm * per_mm) / side) for n in (w, h))
    x = margin_mm * per_mm + side * np.arange(nx + 1)
    y = margin_mm * per_mm + side * np.arange(ny + 1)
    corner = _between(_between(sums, y, 0), x, 1)
    return (corner[1:, 1:] - corner[:-1, 1:] - corner[1:, :-1] + corner[:-1, :-1]) / side**2


def _between(table, at, axis):
    low = np.minimum(at.astype(int), table.shape[axis] - 2)
    share = (at - low).reshape([-1, 1] if axis == 0 else [1, -1])
    return np.take(table, low, axis) * (1 - share) + np.take(table, low + 1, axis) * share


def density(t):
    return -np.log10(np.maximum(t, 1e-6))


def densities(result, expected, per_mm, leave_out=None, deepest=DEEPEST):
    """Figures of density over 0.3 mm patches. `leave_out`: 1 where the plate is to be left alone (chips, tape)."""
    seen, true = patch_means(result, per_mm), patch_means(expected, per_mm)
    fit = density(true) < deepest
    if leave_out is not None:
        fit &= patch_means(leave_out.astype(np.float32), per_mm) < 0.001
    error = density(seen) - density(true)
    return error, density(true), fit


def summary(error, true, fit):
    """Median and 95th percentile of the absolute error, the mean error, unevenness in per cent of T, and the largest false step."""
    size = np.abs(error[fit])
    out = {"density_median": float(np.median(size)), "density_p95": float(np.percentile(size, 95)), "density_bias": float(np.median(error[fit]))}
    out["unevenness_percent"] = _unevenness(error, fit & (true < 2.0))
    out["false_step"] = _false_step(error, fit & (true < 2.0))
    return out


def _blocks(error, fit, patch_mm, block_mm, enough=0.4):
    """Median error of blocks of patches; NaN where too few patches count."""
    n = max(1, int(round(block_mm / patch_mm)))
    rows, cols = error.shape[0] // n, error.shape[1] // n
    e = np.where(fit, error, np.nan)[: rows * n, : cols * n].reshape(rows, n, cols, n).transpose(0, 2, 1, 3).reshape(rows, cols, n * n)
    counted = np.isfinite(e).mean(-1) >= enough
    out = np.full((rows, cols), np.nan)
    out[counted] = np.nanmedian(e[counted], axis=-1)
    return out


def _unevenness(error, fit):
    """Spread (root mean square about the mean) of the slow part of the error, in per cent of T: the light that the blank left in."""
    slow = _blocks(error, fit, PATCH_MM, CELL_MM)
    slow = slow[np.isfinite(slow)]
    return float(100 * np.log(10) * slow.std()) if len(slow) > 3 else float("nan")


def _false_step(error, fit):
    """Largest difference of error between neighbouring 3 mm patches: a seam that the plate does not have."""
    blocks = _blocks(error, fit, PATCH_MM, STEP_MM)
    steps = np.concatenate([np.abs(np.diff(blocks, axis=a)).ravel() for a in (0, 1)])
    steps = steps[np.isfinite(steps)]
    return float(steps.max()) if len(steps) else float("nan")
