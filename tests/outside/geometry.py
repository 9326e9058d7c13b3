"""Where each place of the plate has come to lie, and how sharp it has stayed.

In: the result's and the expected transmittance on one grid (pixels). Out: a field of displacements (px) with the places where the
plate's own texture allows one, and the transfer of contrast.

Displacements: phase correlation of windowed patches for the whole pixels (Kuglin & Hines 1975), then least squares on the
gradient (Lucas & Kanade 1981), which also gives each displacement its standard error; patches that cannot be placed to 0.06 px
say nothing. Sharpness: the cross-spectrum of result and expectation over the expectation's own power, so that noise drops out.
"""

import cv2
import numpy as np
from scipy import ndimage

WINDOW = 64
STEP = 80
GOOD_PX = 0.06  # standard error that a displacement may have
SMOOTH = 0.8  # px, against noise, applied to both sides alike


def displacements(result, expected, step=STEP, mask=None):
    """Rows of (x, y, dx, dy, standard error): what should lie at (x, y) lies at (x + dx, y + dy)."""
    r, e = (_even(image) for image in (result, expected))
    spline = ndimage.spline_filter(r, order=3, output=np.float32)
    gy, gx = np.gradient(e)
    h, w = e.shape
    half = WINDOW // 2
    hann = np.outer(np.hanning(WINDOW), np.hanning(WINDOW)).astype(np.float32)
    yy, xx = np.mgrid[-half:half, -half:half].astype(np.float32)
    rows = []
    for cy in range(half, h - half, step):
        for cx in range(half, w - half, step):
            box = (slice(cy - half, cy + half), slice(cx - half, cx + half))
            if mask is not None and mask[box].any():
                continue
            found = _place(r, spline, e[box], gx[box], gy[box], cx, cy, hann, xx, yy)
            if found is not None:
                rows.append((cx, cy, *found))
    return np.array(rows).reshape(-1, 5)


def _even(image):
    """Density held to 2.4, a little smoothed."""
    smooth = cv2.GaussianBlur(image, (0, 0), SMOOTH)
    return -np.log10(np.clip(smooth, 0.004, 2)).astype(np.float32)


def _place(r, spline, patch, gx, gy, cx, cy, hann, xx, yy):
    weight = hann
    grams = np.array([[(weight * gx * gx).sum(), (weight * gx * gy).sum()], [0, (weight * gy * gy).sum()]])
    grams[1, 0] = grams[0, 1]
    if np.linalg.eigvalsh(grams)[0] < 1e-3:
        return None
    shift = _whole(r, patch, cx, cy, hann)
    if shift is None:
        return None
    reference = patch - (weight * patch).sum() / weight.sum()
    for _ in range(6):
        seen = ndimage.map_coordinates(spline, [yy + (cy + shift[1]), xx + (cx + shift[0])], order=3, prefilter=False, mode="nearest")
        seen = seen - (weight * seen).sum() / weight.sum()
        gain = (weight * seen * reference).sum() / max((weight * reference * reference).sum(), 1e-12)
        if gain < 0.2:
            return None
        rest = seen - gain * reference
        move = np.linalg.solve(grams * gain, [(weight * gx * rest).sum(), (weight * gy * rest).sum()])
        shift = shift - np.clip(move, -1, 1)
        if np.abs(move).max() < 2e-3:
            break
    error = np.sqrt((weight * rest * rest).sum() / weight.sum() * np.trace(np.linalg.inv(grams)) * weight.mean()) / gain
    return (*shift, error) if error < GOOD_PX and np.abs(shift).max() < 24 else None


def _whole(r, patch, cx, cy, hann):
    half = WINDOW // 2
    seen = r[cy - half : cy + half, cx - half : cx + half]
    cross = np.fft.rfft2((seen - seen.mean()) * hann) * np.conj(np.fft.rfft2((patch - patch.mean()) * hann))
    peak = np.fft.irfft2(cross / (np.abs(cross) + 1e-3 * np.abs(cross).max() + 1e-12), s=patch.shape)
    y, x = np.unravel_index(np.argmax(peak), peak.shape)
    y, x = (v - WINDOW if v >= half else v for v in (y, x))
    return np.array([x, y], float)


def smooth_field(field, shape, order=3):
    """Least-squares polynomial through the displacements, as a function of pixel positions; robust by one trimming."""
    h, w = shape
    keep = np.ones(len(field), bool)
    for _ in range(2):
        terms = _terms(field[keep, 0], field[keep, 1], w, h, order)
        fit, *_ = np.linalg.lstsq(terms, field[keep, 2:4], rcond=None)
        rest = np.hypot(*(field[:, 2:4] - _terms(field[:, 0], field[:, 1], w, h, order) @ fit).T)
        keep = rest < 4 * max(np.median(rest), 0.02)
    return lambda x, y: _terms(np.ravel(x), np.ravel(y), w, h, order) @ fit


def _terms(x, y, w, h, order):
    u, v = 2 * x / w - 1, 2 * y / h - 1
    return np.stack([u**i * v**j for i in range(order + 1) for j in range(order + 1 - i)], -1)


def sharpness(result, expected, field, bands=((0.06, 0.15), (0.15, 0.28), (0.28, 0.38)), window=128, most=150):
    """Transfer from expectation to result per band of cycles per pixel: 1 is all of it. Patches follow their displacement."""
    h, w = expected.shape
    top = np.zeros(len(bands))
    bottom = np.zeros(len(bands))
    hann = np.outer(np.hanning(window), np.hanning(window))
    f = np.hypot(np.fft.fftfreq(window)[:, None], np.fft.rfftfreq(window)[None, :])
    half = window // 2
    picked = field[:: max(1, len(field) // most)]
    for cx, cy, dx, dy, _ in picked:
        cx, cy = int(cx), int(cy)
        wx, wy = int(round(dx)), int(round(dy))
        if not (half <= cx < w - half and half <= cy < h - half and half <= cx + wx < w - half and half <= cy + wy < h - half):
            continue
        e = np.fft.rfft2((expected[cy - half : cy + half, cx - half : cx + half] ) * hann)
        r = np.fft.rfft2((result[cy + wy - half : cy + wy + half, cx + wx - half : cx + wx + half]) * hann)
        fy, fx = np.fft.fftfreq(window)[:, None], np.fft.rfftfreq(window)[None, :]
        r = r * np.exp(2j * np.pi * (fx * (dx - wx) + fy * (dy - wy)))
        level = (expected[cy - half : cy + half, cx - half : cx + half] * hann).sum() / hann.sum()
        for i, (low, high) in enumerate(bands):
            ring = (f >= low) & (f < high)
            top[i] += (r * np.conj(e))[ring].real.sum() / level**2
            bottom[i] += (np.abs(e)[ring] ** 2).sum() / level**2
    return top / np.maximum(bottom, 1e-12)


def best_orientation(result, expected):
    """0 when the result lies as it should; otherwise which of the eight ways fits better."""
    small = [cv2.resize(_even(i), (96, 96), interpolation=cv2.INTER_AREA) for i in (result, expected)]
    ways = [np.rot90(m, k) for m in (small[0], small[0][:, ::-1]) for k in range(4)]
    return int(np.argmax([np.corrcoef(way.ravel(), small[1].ravel())[0, 1] for way in ways]))
