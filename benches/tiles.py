"""One plate in tiles from files to both TIFFs: hyaline against OpenCV's stitcher in its planar-scan mode on the same tiles.

    python benches/tiles.py [--program target/release/hyaline] [--runs 5] [--megapixels 40] [--scenario tiles-3x4]

Tiles are a share of the megapixels: 40 makes tiles of 12 in this scenario.

The stitcher gets what it needs and no more: tiles divided by their blank, as 8-bit pictures, and writes one picture; hyaline does the whole
job. Whole processes in turn, in one go; prints medians, the ratio, peak memory and, by the outside scorer, the accuracy of hyaline.
"""

import argparse
import os
import pathlib
import shutil
import statistics
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "outside"))
sys.path.insert(0, str(ROOT / "benches"))

import scenarios
import score
import simulate
from single import timed

SHOWN = ["density_median", "density_p95", "unevenness_percent", "false_step", "corner_mm", "geometry_rms", "geometry_worst", "sharpness"]

STITCH = """
import glob, sys
import cv2, numpy as np
session, out = sys.argv[1:]
linear = np.array([v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in np.arange(256) / 255], np.float32)
read = lambda f: cv2.LUT(cv2.imread(f, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION), linear)
blanks = sorted(glob.glob(session + "/captures/blank-*"))
blank = cv2.blur(sum(read(f) for f in blanks) / len(blanks), (31, 31))
codes = lambda t: np.clip(255 * np.clip(t, 0, 1) ** (1 / 2.2) + 0.5, 0, 255).astype(np.uint8)
tiles = [cv2.cvtColor(codes(read(f) / blank), cv2.COLOR_GRAY2BGR) for f in sorted(glob.glob(session + "/captures/k01-*"))]
status, plate = cv2.Stitcher.create(cv2.Stitcher_SCANS).stitch(tiles)
if status != cv2.Stitcher_OK:
    print("the stitcher gave up with status", status)
else:
    cv2.imwrite(out + ".tif", plate[..., 0])
"""


def megapixels(case):
    """Of one tile as it was made: scenarios of tiles take a share of what is asked for."""
    return case.camera.width * case.camera.height / 1e6


def against_the_stitcher(args):
    with tempfile.TemporaryDirectory(prefix="tiles-") as made:
        session, out = pathlib.Path(made) / "session", pathlib.Path(made) / "out"
        truth = simulate.build(args.scenario, session, args.megapixels)
        commands = {
            "hyaline": [args.program, "digitize", str(session), "--out", str(out), "--quiet", "--fresh"],
            "stitcher": [sys.executable, "-c", STITCH, str(session), str(pathlib.Path(made) / "stitched")],
        }
        runs = {name: [] for name in commands}
        for turn in range(args.runs + 1):  # the first warms the disk's cache and does not count
            for name, command in commands.items():
                measured = timed(command)
                runs[name] += [measured] * (turn > 0)
        seconds = {name: statistics.median(t for t, _ in r) for name, r in runs.items()}
        memory = {name: statistics.median(m for _, m in r) for name, r in runs.items()}
        tiles = len(truth.cases[0].poses)
        print(f"{args.scenario}: {tiles} tiles of {megapixels(truth.cases[0]):.1f} megapixels, {os.cpu_count()} cores, medians of {args.runs}")
        for name in commands:
            spread = [t for t, _ in runs[name]]
            print(f"{name:8} {seconds[name]:7.2f} s ({min(spread):.2f} to {max(spread):.2f})   peak {memory[name]:5.0f} MiB")
        print(f"ratio    {seconds['stitcher'] / seconds['hyaline']:7.2f} times as fast; memory {memory['hyaline'] / memory['stitcher']:.2f} of the stitcher's")
        if not (pathlib.Path(made) / "stitched.tif").exists():
            print("stitcher  made no picture")
        figures, faults = score.plate(truth, truth.cases[0], out, heed_warnings=False)
        print("hyaline  " + "  ".join(f"{key} {figures[key]:.4f}" for key in SHOWN if key in figures))
        for fault in faults:
            print(f"           falls short: {fault}")


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--program", default=os.environ.get("HYALINE", str(ROOT / "target/release/hyaline")))
    asked.add_argument("--runs", type=int, default=5)
    asked.add_argument("--megapixels", type=float, default=40.0)
    asked.add_argument("--scenario", default="tiles-3x4")
    args = asked.parse_args()
    against_the_stitcher(args)


if __name__ == "__main__":
    main()
