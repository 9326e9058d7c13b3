"""Checks the scorer itself: a perfect result reaches everything, and a fault of known size reads as that size.

    python selftest.py            exit status 1 when a check fails

Every fault is put into the truth by simple arithmetic, so the figure that must come out is known beforehand.
"""

import copy
import json
import pathlib
import sys
import tempfile

import cv2
import numpy as np
import tifffile

import oracle
import score
import simulate


def moved(image, dx, dy, by=1.0):
    """What lay at p lies at by * p + (dx, dy), counted from the image's corner."""
    shift = 0.5 * (by - 1)
    m = np.float32([[by, 0, dx + shift], [0, by, dy + shift]])
    return cv2.warpAffine(image, m, image.shape[::-1], flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)


def faults(image):
    """Name, spoilt image, changes to the record, and what must be read: {figure: (value, tolerance)}."""
    h, w = image.shape
    x = np.linspace(-1, 1, w, dtype=np.float32)
    stepped = np.where(np.arange(w) < w // 2, np.float32(1), np.float32(10**-0.01))
    soft = 0.5
    yield "perfect", image, {}, {"density_median": (0, 2e-4), "geometry_rms": (0, 0.01), "sharpness": (1, 0.002), "unevenness_percent": (0, 0.01)}
    # Rows and columns are whole numbers, so the grid can be read in two ways half a pixel apart at the far side; the scorer takes the
    # kinder one, and a shift may read that much smaller.
    yield "shift of 0.70, -0.40 px", moved(image, 0.7, -0.4), {}, {"geometry_rms": (np.hypot(0.7, 0.4), 0.1), "scale_percent": (0, 0.015)}
    yield "shift of 6 px", moved(image, 6, 0), {}, {"geometry_rms": (6, 0.25)}
    yield "scale of 0.3 %", moved(image, 0, 0, 1.003), {}, {"scale_percent": (0.3, 0.02)}
    yield "1 % too light", image * np.float32(1.01), {}, {"density_bias": (-np.log10(1.01), 2e-4), "unevenness_percent": (0, 0.01)}
    # A ramp of +-1 % has a spread of 1/sqrt(3) %, and the cells of 12 mm see nearly all of it.
    yield "ramp of 1 %", image * (1 + 0.01 * x), {}, {"unevenness_percent": (1 / np.sqrt(3), 0.05)}
    yield "seam of 0.010 D", image * stepped, {}, {"false_step": (0.010, 0.001)}
    # Gaussian of sigma s: transfer exp(-2 (pi s f)^2); over 0.15 to 0.28 cycles per pixel it lies between 0.89 and 0.68.
    yield "softened by 0.5 px", cv2.GaussianBlur(image, (0, 0), soft), {}, {"sharpness": (0.80, 0.08)}
    yield "mirrored", image[:, ::-1].copy(), {}, {"orientation": (4, 3)}
    yield "base 0.02 too high", image, {"base": {"density": 0.02}}, {"base": (0.02, 1e-3)}
    yield "corners 5 px off", image, {"edges": 5.0}, {"corner_mm": (None, 0.0)}


def main():
    wrong = 0
    with tempfile.TemporaryDirectory(prefix="selftest-") as made:
        truth = simulate.build("plain", pathlib.Path(made) / "session", megapixels=3.0)
        case, out = truth.cases[0], pathlib.Path(made) / "out"
        oracle.ideal(case, out)
        image_file, record_file = (out / case.id / f"{case.id}-{end}" for end in ("negative.tif", "record.json"))
        image, record = tifffile.imread(image_file).astype(np.float32), json.loads(record_file.read_text())
        true_base, per_mm = case.plate.base, case.poses[0].scale
        record["base"]["density"] = true_base
        for name, spoilt, changes, wanted in faults(image):
            told = copy.deepcopy(record)
            if "base" in changes:
                told["base"]["density"] = true_base + changes["base"]["density"]
            if "edges" in changes:
                told["edges"]["corners_px"][0][0] += changes["edges"]
                wanted = {"corner_mm": (changes["edges"] / per_mm, 0.02 * changes["edges"])}
            tifffile.imwrite(image_file, np.clip(np.round(spoilt), 0, 65535).astype(np.uint16), photometric="minisblack", resolution=(record["ppi"],) * 2, resolutionunit="INCH")
            record_file.write_text(json.dumps(told))
            figures, _ = score.plate(truth, case, out)
            for key, (value, tolerance) in wanted.items():
                got = figures.get(key, float("nan"))
                good = abs(got - value) <= tolerance
                wrong += not good
                print(f"{'ok  ' if good else 'FAIL'} {name:26} {key:20} read {got:.4f}, put in {value:.4f} +- {tolerance:.4f}")
    print(f"scorer: {'sound' if not wrong else f'{wrong} checks failed'}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
