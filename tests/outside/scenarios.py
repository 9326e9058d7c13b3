"""The scenarios by name: what each changes of the ordinary case, and what the program is to say about it.

Every entry is a dictionary for `simulate.build`; what is not named stays as in ORDINARY. `limits` loosens or adds a figure to
reach, with the reason beside it; `say` lists warning codes that must come, by plate; `quiet` those that must not.
"""

HALF = (165.1, 120.65)  # 6 1/2 x 4 3/4 in
FIVE_FOUR = (127.0, 101.6)
LARGE = (254.0, 203.2)

# Warnings that an ordinary, sound capture must not raise.
FALSE_ALARMS = ["base-outlier", "blank-drift", "bands", "tile-exposure", "low-overlap", "settings-differ", "blank-odd", "blank-uneven",
                "under-exposed", "processed", "scale-differs", "blurred", "camera-moved", "sharpened", "filter-pattern", "panel-grid", "lateral-colour"]

ORDINARY = dict(
    size=HALF, size_text="165.1x120.65mm", scene="shore", fill=0.84, mirrored=True, rotate=0, turn=1.5, shift=(1.0, -0.6), kind="jpeg",
    colour=False, encoded=True, blanks=4, darks=0, blank_level=0.85, blank_time=1 / 60, plate_time=1 / 60, surround="bare", gap=0.0,
    mask_in_blank=True, camera=dict(tilt=(0.4, -0.3), k1=-0.012, k2=0.002, centre=(11.0, -7.0)), plate=dict(), curve=dict(), ids=["K-01"],
    say={}, quiet=FALSE_ALARMS, limits={}, copy={}, tiles=None, exif=True, moved=(0, 0.4, -0.3),
)

THIN = dict(rebate=(0.9, 1.0, 0.8, 1.1))

SINGLE = {
    "plain": {},
    "photograph": dict(scene="photograph", size=FIVE_FOUR, size_text="4x5in"),
    "portrait": dict(scene="photograph", size=(101.6, 127.0), size_text="4x5in", rotate=90, turn=-2.0),
    "mask": dict(surround="mask", mask_in_blank=False, camera=dict(glare=0.003)),
    "mask-in-blank": dict(surround="mask", mask_in_blank=True),
    "mask-gap": dict(surround="mask", gap=2.5, camera=dict(glare=0.003)),
    # The blank is veiled by the whole panel's light, the plate's frame by little: the strip beside the plate must be read without both.
    "mask-gap-glare": dict(surround="mask", gap=2.5, mask_in_blank=False, camera=dict(glare=0.015)),
    "mask-gap-dark": dict(surround="mask", gap=2.5, mask_in_blank=False, exif=False, plate_time=1 / 75, say={"K-01": ["bare-level"]},
                          quiet=["base-outlier", "bands"]),
    # What card passes, 2e-4, cannot be told from glare unless it lay in the blank, too: 0.0055 at density 1.8.
    "card-in-view": dict(surround="card", fill=0.7, mask_in_blank=False, camera=dict(glare=0.003), limits=dict(false_step=0.009)),
    "card-in-view-gap": dict(surround="card", fill=0.7, gap=2.0, mask_in_blank=False, camera=dict(glare=0.003)),
    "tilt": dict(camera=dict(tilt=(2.0, -1.7))),
    "turn10": dict(turn=9.6, fill=0.76),
    "turn-10": dict(turn=-9.8, fill=0.76, mirrored=False),
    "barrel": dict(camera=dict(k1=-0.075, k2=0.015, centre=(25.0, -18.0))),
    "pincushion": dict(camera=dict(k1=0.05, k2=0.01, centre=(-20.0, 12.0))),
    "sky-to-edge": dict(scene="even_sky", plate=dict(rebate=(2.5, 0, 2.5, 2.5), base=0.10), curve=dict(gamma=1.3)),
    "thin-rebate": dict(plate=THIN),
    "two-sided-rebate": dict(plate=dict(rebate=(0, 3.0, 0, 3.0))),
    "no-edge-line": dict(plate=dict(edge_line=0, base=0.08)),
    "chipped": dict(chips=True),
    "dark-corners": dict(dark_corners=True),
    "offcentre": dict(fill=0.66, shift=(21.0, -14.0)),
    "small-in-frame": dict(fill=0.42, shift=(8.0, 5.0), limits=dict(density_p95=0.018)),  # a patch of 0.3 mm holds 6 pixels
    "gray-jpeg": dict(colour=False, camera=dict(full_well=12_000.0)),
    "colour-jpeg": dict(colour=True, camera=dict(tint=(0.93, 1.0, 0.88), full_well=9_000.0)),  # the channels' noise averages out in the luma
    "tiff16": dict(kind="tiff16", encoded=False),
    "png16": dict(kind="png16"),
    "heic": dict(kind="heic", limits=dict(density_p95=0.012)),  # lossy at a strength that no standard fixes
    "dng": dict(kind="dng", colour=True, encoded=False, camera=dict(tint=(0.55, 1.0, 0.66))),
    "dng-tinted": dict(kind="dng", colour=True, encoded=False, camera=dict(tint=(0.55, 1.0, 0.66)), plate=dict(tint=(0.0, 0.012, 0.06), base=0.16),
                       above_base=True),
    # As pyro leaves it: most in blue, in proportion to the silver; the mean of the array's four places is the density as it was.
    "dng-stained": dict(kind="dng", colour=True, encoded=False, camera=dict(tint=(0.55, 1.0, 0.66)), plate=dict(stain=(-0.06, -0.02, 0.10))),
    "tinted-base": dict(colour=True, camera=dict(full_well=7_000.0), plate=dict(tint=(0.0, 0.012, 0.06), base=0.16), above_base=True),
    "exposures-differ": dict(blank_level=0.42, blank_time=1 / 120, plate_time=1 / 60),
    "dense-base": dict(plate=dict(base=0.35), plate_time=1 / 30, blank_level=0.85),  # the bare panel clips, the base does not
    "drift": dict(drift=0.03, say={"K-01": ["blank-drift"]}, quiet=["base-outlier", "bands"]),
    "one-blank": dict(blanks=1),
    "eight-blanks-darks": dict(blanks=8, darks=3, kind="tiff16", encoded=False, camera=dict(pedestal=0.004)),
    "bands": dict(bands=(0.02, 190.0), say={"K-01": ["bands"]}, quiet=["base-outlier"], limits=dict(unevenness_percent=None, density_median=None,
                  density_p95=None, false_step=None)),  # bands cannot be taken out with certainty: to be said, not mended
    "screen": dict(screen=(0.006, 5.7, 2.0), say={"K-01": ["panel-grid"]}, quiet=["base-outlier", "bands"], limits=dict(density_median=None,
                   density_p95=None, false_step=None)),  # the plate moves the grid, and division leaves it: to be said
    # The lens draws red 0.5 pixels larger at the corner of 1 megapixel, 1.4 at 8, and blue smaller: green alone keeps what is fine.
    "lateral": dict(kind="tiff16", encoded=False, colour=True, camera=dict(lateral=(0.0009, -0.0007)), say={"K-01": ["lateral-colour"]}, quiet=["base-outlier"]),
    "dng-lateral": dict(kind="dng", colour=True, encoded=False, camera=dict(tint=(0.55, 1.0, 0.66), lateral=(0.0007, -0.0005)),
                        say={"K-01": ["lateral-colour"]}, quiet=["base-outlier"]),
    "settings-differ": dict(plate_fnumber=2.0, say={"K-01": ["settings-differ"]}, quiet=["base-outlier"], limits=dict(density_median=None,
                            density_p95=None, base=None)),
    "ppi-given": dict(ppi=380, limits=dict(sharpness=None)),  # another sampling than the capture's: sharpness is the resampler's choice
    "rotated-180": dict(rotate=180, turn=-3.0),
    "rotated-270": dict(rotate=270, size=(101.6, 127.0), size_text="4x5in", scene="photograph", mirrored=False),
    "no-exif": dict(exif=False),
    "glare2": dict(camera=dict(glare=0.02), card=True, limits=dict(density_median=0.006, density_p95=0.020)),
    "copy-exposures": dict(kind="tiff16", encoded=False, ladder=(1, 8), curve=dict(gamma=1.75, d_max=4.2), deepest=3.0,
                           limits=dict(density_median=0.004, density_p95=0.015)),
    "copy-exposures-moved": dict(kind="tiff16", encoded=False, ladder=(1, 8), curve=dict(gamma=1.75, d_max=4.2), deepest=3.0, moved=(0.15, 48.0, -36.0),
                                 limits=dict(density_median=0.004, density_p95=0.015)),
    "copy-exposures-glare": dict(kind="tiff16", encoded=False, ladder=(1, 8), curve=dict(gamma=1.75, d_max=4.2), camera=dict(glare=0.02), card=True,
                                 limits=dict(density_median=0.006, density_p95=0.020)),
    "batch": dict(size=FIVE_FOUR, size_text="4x5in", ids=["K-01", "K-02", "K-03", "K-04", "K-05"], small=0.5, bases=(0.14, 0.146, 0.27, 0.135, 0.142),
                  say={"K-03": ["base-outlier"]}, quiet=["blank-drift", "bands", "settings-differ"]),
}

_LENS = dict(tilt=(0.5, -0.35), k1=-0.03, k2=0.006, centre=(9.0, 6.0))
TILED = {
    "tiles-2x2": dict(tiles=dict(grid=(2, 2), overlap=0.30)),
    "tiles-2x3": dict(tiles=dict(grid=(3, 2), overlap=0.25)),
    "tiles-dense-base": dict(tiles=dict(grid=(3, 2), overlap=0.25), plate=dict(base=0.35), plate_time=1 / 30, blank_level=0.85),
    "tiles-3x4": dict(tiles=dict(grid=(4, 3), overlap=0.20), size=LARGE, size_text="8x10in"),
    "tiles-6x4": dict(tiles=dict(grid=(6, 4), overlap=0.25), size=(270.0, 180.0), size_text="270x180mm"),
    "tiles-15": dict(tiles=dict(grid=(3, 2), overlap=0.15)),
    "tiles-40": dict(tiles=dict(grid=(2, 2), overlap=0.40), kind="tiff16", encoded=False),
    "tiles-turned": dict(tiles=dict(grid=(2, 2), overlap=0.30, turned=2)),
    "tiles-dark-exif": dict(tiles=dict(grid=(2, 2), overlap=0.30, darker=(1, 0.7, True))),
    "tiles-dark": dict(tiles=dict(grid=(2, 2), overlap=0.30, darker=(1, 0.8, False)), say={"K-01": ["tile-exposure"]},
                       quiet=["base-outlier", "bands", "low-overlap"]),
    "tiles-glare": dict(tiles=dict(grid=(2, 2), overlap=0.30), surround="mask", gap=2.5, mask_in_blank=False, camera={**_LENS, "glare": 0.02}),
    "tiles-sky": dict(tiles=dict(grid=(3, 2), overlap=0.25), scene="even_sky"),
    # A sky without a corner over whole tiles, whose grain is finer than a pixel and weaker than the light's noise.
    "tiles-grain": dict(tiles=dict(grid=(4, 3), overlap=0.20), size=(83.0, 83.0), size_text="83x83mm", scene="even_sky", kind="dng", colour=True,
                        encoded=False, plate=dict(grain=0.4), curve=dict(gamma=1.76), camera={**_LENS, "tint": (0.7, 1.0, 0.8), "blur": 0.95, "full_well": 20_000.0}),
    "tiles-low": dict(tiles=dict(grid=(2, 2), overlap=0.07), say={"K-01": ["low-overlap"]}, quiet=["base-outlier", "bands", "tile-exposure"]),
}
for _entry in TILED.values():
    _entry.setdefault("camera", _LENS)
    _entry["blanks"] = 4
    _entry["small"] = 0.3

BRACKETS = {
    "bracket-two-thirds": dict(stops=2 / 3),
    "bracket-four-thirds": dict(stops=4 / 3, framing=True),
    "bracket-push": dict(stops=-1.0, push=1.3),
    "bracket-moved": dict(stops=2 / 3, framing=True, stirred=(0.02, 0.04)),
    "bracket-subject": dict(stops=2 / 3, framing=True, stirred=(0.01, 0.03)),  # as much that moved holds a map of its own
    "bracket-same": dict(stops=0.0, same=True),
    "bracket-three": dict(others=[dict(stops=2 / 3), dict(stops=4 / 3, framing=True)]),
    "bracket-mirrored": dict(stops=2 / 3, framing=dict(mirrored=True), say_compared=["mirrored"]),
    "bracket-unlike": dict(stops=2 / 3, elsewhere=500, refused="K-01 and K-02"),
}
for _entry in BRACKETS.values():
    _entry["scene"] = "shore"
    _entry["ids"] = ["K-01", "K-02", "K-03"][: 1 + len(_entry.get("others", [0]))]
    _entry["small"] = 0.6

ALL = {**SINGLE, **TILED, **BRACKETS}

# Enough of everything for every day, and small enough for a test run.
BOUNDED = ["plain", "mask-gap", "mask-gap-glare", "tilt", "turn10", "barrel", "sky-to-edge", "thin-rebate", "chipped", "dark-corners",
           "colour-jpeg", "tiff16", "dng", "exposures-differ", "drift", "batch", "glare2", "copy-exposures", "copy-exposures-moved", "copy-exposures-glare", "tiles-2x2",
           "tiles-2x3", "tiles-low", "tiles-dark", "bracket-two-thirds", "bracket-push", "bracket-same"]
