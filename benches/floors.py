"""Where the time of one plate goes, each stage against a floor: what the least that it must do takes other programs here and now.

    python benches/floors.py [--program target/release/hyaline] [--runs 5] [--megapixels 12]

Floors: decoding by libjpeg-turbo (through OpenCV), copies in memory (numpy), a warp by OpenCV at the same number of taps, writing and syncing a
file of the same bytes, SHA-256 by OpenSSL (hashlib). Prints a table for DEVELOPERS.md; medians of the runs, taken in turn.
"""

import argparse
import glob
import hashlib
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time

import cv2
import numpy as np

ROOT = pathlib.Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "outside"))

import simulate


def seconds(work):
    began = time.perf_counter()
    work()
    return time.perf_counter() - began


def written(folder, data):
    file = os.path.join(folder, "floor")
    with open(file, "wb") as out:
        out.write(data)
        os.fsync(out.fileno())
    os.remove(file)


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--program", default=os.environ.get("HYALINE", str(ROOT / "target/release/hyaline")))
    asked.add_argument("--runs", type=int, default=5)
    asked.add_argument("--megapixels", type=float, default=12.0)
    args = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="floors-", dir=ROOT / "target") as made:
        session, out = pathlib.Path(made) / "session", pathlib.Path(made) / "out"
        simulate.build("plain", session, args.megapixels)
        blanks = sorted(glob.glob(f"{session}/captures/blank-*.jpg"))
        capture = f"{session}/captures/k01-a.jpg"
        command = [args.program, "digitize", str(session), "--out", str(out), "--fresh", "--timings", "--json"]
        done = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
        columns, rows = json.loads((out / "K-01" / "K-01-record.json").read_text())["pixels"]
        gray = lambda file: cv2.imread(file, cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION)
        light = gray(capture).astype(np.float32)
        pixels = os.urandom(2 * columns * rows)
        warp = np.float32([[light.shape[1] / columns, 0.01, 0], [0.01, light.shape[0] / rows, 0], [0, 0, 1]])
        digests = lambda: [hashlib.sha256(open(f, "rb").read()).digest() for f in [*blanks, capture]] and hashlib.sha256(pixels).digest()
        floors = {
            "reading the blanks": ("decode all, copy once", lambda: [gray(f) for f in blanks] and light.copy()),
            "reading": ("decode, copy once", lambda: gray(capture) is not None and light.copy()),
            "finding the plate": ("copy once", lambda: light.copy()),
            "rectifying": ("warp of 8 × 8 taps", lambda: cv2.warpPerspective(light, warp, (columns, rows), flags=cv2.INTER_LANCZOS4 | cv2.WARP_INVERSE_MAP)),
            "writing": ("write and sync twice, digests", lambda: (written(made, pixels), written(made, pixels), digests())),
            "writing the pages": ("-", lambda: None),
        }
        ours, least = {}, {}
        for _ in range(args.runs):
            done = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
            for timing in done["timings"]:
                ours.setdefault(timing["stage"], []).append(timing["seconds"])
            for stage, (_, work) in floors.items():
                least.setdefault(stage, []).append(seconds(work))
        print(f"one plate of {light.size / 1e6:.1f} megapixels, {len(blanks)} blanks, {os.cpu_count()} cores, medians of {args.runs}\n")
        print("| stage | seconds | MP/s | floor | seconds | times the floor |\n| --- | --- | --- | --- | --- | --- |")
        sums = [0.0, 0.0]
        for stage, times in ours.items():
            took, floor = statistics.median(times), statistics.median(least.get(stage, [0.0]))
            sums = [sums[0] + took, sums[1] + floor]
            ratio = f"{took / floor:.1f}" if floor > 1e-4 else "-"
            print(f"| {stage} | {took:.3f} | {light.size / 1e6 / took:.0f} | {floors.get(stage, ('-',))[0]} | {floor:.3f} | {ratio} |")
        print(f"| all | {sums[0]:.3f} | {light.size / 1e6 / sums[0]:.0f} | | {sums[1]:.3f} | {sums[0] / sums[1]:.1f} |")


if __name__ == "__main__":
    main()
