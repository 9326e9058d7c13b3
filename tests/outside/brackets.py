"""Two plates of one scene or more, and what a comparison of them should find.

In: the scenario, the plates' size. Out: the exposed plates, the notes that go with them, and the true figures worked out from the
grainless densities: for every plate against the first relative contrast, gains, alignment; the curve.
"""

import cv2
import numpy as np

import plate as plates
import scene


def expose(spec, size, q, rng):
    """Exposes A, and each of the others as the scenario's `others` change its own terms. Gives [(plate, opaque), ...] and the bracket's truth."""
    shape = (round(size[1] * q), round(size[0] * q))
    q = shape[1] / size[0]
    place = int(rng.integers(1000))
    log_e = getattr(scene, spec["scene"])(shape, place) - 0.45
    gamma, d_max, base = spec.get("gamma", 1.1), spec.get("d_max", 2.9), spec.get("base", 0.14)
    curve = plates.Curve(gamma=gamma, d_max=d_max)
    rest = dict(rebate=REBATE, grain=spec["plate"].get("grain", 1.0))
    a = plates.expose(log_e, size, q, rng, base=base, curve=curve, **rest)
    first, *ids = spec["ids"]
    exposed, pairs = [(a, [])], []
    notes = {first: (_exposure(1.0), _development(7.5))}
    for id, other in zip(ids, spec.get("others", [{}])):
        own = {**spec, **other}
        # Camera and framing of B are found as places of A; another scene is one that was never in front of A.
        frame = np.eye(3)  # finished mm of B to finished mm of A
        if own.get("framing"):
            frame = _framing(size, **(own["framing"] if isinstance(own["framing"], dict) else {}))
        between = Between(size, frame, own.get("bend", 0.0))
        there = getattr(scene, spec["scene"])(shape, place + own["elsewhere"]) - 0.45 if "elsewhere" in own else log_e
        seen = _seen(there, between.to_a, q, cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT)
        moved = np.zeros(shape, bool)
        if own.get("stirred"):
            down, right = own["stirred"]
            moved = _blob(shape)
            seen = np.where(moved, np.roll(seen, (int(down * shape[0]), int(right * shape[1])), (0, 1)), seen)
        push, stops = own.get("push", 1.0), own["stops"]
        b = a
        if not own.get("same"):
            fog = 0.01 if "push" in own else 0.002
            pushed = plates.Curve(gamma=gamma * push, d_max=d_max + 0.2 * (push - 1), inertia=0.35 - 0.15 * (push - 1))
            b = plates.expose(seen + 0.30103 * stops, size, q, rng, base=base + fog, curve=pushed, **rest)
        exposed.append((b, []))
        notes[id] = (_exposure(2.0**-stops), _development(10.5 if "push" in own else 7.5))
        pairs.append(dict(id=id, between=between, stops=stops, **_figures(a, b, between.to_b, moved, REBATE, q)))
    alike = "push" not in spec and not spec.get("same") and all(abs(pair["stops"]) > 0.3 for pair in pairs)  # less tells no curve
    return exposed, dict(ids=spec["ids"], pairs=pairs, notes=notes, curve=curve if alike else None)


REBATE = (3.0, 3.2, 2.8, 3.1)


def _exposure(ev):
    return f'ei = {2.0 * ev:.4f}\nshutter = "{3.0 / ev:.6f}"\naperture = 22.0\n'


def _development(minutes):
    return f'developer = "metol-hydroquinone"\ndilution = "1+15"\ntemperature_c = 20.0\nminutes = {minutes}\n'


def _framing(size, shift=(0.04, -0.03), turn=1.0, nearer=1.01, tilt=(4e-5, -3e-5), mirrored=False):
    """The camera was moved a little: shares of the width, degrees, and a breath of perspective. Or the plate lay on its wrong side."""
    w, h = size
    if mirrored:
        return np.array([[-1.0, 0, w], [0, 1, 0], [0, 0, 1]])
    a = np.deg2rad(turn)
    move = np.array([[1, 0, w / 2 + shift[0] * w], [0, 1, h / 2 + shift[1] * w], [0, 0, 1]])
    spin = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [*tilt, 1]])
    return move @ (spin * [[nearer], [nearer], [1]]) @ np.array([[1, 0, -w / 2], [0, 1, -h / 2], [0, 0, 1]])


class Between:
    """Where places of one plate lie on the other, in mm; B through another lens than A, or the same refocused: corners drawn out by a share
    of their distance from the middle."""

    def __init__(self, size, frame, bend):
        self.middle, self.frame, self.bend = np.array(size) / 2, frame, bend

    def to_a(self, p):
        straight = p
        for _ in range(20 if self.bend else 0):
            straight = straight + p - self._bent(straight)
        return _carry(self.frame, straight)

    def to_b(self, p):
        return self._bent(_carry(np.linalg.inv(self.frame), p))

    def _bent(self, p):
        out = p - self.middle
        return p + out * (self.bend * (out**2).sum(-1, keepdims=True) / (self.middle**2).sum())


def _carry(matrix, p):
    q = np.concatenate([p, np.ones_like(p[..., :1])], -1) @ matrix.T
    return q[..., :2] / q[..., 2:]


def _seen(picture, where, q, interpolation, **border):
    """A picture by another camera: `where` tells for its millimetres those of the picture. In bands, as the tables are large."""
    rows, columns = picture.shape
    out = []
    for top in range(0, rows, 256):
        y, x = np.mgrid[top : min(top + 256, rows), :columns].astype(np.float64)
        p = where(np.stack([x + 0.5, y + 0.5], -1) / q) * q - 0.5
        out.append(cv2.remap(picture, *(np.ascontiguousarray(p[..., k], dtype=np.float32) for k in (0, 1)), interpolation, **border))
    return np.concatenate(out)


def _blob(shape):
    """About a third of the picture."""
    y, x = np.ogrid[: shape[0], : shape[1]]
    return ((x / shape[1] - 0.25) / 0.30) ** 2 + ((y / shape[0] - 0.55) / 0.36) ** 2 < 1


def _figures(a, b, to_b, moved, rebate, q):
    """Over the area that both pictures share, in densities above base averaged to 0.1 mm."""
    shape = a.clean.shape
    b_on_a = _seen(b.clean, to_b, q, cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=np.nan)
    stirred = _seen(moved.astype(np.uint8), to_b, q, cv2.INTER_NEAREST) > 0
    n = max(1, int(round(0.1 * q)))
    rows, cols = shape[0] // n, shape[1] // n
    gather = lambda m: m[: rows * n, : cols * n].reshape(rows, n, cols, n).mean((1, 3), dtype=np.float64)
    da, db, still = gather(a.clean), gather(b_on_a), gather(stirred.astype(np.float32)) == 0
    x, y = np.meshgrid((np.arange(cols) + 0.5) * n / q, (np.arange(rows) + 0.5) * n / q)
    xb, yb = np.moveaxis(to_b(np.stack([x, y], -1)), -1, 0)
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
