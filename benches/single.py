"""One 12-megapixel JPEG plate from files to both TIFFs: hyaline against the same job scripted with general-purpose libraries.

    python benches/single.py [--program target/release/hyaline] [--runs 5] [--megapixels 12] [--scenario plain]

Both run as whole processes, in turn, in one go; prints medians, ratio, peak memory and, by the outside scorer, the accuracy of both.
Of the script also the time without Python's start and imports, as it would have when a session's plates are done in one process.
"""

import argparse
import os
import pathlib
import shutil
import statistics
import subprocess
import sys
import tempfile
import time

ROOT = pathlib.Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "outside"))

import score
import simulate

SHOWN = ["density_median", "density_p95", "unevenness_percent", "corner_mm", "geometry_rms", "geometry_worst", "sharpness", "base"]


# A process of its own, since a child begins with its parent's peak.
MEASURE = """
import os, sys, time
began = time.perf_counter()
_, status, usage = os.wait4(os.posix_spawn(sys.argv[1], sys.argv[1:], os.environ), 0)
print(time.perf_counter() - began, usage.ru_maxrss / 1024, os.waitstatus_to_exitcode(status))
"""


def timed(command):
    """Seconds and peak memory (MiB) of one process."""
    measured = subprocess.run([sys.executable, "-S", "-E", "-c", MEASURE, *command], capture_output=True, text=True)
    took, peak, status = measured.stdout.splitlines()[-1].split()
    if int(status):
        sys.exit(f"{command[0]} failed: {measured.stderr[-600:]}")
    return float(took), float(peak)


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--program", default=os.environ.get("HYALINE", str(ROOT / "target/release/hyaline")))
    asked.add_argument("--runs", type=int, default=5)
    asked.add_argument("--megapixels", type=float, default=12.0)
    asked.add_argument("--scenario", default="plain")
    args = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="single-") as made:
        session, places = pathlib.Path(made) / "session", {n: pathlib.Path(made) / n for n in ("hyaline", "script")}
        truth = simulate.build(args.scenario, session, args.megapixels)
        case = truth.cases[0]
        script = [sys.executable, str(ROOT / "benches/single_script.py"), str(session), str(places["script"]), *map(str, case.plate.size)]
        commands = {"hyaline": [args.program, "digitize", str(session), "--out", str(places["hyaline"]), "--quiet", "--fresh"], "script": script}
        start, _ = min(timed([sys.executable, "-c", "import cv2, numpy, tifffile"]) for _ in range(3))
        runs = {name: [] for name in commands}
        for turn in range(args.runs + 1):  # the first warms the disk's cache and does not count
            for name, command in commands.items():
                shutil.rmtree(places[name], ignore_errors=True)
                measured = timed(command)
                runs[name] += [measured] * (turn > 0)
        median = {name: statistics.median(t for t, _ in r) for name, r in runs.items()}
        memory = {name: statistics.median(m for _, m in r) for name, r in runs.items()}
        megapixels = case.camera.width * case.camera.height / 1e6
        print(f"one plate of {megapixels:.1f} megapixels with {truth.spec['blanks']} blanks, {os.cpu_count()} cores, medians of {args.runs}")
        for name in commands:
            spread = [t for t, _ in runs[name]]
            print(f"{name:8} {median[name]:6.3f} s ({min(spread):.3f} to {max(spread):.3f})   peak {memory[name]:5.0f} MiB")
        print(f"ratio    {median['script'] / median['hyaline']:6.2f} times as fast; without Python's start {(median['script'] - start) / median['hyaline']:.2f}; "
              f"memory {memory['hyaline'] / memory['script']:.2f} of the script's")
        for name, place in places.items():
            figures, faults = score.plate(truth, case, place, heed_warnings=False)
            print(f"{name:8} " + "  ".join(f"{key} {figures[key]:.4f}" for key in SHOWN if key in figures))
            for fault in faults:
                print(f"           falls short: {fault}")


if __name__ == "__main__":
    main()
