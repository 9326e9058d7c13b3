"""Simulates sessions, runs the built program on them, and holds what comes out against the truth.

    python judge.py [SCENARIO ...] [--bounded] [--megapixels 8] [--program target/release/hyaline] [--json FILE] [--keep DIR]
    python judge.py --perfect ideal|honest [SCENARIO ...]     the same with a digitizer that knows the geometry: checks the scorer

Prints a line per plate with its figures, then what fell short. Exit status 1 when anything did.
"""

import argparse
import json
import os
import pathlib
import subprocess
import sys
import tempfile
import time

import oracle
import scenarios
import score
import simulate

COLUMNS = [("density_median", "D med", "{:.4f}"), ("density_p95", "D p95", "{:.4f}"), ("unevenness_percent", "uneven%", "{:.2f}"),
           ("false_step", "step D", "{:.4f}"), ("corner_mm", "corner mm", "{:.3f}"), ("scale_percent", "scale%", "{:.3f}"),
           ("geometry_rms", "rms px", "{:.2f}"), ("geometry_worst", "worst px", "{:.2f}"), ("sharpness", "sharp", "{:.3f}"), ("base", "base D", "{:.4f}")]
BRACKET_COLUMNS = [("contrast_percent", "contrast%"), ("shadow_gain", "shadow"), ("highlight_gain", "highl"), ("align_rms", "align px"), ("curve_rms", "curve D"),
                   ("stops", "stops"), ("below", "below")]


def run(name, args):
    """One scenario: rows of (label, figures, faults) and the seconds that the program took."""
    with tempfile.TemporaryDirectory(prefix="judge-") as made:
        place = pathlib.Path(args.keep or made) / name
        session, out = place / "session", place / "out"
        began = time.monotonic()
        truth = simulate.build(name, session, args.megapixels)
        simulated, began = time.monotonic() - began, time.monotonic()
        trouble = digitize(truth, session, out, args)
        took = time.monotonic() - began
        rows = []
        for case in truth.cases:
            figures, faults = score.plate(truth, case, out, heed_warnings=not args.perfect)
            rows.append((f"{name} {case.id}" if len(truth.cases) > 1 else name, figures, [*trouble, *faults]))
            trouble = []
        if truth.bracket and not args.perfect:
            figures, faults = score.bracket(truth, out)
            rows.append((f"{name} compared", figures, faults))
        return rows, took, simulated


def digitize(truth, session, out, args):
    """Runs the program; gives what it had to complain of as a list of sentences."""
    if args.perfect == "ideal":
        for case in truth.cases:
            oracle.ideal(case, out)
        return []
    if args.perfect == "honest":
        oracle.honest(truth, session, out)
        return []
    done = subprocess.run([args.program, "digitize", str(session), "--out", str(out), "--quiet"], capture_output=True, text=True, timeout=900)
    refused = truth.spec.get("refused")
    if refused:
        return [] if done.returncode == 1 and refused in done.stderr else [f"exit {done.returncode} without a word of {refused}"]
    if done.returncode == 0:
        return []
    last = " / ".join(done.stderr.strip().splitlines()[-3:])
    return [f"exit {done.returncode}: {last.replace(str(session), 'SESSION')}"]


def line(label, figures, faults, took):
    if "contrast_percent" in figures or label.endswith("compared"):
        cells = " ".join(f"{title} {figures[key]:.4f}" for key, title in BRACKET_COLUMNS if key in figures)
        return f"{'ok  ' if not faults else 'FAIL'} {label:28} {cells}"
    cells = " ".join((text.format(figures[key]) if key in figures else "-").rjust(max(len(title), 7)) for key, title, text in COLUMNS)
    return f"{'ok  ' if not faults else 'FAIL'} {label:28} {cells} {took:6.1f} s"


def heading():
    return "     " + "scenario".ljust(28) + " " + " ".join(title.rjust(max(len(title), 7)) for _, title, _ in COLUMNS)


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("scenario", nargs="*", help="names from scenarios.py, or drawn-NUMBER, drawn-tiles-NUMBER and drawn-bracket-NUMBER for one drawn by chance; all of scenarios.py "
                       "when none is given")
    asked.add_argument("--bounded", action="store_true", help="the bounded set that a test run takes")
    asked.add_argument("--megapixels", type=float, default=8.0)
    asked.add_argument("--program", default=os.environ.get("HYALINE", "target/release/hyaline"))
    asked.add_argument("--perfect", choices=["ideal", "honest"])
    asked.add_argument("--json", type=pathlib.Path)
    asked.add_argument("--keep", type=pathlib.Path, help="keep sessions and results in this folder")
    args = asked.parse_args()
    unknown = [n for n in args.scenario if n not in scenarios.ALL and not n.startswith("drawn-")]
    if unknown:
        asked.error(f"no scenario {', '.join(unknown)}; there are {', '.join(scenarios.ALL)}")
    if not args.perfect:
        args.program = str(pathlib.Path(args.program).resolve())
        if not os.access(args.program, os.X_OK):
            asked.error(f"no program at {args.program}: cargo build --release")
    names = args.scenario or (scenarios.BOUNDED if args.bounded else list(scenarios.ALL))
    reach = " ".join(("" if key == "sharpness" else f"{score.LIMITS[key]:g}").rjust(max(len(title), 7)) for key, title, _ in COLUMNS)
    print(heading(), f"     {'to reach':28} {reach}", sep="\n", flush=True)
    everything, failed, passed = [], [], 0
    for name in names:
        try:
            rows, took, simulated = run(name, args)
        except subprocess.TimeoutExpired:
            rows, took, simulated = [(name, {}, ["took longer than 900 s"])], 900.0, 0.0
        for label, figures, faults in rows:
            print(line(label, figures, faults, took), flush=True)
            for fault in faults:
                print(f"       - {fault}", flush=True)
            passed, failed = passed + (not faults), failed + ([label] if faults else [])
            everything.append(dict(scenario=name, row=label, figures=figures, faults=faults, seconds=took, simulated=simulated))
    print(f"outside judge: {passed} reached, {len(failed)} fell short")
    if args.json:
        args.json.write_text(json.dumps(everything, indent=1))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
