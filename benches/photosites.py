"""What it gains to divide a raw frame by its blank photosite by photosite, instead of interpolating its colours first.

    python benches/photosites.py [--program target/release/hyaline] [--megapixels 8]

One made-up Bayer capture of a plate with slanted edges, and its blanks: as DNG, and the same frames with their colours interpolated
bilinearly and by OpenCV's edge-aware method (white-balanced on the blank, as these methods expect), as linear 16-bit TIFF. All three
through the same program; prints SFR50 and SFR10 (ISO 12233) of the same edges, and accuracy by the outside scorer.
"""

import argparse
import json
import os
import pathlib
import shutil
import statistics
import subprocess
import sys
import tempfile

import cv2
import numpy as np
import tifffile

ROOT = pathlib.Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "outside"))

import files
import plate as plates
import score
import simulate

SIDE_MM, TURN_DEG = 16.0, 5.0
METHODS = {"bilinear": cv2.COLOR_BayerRGGB2RGB, "edge-aware": cv2.COLOR_BayerRGGB2RGB_EA}


def squares(size):
    return [(size[0] * x, size[1] * y) for x, y in ((0.25, 0.3), (0.72, 0.3), (0.27, 0.7), (0.7, 0.72))]


def with_squares(make):
    """The scenario's plate with even surroundings and denser squares, a little turned."""

    def made(spec, index, size, q, rng):
        plate, opaque = make(spec, index, size, q, rng)
        for x, y in squares(size):
            for side, density in ((1.6 * SIDE_MM, 0.45), (SIDE_MM, 1.25)):
                turned = cv2.boxPoints(((x, y), (side, side), TURN_DEG))
                plates._paint(plate.t, turned, q, 10**-density)
        return plate, opaque

    return made


def edges(size):
    """Places across the left, right, top and bottom side of each square, in mm of the result."""
    half, along, across = SIDE_MM / 2, 6.0, 4.0
    for x, y in squares(size):
        for dx, dy in ((-half, 0), (half, 0), (0, -half), (0, half)):
            w, h = (across, along) if dx else (along, across)
            yield f"{x + dx - w / 2:.2f},{y + dy - h / 2:.2f},{w},{h}"


def interpolated(session, method):
    """The session with every DNG's colours interpolated, as TIFF."""
    captures = session / "captures"
    mosaics = {file: tifffile.imread(file).astype(np.float64) - files.BLACK for file in captures.glob("*.dng")}
    blank = next(m for file, m in sorted(mosaics.items()) if file.name.startswith("blank"))
    means = np.array([[blank[r::2, c::2].mean() for c in (0, 1)] for r in (0, 1)])
    balance = means.max() / means
    top = max((m[r::2, c::2].max() * balance[r, c]) for m in mosaics.values() for r in (0, 1) for c in (0, 1))
    for file, mosaic in mosaics.items():
        for r in (0, 1):
            for c in (0, 1):
                mosaic[r::2, c::2] *= balance[r, c]
        codes = np.clip(np.round(mosaic / top * 60000), 0, 65535).astype(np.uint16)
        planes = cv2.demosaicing(codes, method).transpose(2, 0, 1)
        files._tiff(file.with_suffix(".tif"), planes, files.exif_tags(1 / 60))
        file.unlink()
    notes = session / "session.toml"
    notes.write_text(notes.read_text().replace(".dng", ".tif"))


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--program", default=os.environ.get("HYALINE", str(ROOT / "target/release/hyaline")))
    asked.add_argument("--megapixels", type=float, default=8.0)
    args = asked.parse_args()
    simulate._plate = with_squares(simulate._plate)
    with tempfile.TemporaryDirectory(prefix="photosites-") as made:
        made = pathlib.Path(made)
        truth = simulate.build("dng", made / "photosites", args.megapixels)
        for name, method in METHODS.items():
            shutil.copytree(made / "photosites", made / name)
            interpolated(made / name, method)
        case = truth.cases[0]
        print(f"{'':12} SFR50 cycles/px     SFR10 cycles/px     density median / p95")
        for name in ("photosites", *METHODS):
            out = made / name / "out"
            subprocess.run([args.program, "digitize", made / name, "--quiet"], check=True, stdout=subprocess.DEVNULL)
            asked_for = [word for edge in edges(case.plate.size) for word in ("--edge", edge)]
            told = subprocess.run([args.program, "measure", out / "K-01/K-01-negative.tif", "--json", *asked_for], check=True, capture_output=True)
            found = json.loads(told.stdout)["files"][0]["edges"]
            figures, _ = score.plate(truth, case, out, heed_warnings=False)
            both = [[edge[key] for edge in found if edge[key]] for key in ("sfr50", "sfr10")]
            spans = "".join(f" {statistics.median(v):.3f} ({min(v):.3f}-{max(v):.3f})" if v else f" {'beyond':19}" for v in both)
            print(f"{name:12}{spans}  {figures['density_median']:.4f} / {figures['density_p95']:.4f}")


if __name__ == "__main__":
    main()
