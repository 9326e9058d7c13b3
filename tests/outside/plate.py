"""The plate: light through a characteristic curve, with rebate, base, grain and damage.

In: log10 exposure over the picture, and how the plate was cut, held and coated. Out: `Plate`, whose raster of transmittance is the
truth that everything is held against. Curve of the usual shape: toe, straight line, shoulder (Hurter & Driffield). Grain after
Selwyn: the spread of density goes with the square root of density over area.
"""

from dataclasses import dataclass

import cv2
import numpy as np

EDGE_SOFT_MM = 0.12  # how softly the holder's rail shades the emulsion
GRAIN_AT_D1 = 0.018  # spread of density in a 48 um circle at D = 1: a coarse plate
APERTURE_MM2 = np.pi * 0.024**2


@dataclass
class Curve:
    """Density above base against log10 exposure."""

    gamma: float = 1.15
    d_max: float = 2.9
    inertia: float = 0.35  # log10 exposure at which the straight line meets the base
    toe: float = 0.16  # softness of the toe, in log10 exposure

    def __call__(self, log_e):
        straight = self.gamma * self.toe * np.logaddexp(0, (log_e - self.inertia) / self.toe)
        return (self.d_max * -np.expm1(-straight / self.d_max)).astype(np.float32)


@dataclass
class Plate:
    """The truth. `t` is the transmittance, `clean` the density above base without grain; both at `q` samples per mm."""

    size: tuple  # mm, as the finished picture lies
    q: float
    t: np.ndarray
    clean: np.ndarray
    base: float
    curve: Curve
    rebate: tuple  # mm: left, top, right, bottom
    chips: list  # polygons in mm where the glass is gone
    tint: tuple = (0.0, 0.0, 0.0)  # density added to the base in red, green, blue
    stain: tuple = (0.0, 0.0, 0.0)  # the same as a share of all density there is


def expose(log_e, size, q, rng, *, base=0.14, curve=Curve(), rebate=(3, 3, 3, 3), grain=1.0, edge_line=0.25, chips=(), dark_corners=(),
           tint=(0, 0, 0), stain=(0, 0, 0), opaque=None):
    """Exposes and develops a plate; `log_e` has q samples per mm. `edge_line`: mm of ground edge that scatters light."""
    h, w = log_e.shape
    x = (np.arange(w, dtype=np.float32) + 0.5) / q
    y = (np.arange(h, dtype=np.float32) + 0.5)[:, None] / q
    open_x = _rail(x, rebate[0]) * _rail(size[0] - x, rebate[2])
    open_y = _rail(y, rebate[1]) * _rail(size[1] - y, rebate[3])
    seen = open_x * open_y
    clean = curve(log_e + np.log10(seen + 1e-5))
    noise = cv2.GaussianBlur(rng.standard_normal((h, w), dtype=np.float32), (0, 0), 0.6)
    noise /= noise[: min(h, 500), : min(w, 500)].std()
    spread = grain * GRAIN_AT_D1 * np.sqrt(APERTURE_MM2) * q  # Selwyn, for one sample of 1/q by 1/q mm
    d = base + clean + noise * (spread * np.sqrt(clean + 0.25 * base))
    from_edge = np.minimum(np.minimum(x, size[0] - x), np.minimum(y, size[1] - y))
    if edge_line:
        d += 0.35 * np.clip((edge_line - from_edge) / 0.08, 0, 1)
    t = np.power(10, -d, dtype=np.float32)
    for polygon in dark_corners:  # paper tape, or a clip that stayed on
        _paint(t, polygon, q, 10**-3.0)
    if opaque:
        _paint(t, opaque, q, 1e-5)
    return Plate(tuple(size), q, np.minimum(t, 1), clean, base, curve, tuple(rebate), list(chips), tuple(tint), tuple(stain))


def _rail(distance, width):
    """Share of light let through at `distance` mm from a side whose rail covers `width` mm; 1 everywhere without a rail."""
    if width <= 0:
        return np.ones_like(distance)
    return 1 / (1 + np.exp(-np.clip((distance - width) / (EDGE_SOFT_MM / 4), -60, 60)))


def _paint(t, polygon, q, value):
    cover = np.zeros(t.shape, np.uint8)
    cv2.fillPoly(cover, [np.round(np.asarray(polygon) * q * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    a = cover.astype(np.float32) / 255
    t += a * (value - t)


def chip_at_corner(size, corner, depth):
    """A broken corner: 0 top-left, clockwise; `depth` mm along each side."""
    w, h = size
    cx, cy = ((0, 0), (w, 0), (w, h), (0, h))[corner]
    sx, sy = (1 if cx == 0 else -1), (1 if cy == 0 else -1)
    return [(cx - sx, cy - sy), (cx + sx * depth, cy - sy), (cx + sx * depth * 1.02, cy), (cx + sx * depth * 0.4, cy + sy * depth * 0.55),
            (cx, cy + sy * depth * 0.9), (cx - sx, cy + sy * depth * 0.9)]


def chip_at_side(size, along, length, depth):
    """A shallow shell broken out of the top side at the share `along`."""
    x = along * size[0]
    t = np.linspace(0, np.pi, 15)
    arc = [(x - length / 2 * np.cos(a), depth * np.sin(a)) for a in t]
    return [(x - length / 2, -1.0), *arc, (x + length / 2, -1.0)]


def corner_triangle(size, corner, depth):
    w, h = size
    cx, cy = ((0, 0), (w, 0), (w, h), (0, h))[corner]
    sx, sy = (1 if cx == 0 else -1), (1 if cy == 0 else -1)
    return [(cx, cy), (cx + sx * depth, cy), (cx, cy + sy * depth)]
