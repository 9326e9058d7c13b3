"""A frame: the plate (or the bare panel, or a capped lens) as numbers from the sensor.

In: camera, pose, plate, surround, exposure. Out: share of saturation per channel, float32 (channels, rows, columns), clipped at 1.
The scene is laid on the sensor at twice its sampling with exact coverage along the glass's edges, blurred, and gathered into
pixels; then light, photosites, veil, shot and read noise.
"""

import cv2
import numpy as np

import optics

FINER = 2  # samples per sensor pixel and axis
BAND = 512  # sensor rows laid at once
GRID = 8  # px between the points at which the map is worked out exactly; between them it is linear (< 0.002 px for 6 % distortion)
OPAQUE = 2e-4  # what black card lets through
CARD = 0.12  # how far a card smaller than the view reaches beyond each side, as a share of the plate


def lay(plate, width, height, to_mm, px_per_mm, blur, surround="bare", gap=0.0, raster=None):
    """Transmittance seen by each pixel of a width x height grid. `to_mm` maps grid pixels (..., 2) to finished millimetres."""
    raster = plate.t if raster is None else raster
    out = np.empty((height, width), np.float32)
    margin = int(np.ceil(4 * blur)) + 1
    chips = _chip_raster(plate)
    for top in range(0, height, BAND):
        first, last = top - margin, min(top + BAND, height) + margin
        mm = _dense(to_mm, width, first, last)
        scene = _scene(plate, raster, chips, mm, px_per_mm * FINER, surround, gap)
        if blur > 0:
            scene = cv2.GaussianBlur(scene, (0, 0), blur * FINER, borderType=cv2.BORDER_REPLICATE)
        band = scene.reshape(last - first, FINER, width, FINER).mean((1, 3), dtype=np.float32)
        out[top : min(top + BAND, height)] = band[margin : margin + min(BAND, height - top)]
    return out


def _dense(to_mm, width, first, last):
    """Millimetres at every fine sample of the rows first..last: (2, rows, columns)."""
    step = GRID * FINER
    cols, rows = int(np.ceil(width / GRID)) + 2, int(np.ceil((last - first) / GRID)) + 2
    x = (np.arange(cols) - 0.5) * GRID
    y = (np.arange(rows) - 0.5) * GRID + first
    mm = to_mm(np.stack(np.meshgrid(x, y), -1)).astype(np.float32)
    full = [cv2.resize(np.ascontiguousarray(mm[..., k]), (cols * step, rows * step), interpolation=cv2.INTER_LINEAR) for k in (0, 1)]
    return [f[step : step + (last - first) * FINER, step : step + width * FINER] for f in full]


def _scene(plate, raster, chips, mm, fine_per_mm, surround, gap):
    x, y = mm
    glass = cv2.remap(raster, x * np.float32(plate.q) - 0.5, y * np.float32(plate.q) - 0.5, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    w, h = plate.size
    inside = np.minimum(np.minimum(x, w - x), np.minimum(y, h - y))
    cover = np.clip(inside * fine_per_mm + 0.5, 0, 1)
    if chips is not None:
        gone = cv2.remap(chips, x * np.float32(plate.q) - 0.5, y * np.float32(plate.q) - 0.5, cv2.INTER_LINEAR, borderValue=0)
        cover *= 1 - gone
    if surround in ("mask", "card"):
        open_to_light = np.clip((inside + gap) * fine_per_mm + 0.5, 0, 1)
        if surround == "card":
            # In the plate's own proportions, which tell least.
            on_card = np.minimum(np.minimum(x, w - x) + CARD * w, np.minimum(y, h - y) + CARD * h)
            open_to_light = np.maximum(open_to_light, np.clip(0.5 - on_card * fine_per_mm, 0, 1))
        bare = np.maximum(open_to_light - cover, 0)  # where mask and glass meet, what one leaves of a sample the other may take
        return cover * glass + bare + (1 - cover - bare) * np.float32(OPAQUE)
    return cover * glass + (1 - cover)


def _chip_raster(plate):
    if not plate.chips:
        return None
    gone = np.zeros(plate.t.shape, np.uint8)
    for polygon in plate.chips:
        cv2.fillPoly(gone, [np.round(np.asarray(polygon) * plate.q * 16 - 8).astype(np.int32)], 255, cv2.LINE_AA, 4)
    return gone.astype(np.float32) / 255


def seen(camera, pose, plate, surround="bare", gap=0.0):
    """The plate's transmittance, and its surround's, in each pixel of the sensor, before light and noise."""
    return lay(plate, camera.width, camera.height, lambda px: optics.unproject(camera, pose, px), pose.scale, camera.blur, surround, gap)


def mask_alone(camera, pose, plate, gap):
    """The blank shot with the mask in place and no plate in it."""
    empty = np.ones((2, 2), np.float32)
    bare = type(plate)(plate.size, 1.0, empty, empty, 0, plate.curve, plate.rebate, [])
    return lay(bare, camera.width, camera.height, lambda px: optics.unproject(camera, pose, px), pose.scale, camera.blur, "mask", gap, empty)


def frame(camera, t, exposure, rng, *, colour=False, tint=(0, 0, 0), stain=(0, 0, 0), drift=1.0, tilt_of_light=0.0, bands=None, screen=None, noise=True):
    """What the sensor counts. `t`: transmittance per pixel, or None for a capped lens. `exposure`: level of the brightest bare panel.

    `bands`: (depth, period in rows, phase) of a flickering panel. `screen`: (depth, period in px, degrees, phase) of a light that has pixels. `tint`: density added per channel where there is glass; `stain`: as a share of what is there."""
    light, whole = optics.light(camera), t
    own = optics.photosites(camera)
    out = []
    for c in (0, 1, 2) if colour else (1,):
        falls = light[c] * (drift * exposure)
        t = None if whole is None else _drawn(camera, whole, (camera.lateral[0], 0.0, camera.lateral[1])[c])
        if t is None:
            lit = np.zeros_like(falls)
        else:
            lit = falls * t if not tint[c] else falls * (t * np.where(t < 0.97, np.float32(10 ** -tint[c]), np.float32(1)))
            if stain[c]:
                lit = lit * np.power(t, np.float32(stain[c]))
            if tilt_of_light:
                lit = lit * (1 + tilt_of_light * np.linspace(-1, 1, camera.width, dtype=np.float32))
            if bands:
                depth, period, phase = bands
                lit = lit * (1 + depth * np.sin(2 * np.pi * np.arange(camera.height, dtype=np.float32) / period + phase))[:, None]
            if screen:
                lit = lit * _screen(camera, *screen)
            if camera.glare:
                lit = lit + np.float32(camera.glare * lit.mean(dtype=np.float64))
        if noise:
            lit = lit * own
            spread = np.sqrt(np.maximum(lit, 0) / camera.full_well + (camera.read_noise / camera.full_well) ** 2)
            lit = lit + spread * rng.standard_normal(lit.shape, dtype=np.float32)  # anew: one field moved about would tie tiles by their noise
        out.append(np.minimum(lit, 1))
    return np.stack(out)


def _drawn(camera, t, larger):
    """The same drawn larger by a share, about the optical axis."""
    if not larger or t.min() == t.max():
        return t
    (x, y), scale = camera.principal - 0.5, 1 + larger
    by = np.array([[scale, 0, x * (1 - scale)], [0, scale, y * (1 - scale)]])
    return cv2.warpAffine(t, by, (camera.width, camera.height), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)


def _screen(camera, depth, period, degrees, phase):
    """Lines of a screen's pixels, both ways, as much of them as the lens passes."""
    x, y = np.meshgrid(np.arange(camera.width, dtype=np.float32), np.arange(camera.height, dtype=np.float32))
    a, turn = np.deg2rad(degrees), np.float32(2 * np.pi / period)
    across, down = turn * (x * np.cos(a) + y * np.sin(a)) + phase, turn * (y * np.cos(a) - x * np.sin(a)) + phase
    return (1 + depth * np.sin(across.astype(np.float32))) * (1 + depth * np.sin(down.astype(np.float32)))
