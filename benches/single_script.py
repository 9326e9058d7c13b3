"""The whole job on one plate as a photographer who programs would script it, with numpy, OpenCV and tifffile, and no more care
left out than such a script leaves out: blanks averaged and smoothed, linear light, the four sides fitted, one warp, base, density, positive.

    python single_script.py SESSION OUT WIDTH_MM HEIGHT_MM

Writes OUT/K-01/K-01-negative.tif, -positive.tif and -record.json.
"""

import glob
import json
import pathlib
import sys

import cv2
import numpy as np
import tifffile

LINEAR = np.array([v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in np.arange(256) / 255], np.float32)


def read(file):
    return cv2.LUT(cv2.imread(file, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION), LINEAR)


def blank_of(files):
    total = None
    for file in files:
        light = read(file)
        total = light if total is None else cv2.add(total, light, dst=total)
    return cv2.blur(total, (31, 31)) / len(files)


def sides(t):
    """Corners of the plate, px, clockwise from the top-left: outline by threshold, a robust line along each side."""
    seen = (cv2.GaussianBlur(t, (5, 5), 0) < 0.92).astype(np.uint8)
    seen = cv2.morphologyEx(seen, cv2.MORPH_CLOSE, np.ones((15, 15), np.uint8))
    outlines, _ = cv2.findContours(seen, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    outline = max(outlines, key=cv2.contourArea)[:, 0].astype(np.float32)
    box = cv2.boxPoints(cv2.minAreaRect(outline))
    box = box[np.argsort(np.arctan2(*(box - box.mean(0)).T[::-1]))]
    lines = []
    for a, b in zip(box, np.roll(box, -1, 0)):
        along = (b - a) / np.linalg.norm(b - a)
        off = np.abs((outline - a) @ [-along[1], along[0]])
        share = (outline - a) @ along / np.linalg.norm(b - a)
        lines.append(cv2.fitLine(outline[(off < 25) & (share > 0.05) & (share < 0.95)], cv2.DIST_HUBER, 0, 0.01, 0.01).ravel())
    corners = []
    for (ux, uy, px, py), (vx, vy, qx, qy) in zip(np.roll(lines, 1, 0), lines):
        s = np.linalg.solve([[ux, -vx], [uy, -vy]], [qx - px, qy - py])[0]
        corners.append((px + s * ux + 0.5, py + s * uy + 0.5))
    return np.float32(corners)


def main(session, out, width, height):
    blank = blank_of(sorted(glob.glob(f"{session}/captures/blank-*.jpg")))
    t = read(f"{session}/captures/k01-a.jpg")
    cv2.divide(t, blank, dst=t)
    corners = sides(t)
    per_mm = np.linalg.norm(corners[1] - corners[0]) / width
    w, h = round(width * per_mm), round(height * per_mm)
    finished = corners[[1, 0, 3, 2]]  # emulsion towards the camera: mirrored
    warp = cv2.getPerspectiveTransform(finished - 0.5, np.float32([[0, 0], [w, 0], [w, h], [0, h]]) - 0.5)
    plate = cv2.warpPerspective(t, warp, (w, h), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)
    np.clip(plate, 1 / 65535, 1, out=plate)
    margin, inner = int(1.0 * per_mm), int(2.0 * per_mm)
    strips = [plate[margin:inner].ravel(), plate[-inner:-margin].ravel(), plate[:, margin:inner].ravel(), plate[:, -inner:-margin].ravel()]
    base = float(np.median([-np.log10(np.median(s)) for s in strips]))
    negative = np.round(plate * 65535).astype(np.uint16)
    d = np.maximum(-np.log10(np.arange(1, 65537) / 65535) - base, 0)
    tones = np.round(65535 * np.clip(np.minimum(d / 1.6, 1) ** 1.2, 0, 1)).astype(np.uint16)
    positive = tones[negative]
    place = pathlib.Path(out) / "K-01"
    place.mkdir(parents=True, exist_ok=True)
    for name, image in (("negative", negative), ("positive", positive)):
        tifffile.imwrite(place / f"K-01-{name}.tif", image, photometric="minisblack", resolution=(w / width * 25.4,) * 2, resolutionunit="INCH")
    record = dict(plate="K-01", size_mm=[width, height], pixels=[w, h], ppi=w / width * 25.4, mm_per_px=width / w, base=dict(density=base),
                  edges=dict(corners_px=finished.tolist(), confidence=1), warnings=[])
    (place / "K-01-record.json").write_text(json.dumps(record))


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], float(sys.argv[3]), float(sys.argv[4]))
