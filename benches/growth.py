"""Time and memory of the whole job as it grows: megapixels of one plate, tiles of one plate, plates of one session. Prints and draws them.

    python benches/growth.py [--program target/release/hyaline] [--runs 3] [--to benches/growth.svg] [--only megapixels tiles plates]

Whole processes, medians. Sessions are drawn by tests/outside/simulate.py; tiles are of 12 megapixels and the plate grows with their grid,
plates of a session are the same 3-megapixel capture under many names. A straight line through the first and the last point is drawn
beside each curve: what grows in proportion follows it.
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
import simulate
from single import timed

GRIDS = [(2, 1), (2, 2), (4, 3), (6, 4), (8, 6), (10, 6)]
MEGAPIXELS = [3, 6, 12, 25, 50, 100]
PLATES = [1, 2, 5, 10, 30, 100]


def median(args, session, out):
    runs = []
    for _ in range(args.runs):
        shutil.rmtree(out, ignore_errors=True)
        runs.append(timed([args.program, "digitize", str(session), "--out", str(out), "--quiet"]))
    return tuple(statistics.median(r[k] for r in runs) for k in (0, 1))


def megapixels(args, made):
    for size in MEGAPIXELS:
        session = made / f"plain-{size}"
        simulate.build("plain", session, size)
        yield size, *median(args, session, made / "out")
        shutil.rmtree(session)


def tiles(args, made):
    for columns, rows in GRIDS:
        name, size = f"grown-{columns}x{rows}", (45.0 * columns, 45.0 * rows)
        scenarios.ALL[name] = dict(tiles=dict(grid=(columns, rows), overlap=0.25), size=size, size_text=f"{size[0]:g}x{size[1]:g}mm")
        simulate.build(name, made / name, 12)
        yield columns * rows, *median(args, made / name, made / "out")
        shutil.rmtree(made / name)


def plates(args, made):
    simulate.build("plain", made / "one", 3)
    notes = (made / "one/session.toml").read_text()
    head, plate = notes.split("\n[[plate]]\n")
    (capture,) = [p for p in (made / "one/captures").iterdir() if p.stem.startswith("k01")]
    for count in PLATES:
        session = made / f"plates-{count}"
        shutil.copytree(made / "one", session)
        each = []
        for n in range(1, count + 1):
            shutil.copy(capture, session / f"captures/plate-{n}{capture.suffix}")
            each.append(plate.replace("K-01", f"K-{n:03}").replace(f"captures/{capture.name}", f"captures/plate-{n}{capture.suffix}"))
        (session / "session.toml").write_text("\n[[plate]]\n".join([head, *each]))
        yield count, *median(args, session, made / "out")
        shutil.rmtree(session)


SWEEPS = {"megapixels": (megapixels, "megapixels of one plate"), "tiles": (tiles, "tiles of one plate"), "plates": (plates, "plates of a session")}
W, H, LEFT, TOP, GAP = 260, 170, 70, 30, 90


def panel(x, y, points, title, unit):
    """One curve as SVG: from zero on both axes."""
    most = [max(p[k] for p in points) * 1.05 for k in (0, 1)]
    at = lambda p: (x + W * p[0] / most[0], y + H - H * p[1] / most[1])
    line = " ".join(f"{a:.1f},{b:.1f}" for a, b in map(at, points))
    (xa, ya), (xb, yb) = at(points[0]), at(points[-1])
    dots = "".join(f'<circle cx="{a:.1f}" cy="{b:.1f}" r="3"/>' for a, b in map(at, points))
    ends = f'<text x="{x + W}" y="{y + H + 16}" text-anchor="end">{points[-1][0]:g}</text><text x="{x - 6}" y="{at(points[-1])[1] + 4:.1f}" text-anchor="end">{points[-1][1]:.3g}</text>'
    return (f'<rect x="{x}" y="{y}" width="{W}" height="{H}" fill="none" stroke="#888"/><line x1="{xa:.1f}" y1="{ya:.1f}" x2="{xb:.1f}" y2="{yb:.1f}" '
            f'stroke="#aaa" stroke-dasharray="4 4"/><polyline points="{line}" fill="none" stroke="#222" stroke-width="1.5"/>{dots}{ends}'
            f'<text x="{x}" y="{y + H + 16}">0</text><text x="{x + W / 2}" y="{y + H + 32}" text-anchor="middle">{title}</text>'
            f'<text x="{x}" y="{y - 8}">{unit}</text>')


def drawn(found):
    width, height = LEFT + len(found) * (W + GAP), TOP + 2 * (H + GAP)
    parts = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif" font-size="13">'
             f'<rect width="{width}" height="{height}" fill="#fff"/>']
    for k, (name, points) in enumerate(found.items()):
        for row, (of, unit) in enumerate([(1, "seconds"), (2, "peak memory, MiB")]):
            parts.append(panel(LEFT + k * (W + GAP), TOP + row * (H + GAP), [(p[0], p[of]) for p in points], SWEEPS[name][1], unit))
    return "".join(parts) + "</svg>\n"


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--program", default=os.environ.get("HYALINE", str(ROOT / "target/release/hyaline")))
    asked.add_argument("--runs", type=int, default=3)
    asked.add_argument("--to", default=str(ROOT / "benches/growth.svg"))
    asked.add_argument("--only", nargs="+", choices=list(SWEEPS), default=list(SWEEPS))
    args = asked.parse_args()
    found = {}
    for name in args.only:
        print(f"{SWEEPS[name][1]:26} seconds  seconds each  peak MiB", flush=True)
        found[name] = []
        with tempfile.TemporaryDirectory(prefix="growth-") as made:
            for count, seconds, memory in SWEEPS[name][0](args, pathlib.Path(made)):
                found[name].append((count, seconds, memory))
                print(f"{count:26} {seconds:7.2f} {seconds / count:13.3f} {memory:9.0f}", flush=True)
    pathlib.Path(args.to).write_text(drawn(found))


if __name__ == "__main__":
    main()
