"""Scenes to expose a plate with: log10 of the light on the plate, as the finished picture lies.

In: rows and columns of the raster, a seed. Out: float32 array, 0 in the open shade, about 2 in the brightest sky.
Made by rule, or from photographs that a package brings (scikit-learn's sample images; Debian's lomiri-wallpapers-16.04, CC BY 4.0);
nothing is kept in the repository.
"""

import glob

import cv2
import numpy as np

WALLPAPERS = "/usr/share/backgrounds/*"


def octaves(rng, shape, largest, smallest, roughness=0.5):
    """Cloudy noise: each octave half the size and `roughness` times the height of the one before. Spread about 1."""
    h, w = shape
    out = np.zeros(shape, np.float32)
    size, height, power = float(largest), 1.0, 0.0
    while size >= smallest:
        grid = rng.standard_normal((int(h / size) + 3, int(w / size) + 3), dtype=np.float32)
        out += height * cv2.resize(grid, (w, h), interpolation=cv2.INTER_CUBIC)
        power += (0.6 * height) ** 2
        size, height = size / 2, height * roughness
    return out / np.float32(np.sqrt(power))


def shore(shape, seed, sky_share=0.45):
    """A made-up place: sky with thin cloud, hills, a squat tower with openings, reeds and bushes, wet ground."""
    rng = np.random.default_rng(seed)
    h, w = shape
    y = np.linspace(0, 1, h, dtype=np.float32)[:, None]
    x = np.linspace(0, 1, w, dtype=np.float32)[None, :]
    sky = 2.0 - 0.25 * y / sky_share + 0.06 * octaves(rng, shape, w / 3, w / 24)
    horizon = sky_share + 0.05 * octaves(rng, (1, w), w / 4, 8)[0] * (0.6 + 0.4 * np.sin(5 * x[0]))
    hills = 1.15 + 0.10 * octaves(rng, shape, w / 30, 3, 0.7)
    out = np.where(y < horizon[None, :], sky, hills)
    ground_line = sky_share + 0.16 + 0.02 * octaves(rng, (1, w), w / 6, 20)[0]
    leaves = octaves(rng, shape, w / 40, 2.5, 0.8)
    ground = 0.55 + 0.8 * (y - sky_share) + 0.26 * leaves + 0.25 * octaves(rng, shape, w / 5, w / 40)
    out = np.where(y > ground_line[None, :], ground, out).astype(np.float32)
    _tower(out, rng, w, h, sky_share)
    _twigs(out, rng, w, h)
    _water(out, rng, w, h)
    return np.clip(out, -1.2, 2.3)


def _tower(out, rng, w, h, sky_share):
    left, right = 0.56 * w, 0.74 * w
    top, foot = (sky_share - 0.22) * h, (sky_share + 0.27) * h
    shape = np.array([[left, foot], [left + 0.03 * w, top], [right - 0.03 * w, top], [right, foot]])
    stone = cv2.GaussianBlur(rng.standard_normal(out.shape, dtype=np.float32), (0, 0), 1.2) * 0.35 + 1.25
    course = int(max(8, h / 60))
    stone[::course] -= 0.3
    stone[1::course] -= 0.3
    _fill(out, shape, stone)
    for cx, cy, rx, ry in ((0.665, -0.12, 0.008, 0.02), (0.63, 0.23, 0.025, 0.045)):
        cy = (sky_share + cy) * h
        t = np.linspace(0, 2 * np.pi, 60)
        _fill(out, np.column_stack([cx * w + rx * w * np.cos(t), cy + ry * h * np.sin(t)]), np.full(out.shape, -0.8, np.float32))


def _fill(out, polygon, value):
    cover = np.zeros(out.shape, np.uint8)
    cv2.fillPoly(cover, [np.round(polygon * 16).astype(np.int32)], 255, cv2.LINE_AA, 4)
    box = cv2.boundingRect(np.round(polygon).astype(np.int32))
    rows, cols = slice(max(0, box[1] - 2), box[1] + box[3] + 2), slice(max(0, box[0] - 2), box[0] + box[2] + 2)
    a = cover[rows, cols].astype(np.float32) / 255
    out[rows, cols] += a * (value[rows, cols] - out[rows, cols])


def _twigs(out, rng, w, h):
    cover = np.zeros(out.shape, np.uint8)

    def grow(x, y, angle, length, thick):
        x2, y2 = x + length * np.cos(angle), y - length * np.sin(angle)
        ends = [(int(p * 16), int(q * 16)) for p, q in ((x, y), (x2, y2))]
        cv2.line(cover, *ends, 255, max(1, int(round(thick))), cv2.LINE_AA, 4)
        if length > h / 70:
            for turn in (rng.uniform(0.25, 0.6), -rng.uniform(0.25, 0.6)):
                grow(x2, y2, angle + turn, length * rng.uniform(0.68, 0.8), thick * 0.68)

    for root in (0.12, 0.30, 0.90):
        grow(root * w, 0.72 * h, np.pi / 2 + rng.uniform(-0.15, 0.15), 0.14 * h, w / 220)
    out += cover.astype(np.float32) / 255 * (0.25 - out)


def _water(out, rng, w, h):
    top = int(0.84 * h)
    ripples = rng.standard_normal((h - top, max(8, w // 12)), dtype=np.float32)
    ripples = cv2.GaussianBlur(cv2.resize(ripples, (w, h - top), interpolation=cv2.INTER_CUBIC), (0, 0), 1.5)
    fade = np.clip(np.arange(h - top, dtype=np.float32)[:, None] / (0.03 * h), 0, 1)
    out[top:] += fade * (1.0 + 0.35 * ripples / ripples.std() - out[top:])


def even_sky(shape, seed):
    """`shore` under a sky that fills two thirds and has nothing in it."""
    out = shore(shape, seed, sky_share=0.30)
    h = shape[0]
    blank = int(0.36 * h)
    fade = np.clip((np.arange(h, dtype=np.float32)[:, None] - blank) / (0.03 * h), 0, 1)
    return (2.0 + fade * (out - 2.0)).astype(np.float32)


def photograph(shape, seed):
    """A photograph that a package brings, in the light that a blue-sensitive plate sees; `shore` where no package is there."""
    picture = _sample(seed)
    if picture is None:
        return shore(shape, seed)
    h, w = shape
    if (picture.shape[0] > picture.shape[1]) != (h > w):
        picture = np.rot90(picture)
    blue = cv2.GaussianBlur(picture.astype(np.float32) / 255, (0, 0), 0.6) @ np.array([0.1, 0.3, 0.6], np.float32)
    light = np.where(blue <= 0.04045, blue / 12.92, ((blue + 0.055) / 1.055) ** 2.4) + 0.003
    out = cv2.resize(np.log10(light), (w, h), interpolation=cv2.INTER_CUBIC) + 2.0
    rng = np.random.default_rng(seed)
    return out + np.float32(0.05) * octaves(rng, shape, 24, 2.5, 0.8)


def _sample(seed):
    files = sorted(f for f in glob.glob(WALLPAPERS) if f.lower().endswith(".jpg"))
    wanted = [f for f in files if "Aitzol" in f and "sunset" not in f]  # landscapes; the package names its authors so
    if wanted:
        return cv2.imread(wanted[seed % len(wanted)])[:, :, ::-1]
    try:
        from sklearn.datasets import load_sample_image

        return load_sample_image("china.jpg")
    except (ImportError, OSError, AttributeError):
        return None
