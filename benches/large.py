"""One very large plate: 8x10 in at 2400 samples an inch, 460 megapixels from 40 tiles of 24 megapixels. Time, throughput and peak memory.

    python benches/large.py [--program target/release/hyaline] [--share 1.0]

`--share 0.25` makes a plate of a quarter of the pixels, sampled as much more coarsely, from as many tiles. Makes its captures first (some
minutes, 4 GiB of memory, 400 MB of disk): a scene with grain, tiles a little turned and moved, a panel with fall-off, shot noise, JPEG.
"""

import argparse
import json
import os
import pathlib
import sys
import tempfile

import cv2
import numpy as np

ROOT = pathlib.Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "tests" / "outside"))

import scene
from single import timed

PLATE_MM, PPI, GRID, TILE = (254.0, 203.2), 2400, (5, 8), (6000, 4000)
MARGIN_MM, REBATE_MM, FULL_WELL = 5.0, 3.0, 40_000
STRIP = 1024


def plate(share, rng):
    """The plate on a bare panel: 16-bit transmittance, and its samples a millimetre."""
    q = float(PPI / 25.4 * np.sqrt(share))
    w, h = (round((mm + 2 * MARGIN_MM) * q) for mm in PLATE_MM)
    seen = scene.shore((1536, 1920), 3)
    density = np.clip(0.9 + 1.1 * (seen - np.median(seen)), 0.0, 1.9).astype(np.float32)
    t = np.empty((h, w), np.uint16)
    x = (np.arange(w, dtype=np.float32) + 0.5) / q - MARGIN_MM
    for top in range(0, h, STRIP):
        y = (np.arange(top, min(top + STRIP, h), dtype=np.float32) + 0.5) / q - MARGIN_MM
        at_x, at_y = np.meshgrid(x / PLATE_MM[0] * 1920 - 0.5, y / PLATE_MM[1] * 1536 - 0.5)
        d = cv2.remap(density, at_x, at_y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
        inside = np.minimum(np.minimum(x, PLATE_MM[0] - x)[None], np.minimum(y, PLATE_MM[1] - y)[:, None])
        d *= np.clip((inside - REBATE_MM) / 0.2, 0, 1)
        grain = cv2.GaussianBlur(rng.standard_normal(d.shape, dtype=np.float32), (0, 0), 1.2)
        # The cubic dips below 0 beside clear places.
        np.maximum(d, 0, out=d)
        d += 0.14 + grain * (0.25 * np.sqrt(d + 0.05))
        d[inside < 0] = 0
        t[top : top + len(y)] = np.clip(np.power(10, -d) * 60000, 0, 65535)
    return t, q


def frame(light, rng):
    """8-bit codes of linear light, by the sRGB curve, with shot noise."""
    light = light + rng.standard_normal(light.shape, dtype=np.float32) * np.sqrt(np.maximum(light, 0) / FULL_WELL)
    light = np.clip(light, 0, 1)
    return np.round(255 * np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** np.float32(1 / 2.4) - 0.055)).astype(np.uint8)


def write(folder, share):
    rng = np.random.default_rng(8)
    captures = folder / "captures"
    captures.mkdir(parents=True)
    t, q = plate(share, rng)
    w, h = (int(side * np.sqrt(share)) // 8 * 8 for side in TILE)
    x, y = np.meshgrid((np.arange(w, dtype=np.float32) + 0.5) / w - 0.5, (np.arange(h, dtype=np.float32) + 0.5) / h - 0.5)
    panel = 0.82 * (1 - 0.35 * (x * x + y * y))
    save = lambda name, codes: cv2.imwrite(str(captures / name), codes, [cv2.IMWRITE_JPEG_QUALITY, 95])
    for k in range(4):
        save(f"blank-{k + 1}.jpg", frame(panel, rng))
    names = []
    for row in range(GRID[1]):
        for column in range(GRID[0]):
            at = [(side - reach) * k / (n - 1) + rng.uniform(-0.4, 0.4) * q for side, reach, k, n in zip(t.shape[::-1], (w, h), (column, row), GRID)]
            turn = np.radians(rng.uniform(-0.4, 0.4))
            a, b = np.cos(turn), np.sin(turn)
            back = np.float64([[a, -b, at[0] + w / 2 - a * w / 2 + b * h / 2], [b, a, at[1] + h / 2 - b * w / 2 - a * h / 2]])
            seen = cv2.warpAffine(t, back, (w, h), flags=cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP, borderMode=cv2.BORDER_CONSTANT, borderValue=60000)
            names.append(f"tile-{len(names) + 1:02}.jpg")
            save(names[-1], frame(panel * (seen.astype(np.float32) / 60000), rng))
            print(f"\rmade {len(names)} of {GRID[0] * GRID[1]} tiles", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    listed = ", ".join(f'"captures/{name}"' for name in names)
    (folder / "session.toml").write_text(
        f'[session]\ntitle = "A large plate"\ndate = 2026-03-14\n\n[copy]\nblank = ["captures/blank-*.jpg"]\nemulsion = "away-from-camera"\n\n'
        f'[[plate]]\nid = "L-01"\nsize = "8x10in"\ncaptures = [{listed}]\n')
    return w * h / 1e6


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--program", default=os.environ.get("HYALINE", str(ROOT / "target/release/hyaline")))
    asked.add_argument("--share", type=float, default=1.0)
    args = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="large-") as made:
        session, out = pathlib.Path(made) / "session", pathlib.Path(made) / "out"
        each = write(session, args.share)
        took, peak = timed([args.program, "digitize", str(session), "--out", str(out), "--quiet"])
        record = json.loads((out / "L-01/L-01-record.json").read_text())
        columns, rows = record["pixels"]
        made_of = GRID[0] * GRID[1]
        print(f"{columns}x{rows} pixels, {rows * columns / 1e6:.0f} megapixels, from {made_of} tiles of {each:.1f} megapixels, {os.cpu_count()} cores")
        print(f"{took:.1f} s, {made_of * each / took:.1f} megapixels of captures a second, peak {peak:.0f} MiB; "
              f"{record['stitch']['ties']} ties, rms {record['stitch']['rms_px']:.3f} px")


if __name__ == "__main__":
    main()
