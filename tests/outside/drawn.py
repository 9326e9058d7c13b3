"""Scenarios drawn by chance, within what a careful photographer with any camera, panel and plate may bring.

In: a name, "drawn-17", "drawn-tiles-17" or "drawn-bracket-17"; the same name is always the same scenario. Out: a whole one for `simulate.build`. Fixed
scenarios show that what was thought of holds; these look for what was not.
"""

import zlib

import numpy as np

import scenarios

# mm and as the notes write it, short side first.
SIZES = [((82.55, 107.95), "82.55x107.95mm"), ((101.6, 127.0), "4x5in"), (scenarios.HALF[::-1], "120.65x165.1mm"), ((127.0, 177.8), "5x7in"),
         ((90.0, 120.0), "9x12cm"), ((130.0, 180.0), "13x18cm"), ((164.0, 215.0), "164x215mm"), ((203.2, 254.0), "8x10in"), ((83.0, 83.0), "83x83mm")]
# File and whether it is in colour.
KINDS = [("jpeg", False), ("jpeg", True), ("jpeg", True), ("heic", True), ("dng", True), ("dng", True), ("tiff16", False), ("png16", False)]
# What lies round the plate, and how far from it in mm.
SURROUNDS = [("bare", 0.0), ("bare", 0.0), ("bare", 0.0), ("mask", 0.0), ("mask", 2.0), ("card", 0.0), ("card", 2.0)]
GRIDS = [(2, 2), (3, 2), (2, 3), (3, 3), (4, 3)]


def scenario(name):
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    pick, span = lambda of: of[int(rng.integers(len(of)))], lambda a, b: float(rng.uniform(a, b))
    tiled, paired = name.startswith("drawn-tiles-"), name.startswith("drawn-bracket-")
    (short, long), text = pick(SIZES)
    rotate = pick([0, 180] if tiled else [0, 0, 0, 90, 180, 270])
    kind, colour = pick(KINDS)
    surround, gap = ("bare", 0.0) if tiled else pick(SURROUNDS)
    exposure = pick([0.5, 1, 1, 2, 4])
    rebate = tuple(span(0, 6) if rng.random() < 0.75 else 0.0 for _ in range(4))
    camera = dict(
        tilt=(span(-1.5, 1.5), span(-1.5, 1.5)), k1=span(-0.07, 0.04), k2=span(-0.01, 0.02), centre=(span(-25, 25), span(-25, 25)), focal=span(0.7, 1.6),
        blur=span(0.5, 0.95), vignetting=span(0.1, 0.55), falloff=span(0, 0.2), hot_spot=span(0, 0.12), gradient=(span(-0.08, 0.08), span(-0.08, 0.08)),
        full_well=span(12_000, 60_000), response=span(0.001, 0.006), dust=int(rng.integers(0, 16)), hue_drift=span(0, 0.04),
        tint=(span(0.55, 1), 1.0, span(0.5, 1)) if kind == "dng" else (span(0.85, 1), 1.0, span(0.8, 1)),
        glare=span(0, 0.003) if surround == "mask" else 0.0)  # without anything black in view no one can know it
    drawn = dict(
        size=(long, short) if rotate in (0, 180) else (short, long), size_text=text, scene=pick(["shore", "shore", "even_sky", "photograph"]),
        fill=span(0.62, 0.86), mirrored=pick([True, False]), rotate=rotate, turn=span(-3, 3), shift=(span(-2, 2), span(-2, 2)), kind=kind, colour=colour,
        encoded=kind in ("jpeg", "heic", "png16"), blanks=int(rng.integers(2, 9)), blank_level=span(0.55, 0.9) / max(1, exposure), plate_time=exposure / 60,
        surround=surround, gap=gap, mask_in_blank=False, camera=camera,
        plate=dict(base=span(0.08, 0.30), rebate=rebate, edge_line=span(0, 0.35), grain=span(0.4, 1.5)),
        curve=dict(gamma=span(0.8, 1.9), d_max=span(2.2, 3.8), toe=span(0.1, 0.25)))
    if tiled:
        # Beyond the plate what turned tiles of this size need to hold its corners, or a sliver is truly missing.
        drawn |= dict(tiles=dict(grid=pick(GRIDS), overlap=span(0.18, 0.4), beyond=8 + 0.03 * long), small=0.3)
    if paired:
        drawn |= _pair(pick, span, rng, drawn)
    apart = np.random.default_rng(zlib.crc32(f"{name} stained".encode()))  # what was drawn before stays as it was
    if kind == "dng" and apart.random() < 0.4:
        blue = float(apart.uniform(0.02, 0.2))
        drawn["plate"]["stain"] = (-0.6 * blue, -0.2 * blue, blue)
    rightly = {"under-exposed": exposure < 1,  # a stop under the blanks
               "blank-uneven": camera["vignetting"] + camera["falloff"] > 0.6,  # a third of the light at a corner
               "low-overlap": tiled and drawn["tiles"]["overlap"] < 0.22}  # tiles lie up to 7 % off their places
    drawn |= dict(quiet=[code for code in scenarios.FALSE_ALARMS if not rightly.get(code)])
    return {**scenarios.ORDINARY, **drawn}


def _pair(pick, span, rng, drawn):
    """A second plate of the scene: more or less light, longer in the tray or not, framed a little otherwise, through another lens, later."""
    framing = pick([False, True, True])
    pair = dict(
        ids=["K-01", "K-02"], small=0.6, scene=pick(["shore", "shore", "photograph"]), stops=span(-1.5, 1.5), base=span(0.08, 0.25),
        gamma=span(0.9, 1.5), d_max=span(2.4, 3.2), bend=pick([0.0, 0.0, span(-0.01, 0.01)]) if framing else 0.0,
        framing=dict(shift=(span(-0.08, 0.08), span(-0.08, 0.08)), turn=span(-3, 3), nearer=span(0.96, 1.04), tilt=(span(-1e-4, 1e-4), span(-1e-4, 1e-4)))
        if framing else False)
    if rng.random() < 0.3:
        pair |= dict(stops=span(-1.5, -0.3), push=span(1.1, 1.4))
    # In a photograph what moves may be the subject itself, and nobody could tell which of the two is the framing.
    if rng.random() < 0.3 and pair["scene"] == "shore":
        pair |= dict(stirred=(span(0.001, 0.03), span(0.001, 0.06)))
    return pair
