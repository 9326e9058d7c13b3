"""A digitizer that knows the geometry: what the captures hold, and what the scorer says to a result that is as good as can be.

`ideal` writes the truth itself, blurred as the capture was. `honest` reads the captures, divides by the mean of the blanks and
resamples once, with nothing known but where the plate lies. Both write what the contract asks for and the scorer reads.
"""

import json
import pathlib

import cv2
import numpy as np
import tifffile

import capture
import files
import optics


def sampling(case):
    """Pixels per mm and the size in pixels of a result at the capture's own sampling."""
    per_mm = case.poses[0].scale
    return per_mm, tuple(max(1, round(s * per_mm)) for s in case.plate.size)


def expected(case, pixels, moved=None, around=("bare", 0.0)):
    """The plate as a perfect result would hold it, on a grid of `pixels`, blurred as the capture was.

    `moved`: where places came to lie, as a function of (x, y) to (dx, dy) in pixels, to be followed.
    `around`: what surrounds the plate, and how far from it in mm: blur brings it into the outermost pixels."""
    (w, h), (width, height) = case.plate.size, pixels
    per_mm = width / w
    finer = per_mm / case.poses[0].scale
    def to_mm(px):
        px = np.asarray(px, float)
        if moved is not None:
            px = px - moved(px[..., 0], px[..., 1]).reshape(px.shape)
        return px * [w / width, h / height]

    blur = case.camera.blur * finer
    if finer > 1:  # the capture's pixel was wider than the result's: the difference of the two boxes, as a Gaussian
        blur = np.hypot(blur, np.sqrt((finer**2 - 1) / 12))
    return capture.lay(case.plate, width, height, to_mm, per_mm, blur, *around)


def ideal(case, out):
    per_mm, pixels = sampling(case)
    _write(case, out, expected(case, pixels), pixels, per_mm)


def honest(truth, session, out):
    session = pathlib.Path(session)
    spec = truth.spec
    blanks = [_read(f, spec) for f in sorted(session.glob("captures/blank-*"))]
    dark = np.mean([_read(f, spec) for f in sorted(session.glob("captures/dark-*"))] or [np.zeros(1)], axis=0)
    blank = np.mean(blanks, axis=0) - dark
    if spec["kind"] != "dng":
        blank = 0.8 * cv2.GaussianBlur(blank, (0, 0), 12) + 0.2 * blank
    for case in truth.cases:
        per_mm, pixels = sampling(case)
        total = weight = 0
        for k, pose in enumerate(case.poses):
            file = next(session.glob(f"captures/{files.stem(case.id, k)}.*"))
            light = _read(file, spec) - dark
            if spec["tiles"] and spec["tiles"].get("darker", (None,))[0] == k:
                light = light / spec["tiles"]["darker"][1]
            veil = case.camera.glare
            t = (light - veil / (1 + veil) * light.mean()) / np.maximum(blank - veil / (1 + veil) * blank.mean(), 1e-4) * spec["blank_time"] / spec["plate_time"]
            grid = (np.stack(np.meshgrid(np.arange(pixels[0]) + 0.5, np.arange(pixels[1]) + 0.5), -1)) * [s / p for s, p in zip(case.plate.size, pixels)]
            px = optics.project(case.camera, pose, grid).astype(np.float32) - 0.5
            inside = ((px > 1) & (px < [case.camera.width - 2, case.camera.height - 2])).all(-1).astype(np.float32)
            total = total + inside * cv2.remap(t.astype(np.float32), px[..., 0], px[..., 1], cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
            weight = weight + inside
        _write(case, out, total / np.maximum(weight, 1e-6), pixels, per_mm)


def _base(case, t, per_mm):
    """Density in the middle of the widest rebate."""
    (left, top, right, bottom), (h, w) = case.plate.rebate, t.shape
    widest = max((left, np.s_[h // 4 : -h // 4, : int(left * per_mm)]), (right, np.s_[h // 4 : -h // 4, -int(right * per_mm) :]),
                 (top, np.s_[: int(top * per_mm), w // 4 : -w // 4]), (bottom, np.s_[-int(bottom * per_mm) :, w // 4 : -w // 4]), key=lambda s: s[0])
    return float(-np.log10(np.median(t[widest[1]])))


def _read(file, spec):
    if spec["kind"] == "dng":
        raw = tifffile.imread(file).astype(np.float32)
        return (raw - files.BLACK) / (files.WHITE - files.BLACK)
    if spec["kind"] == "heic":
        pixels = _unturned(file)
    elif spec["kind"] == "tiff16":
        pixels = tifffile.imread(file)
    else:
        pixels = cv2.imread(str(file), cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION)
    v = pixels.astype(np.float32) / (255 if pixels.dtype == np.uint8 else 65535)
    if v.ndim == 3:  # the luma as the file holds it: the chroma beside it is rounded too coarsely to be trusted in the dense parts
        v = v @ np.float32([0.114, 0.587, 0.299])
    return v if not spec["encoded"] else np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** np.float32(2.4)).astype(np.float32)


def _unturned(file):
    """A HEIC's picture as the sensor saw it: the decoder turns by the container's own properties, which Exif repeats."""
    import pillow_heif
    from PIL import Image

    pillow_heif.register_heif_opener()
    heif, exif = pillow_heif.open_heif(file), Image.Exif()
    exif.load(heif.info["exif"] or b"")
    back = {1: lambda m: m, 2: np.fliplr, 3: lambda m: np.rot90(m, 2), 4: np.flipud, 5: lambda m: m.swapaxes(0, 1),
            6: lambda m: np.rot90(m, 1), 7: lambda m: np.rot90(m, 2).swapaxes(0, 1), 8: lambda m: np.rot90(m, 3)}
    return back[exif.get(274, 1)](np.asarray(heif))[..., ::-1]


def _write(case, out, t, pixels, per_mm):
    place = pathlib.Path(out) / case.id
    place.mkdir(parents=True, exist_ok=True)
    whole = np.clip(np.round(t * 65535), 0, 65535).astype(np.uint16)
    tifffile.imwrite(place / f"{case.id}-negative.tif", whole, photometric="minisblack", resolution=(pixels[0] / case.plate.size[0] * 25.4,) * 2, resolutionunit="INCH")
    record = dict(plate=case.id, size_mm=list(case.plate.size), pixels=list(pixels), ppi=pixels[0] / case.plate.size[0] * 25.4, mm_per_px=case.plate.size[0] / pixels[0],
                  base=dict(density=_base(case, t, per_mm)), warnings=[])
    if len(case.poses) == 1:
        record["edges"] = dict(corners_px=optics.corners(case.camera, case.poses[0]).tolist(), confidence=1)
    (place / f"{case.id}-record.json").write_text(json.dumps(record))
