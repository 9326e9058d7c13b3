"""Two plates of one scene, and what a comparison of them should find.

In: the scenario, the plates' size. Out: the exposed plates, the notes that go with them, and the true figures worked out from the
grainless densities: relative contrast, gains, alignment, the curve.
"""

import cv2
import numpy as np

import plate as plates
import scene


def expose(spec, size, q, rng):
    """Exposes A and B. Gives [(plate, opaque), ...] and the bracket's truth."""
    shape = (round(size[1] * q), round(size[0] * q))
    q = shape[1] / size[0]
    log_e = getattr(scene, spec["scene"])(shape, int(rng.integers(1000))) - 0.45
    frame = _framing(size) if spec.get("framing") else np.eye(3)  # finished mm of B to finished mm of A
    to_a = _scaled(frame, q)
    seen_by_b = cv2.warpPerspective(log_e, to_a, shape[::-1], flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_REFLECT)
    moved = np.zeros(shape, bool)
    if spec.get("moved"):
        moved = _blob(shape)
        elsewhere = np.roll(seen_by_b, (int(0.02 * shape[0]), int(0.04 * shape[1])), (0, 1))
        seen_by_b = np.where(moved, elsewhere, seen_by_b)
    rebate = (3.0, 3.2, 2.8, 3.1)
    curve_a = plates.Curve(gamma=1.1, d_max=2.9)
    curve_b = plates.Curve(gamma=1.1 * spec.get("push", 1.0), d_max=2.9 + 0.2 * (spec.get("push", 1.0) - 1), inertia=0.35 - 0.15 * (spec.get("push", 1.0) - 1))
    a = plates.expose(log_e, size, q, rng, base=0.14, curve=curve_a, rebate=rebate)
    if spec.get("same"):
        b = a
    else:
        b = plates.expose(seen_by_b + 0.30103 * spec["stops"], size, q, rng, base=0.15 if "push" in spec else 0.142, curve=curve_b, rebate=rebate)
    ev = 2.0 ** -spec["stops"]
    notes = {
        spec["ids"][0]: ("ei = 2.0\nshutter = \"3\"\naperture = 22.0\n", _development(7.5)),
        spec["ids"][1]: (f"ei = {2.0 * ev:.4f}\nshutter = \"{3.0 / ev:.6f}\"\naperture = 22.0\n", _development(10.5 if "push" in spec else 7.5)),
    }
    truth = dict(ids=spec["ids"], frame=frame, stops=spec["stops"], notes=notes, curve=curve_a if "push" not in spec and not spec.get("same") else None)
    truth.update(_figures(a, b, to_a, moved, rebate, q))
    return [(a, []), (b, [])], truth


def _development(minutes):
    return f'developer = "metol-hydroquinone"\ndilution = "1+15"\ntemperature_c = 20.0\nminutes = {minutes}\n'


def _framing(size):
    """The camera was moved a little: 4 % of the width, 1 degree, and a breath of perspective."""
    w, h = size
    a = np.deg2rad(1.0)
    move = np.array([[1, 0, w / 2 + 0.04 * w], [0, 1, h / 2 - 0.03 * h], [0, 0, 1]])
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [4e-5, -3e-5, 1]])
    return move @ (turn * [[1.01], [1.01], [1]]) @ np.array([[1, 0, -w / 2], [0, 1, -h / 2], [0, 0, 1]])


def _scaled(matrix, q):
    """A map of millimetres as a map of raster indices."""
    into = np.array([[1 / q, 0, 0.5 / q], [0, 1 / q, 0.5 / q], [0, 0, 1]])
    return np.linalg.inv(into) @ matrix @ into


def _blob(shape):
    """About a third of the picture."""
    y, x = np.ogrid[: shape[0], : shape[1]]
    return ((x / shape[1] - 0.25) / 0.30) ** 2 + ((y / shape[0] - 0.55) / 0.36) ** 2 < 1


def _figures(a, b, to_a, moved, rebate, q):
    """Over the area that both pictures share, in densities above base averaged to 0.1 mm."""
    shape = a.clean.shape
    b_on_a = cv2.warpPerspective(b.clean, np.linalg.inv(to_a), shape[::-1], flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderValue=np.nan)
    stirred = cv2.warpPerspective(moved.astype(np.uint8), np.linalg.inv(to_a), shape[::-1], flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP) > 0
    n = max(1, int(round(0.1 * q)))
    rows, cols = shape[0] // n, shape[1] // n
    gather = lambda m: m[: rows * n, : cols * n].reshape(rows, n, cols, n).mean((1, 3), dtype=np.float64)
    da, db, still = gather(a.clean), gather(b_on_a), gather(stirred.astype(np.float32)) == 0
    x, y = np.meshgrid((np.arange(cols) + 0.5) * n / q, (np.arange(rows) + 0.5) * n / q)
    index = np.stack([x * q - 0.5, y * q - 0.5, np.ones_like(x)], -1) @ np.linalg.inv(to_a).T
    xb, yb = (index[..., 0] / index[..., 2] + 0.5) / q, (index[..., 1] / index[..., 2] + 0.5) / q
    w, h = a.size
    both = np.ones_like(still)
    for px, py in ((x, y), (xb, yb)):
        both &= (px > rebate[0] + 0.6) & (px < w - rebate[2] - 0.6) & (py > rebate[1] + 0.6) & (py < h - rebate[3] - 0.6)
    both &= np.isfinite(db)
    p05, p95 = np.percentile(da[both], [5, 95])
    good = both & still
    mid = good & (da > 0.25 * p95) & (da < 0.85 * p95)
    steep = np.hypot(*np.gradient(cv2.GaussianBlur(da, (0, 0), 1)))
    mid &= steep < 0.15
    u, v = da[mid] - da[mid].mean(), db[mid] - db[mid].mean()
    slope = 0.5 * np.arctan2(2 * (u * v).mean(), (u * u).mean() - (v * v).mean())
    near = lambda d: float(np.median((db - da)[good & (np.abs(da - d) < 0.02 + 0.02 * d)]))
    return dict(relative_contrast=float(np.tan(slope)), shadow_gain=near(p05), highlight_gain=near(p95),
                below=[float((d[both] < 0.10).mean()) for d in (da, db)], overlap=float(both.mean()))
