"""Two plates of one scene laid on one another: hyaline's compare against feature matching with OpenCV, on the same digitized plates.

    python benches/bracket.py [--program target/release/hyaline] [--runs 3] [--megapixels 8] [--scenario NAME ...]

The outside method is SIFT (Lowe, IJCV 60, 91, 2004) on both positives, his ratio test at 0.75, and findHomography with USAC_MAGSAC at 3 pixels.
It reads two positives and writes nine numbers; hyaline reads the negatives and does the whole comparison: figures, curve, sheet, page and tiles.
Whole processes in turn, in one go, on the outside judge's pairs (tests/outside/scenarios.py); prints medians and, for both, the root mean
square distance from where the truth puts B's pixels in A. It never fails for what it finds.
"""

import argparse
import json
import os
import pathlib
import statistics
import subprocess
import sys
import tempfile

ROOT = pathlib.Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "outside"))
sys.path.insert(0, str(ROOT / "benches"))

import scenarios
import score
import simulate
from single import timed

MATCH = """
import json, sys
import cv2, numpy as np
a, b, to = sys.argv[1:]
sift, found = cv2.SIFT_create(), []
for file in (a, b):
    codes = cv2.imread(file, cv2.IMREAD_UNCHANGED)
    found.append(sift.detectAndCompute((codes >> 8).astype(np.uint8), None))
(in_a, like_a), (in_b, like_b) = found
near = cv2.FlannBasedMatcher(dict(algorithm=1, trees=5), dict(checks=50)).knnMatch(like_b, like_a, k=2)
good = [one for one, two in near if one.distance < 0.75 * two.distance]
points = lambda keys, at: np.float64([keys[i].pt for i in at])
homography, held = None, None
if len(good) >= 4:
    from_b, to_a = points(in_b, [m.queryIdx for m in good]), points(in_a, [m.trainIdx for m in good])
    # Its pixel centres lie at whole numbers, ours at halves.
    homography, held = cv2.findHomography(from_b + 0.5, to_a + 0.5, cv2.USAC_MAGSAC, 3.0, maxIters=10000, confidence=0.9999)
json.dump(dict(homography=None if homography is None else homography.ravel().tolist(), matches=len(good),
               held=0 if held is None else int(held.sum())), open(to, "w"))
"""


def pair(name, args, start):
    with tempfile.TemporaryDirectory(prefix="bracket-") as made:
        made = pathlib.Path(made)
        session, out, matched = made / "session", made / "out", made / "matched.json"
        truth = simulate.build(name, session, args.megapixels)
        done = subprocess.run([args.program, "digitize", str(session), "--out", str(out), "--quiet"], capture_output=True, text=True)
        if done.returncode:
            print(f"{name:22} was not digitized: {done.stderr[-300:]}")
            return
        a, b = (out / case.id / f"{case.id}-positive.tif" for case in truth.cases)
        commands = {
            "hyaline": [args.program, "compare", str(session), "--out", str(out), "--quiet"],
            "sift": [sys.executable, "-c", MATCH, str(a), str(b), str(matched)],
        }
        runs = {way: [] for way in commands}
        for turn in range(args.runs + 1):  # the first warms the disk's cache and does not count
            for way, command in commands.items():
                measured = timed(command)
                runs[way] += [measured] * (turn > 0)
        seconds, memory = ({way: statistics.median(r[k] for r in all) for way, all in runs.items()} for k in (0, 1))
        ids = "-".join(truth.bracket["ids"])
        laid = {"hyaline": json.loads((out / "compare" / ids / "compare.json").read_text())["alignment"], "sift": json.loads(matched.read_text())}
        off = {way: score._alignment(truth, said["homography"], out) if said["homography"] else float("nan") for way, said in laid.items()}
        ties = {"hyaline": f"{laid['hyaline']['ties']} ties", "sift": f"{laid['sift']['held']} of {laid['sift']['matches']} matches"}
        width, height = json.loads((a.parent / f"{truth.cases[0].id}-record.json").read_text())["pixels"]
        print(f"{name}: two plates of {width} x {height} pixels")
        for way in commands:
            print(f"  {way:8} {off[way]:8.3f} px rms   {seconds[way]:6.2f} s   peak {memory[way]:5.0f} MiB   {ties[way]}")
        print(f"  ratio    {off['sift'] / max(off['hyaline'], 1e-6):8.2f} times as far off with SIFT; {seconds['sift'] / seconds['hyaline']:.2f} times its time "
              f"({(seconds['sift'] - start) / seconds['hyaline']:.2f} without Python's start), {memory['sift'] / memory['hyaline']:.2f} times its memory", flush=True)


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--program", default=os.environ.get("HYALINE", str(ROOT / "target/release/hyaline")))
    asked.add_argument("--runs", type=int, default=3)
    asked.add_argument("--megapixels", type=float, default=8.0)
    asked.add_argument("--scenario", nargs="+", default=list(scenarios.BRACKETS), choices=list(scenarios.BRACKETS))
    args = asked.parse_args()
    start, _ = min(timed([sys.executable, "-c", "import cv2, numpy"]) for _ in range(3))
    print(f"{os.cpu_count()} cores, medians of {args.runs}")
    for name in args.scenario:
        pair(name, args, start)


if __name__ == "__main__":
    main()
