"""Holds a result folder against the truth, by the outside contract alone.

In: `Truth`, the folder that `digitize` wrote. Out: for every plate (and bracket) a dictionary of figures, and which of them reach
what is asked. A figure that cannot be read at all (no file, no key, wrong kind) is a failure with a sentence.
"""

import hashlib
import json
import pathlib

import cv2
import numpy as np
import tifffile

import geometry
import measure
import optics
import oracle

# What to reach; None: the figure is shown and not judged.
LIMITS = dict(density_median=0.003, density_p95=0.010, unevenness_percent=0.3, corner_mm=0.15, scale_percent=0.1, geometry_rms=0.5,
              geometry_worst=1.5, false_step=0.006, base=0.010)
SHARPNESS = (0.97, 1.06)
BRACKET_LIMITS = dict(contrast_percent=2.0, shadow_gain=0.02, highlight_gain=0.02, align_rms=1.0, curve_rms=0.05, stops=0.01, below=0.03)
SAME_LIMITS = dict(BRACKET_LIMITS, contrast_percent=1.0, shadow_gain=0.005, highlight_gain=0.005)


class Missing(Exception):
    """Something that the contract promises is not there; the text says what."""


def plate(truth, case, out, heed_warnings=True):
    """Figures of one plate, and its failures as sentences."""
    try:
        image, record = _read(case, pathlib.Path(out))
    except Missing as missing:
        return {}, [str(missing)]
    faults = _contract(case, image, record, pathlib.Path(out))
    h, w = image.shape
    around = (truth.spec["surround"], truth.spec["gap"])
    expected = oracle.expected(case, (w, h), around=around)
    t = image.astype(np.float32) / 65535
    way = geometry.best_orientation(t, expected)
    if way:
        return {"orientation": way}, [*faults, f"lies wrong: way {way} of the eight fits, not the first"]
    if truth.spec.get("above_base"):  # the base is coloured: only what lies above it has one value for all channels
        t, expected = t * 10 ** record["base"]["density"], expected * 10**case.plate.base
    figures = {}
    per_mm = w / case.plate.size[0]
    covered = _covered(case, (w, h))
    place, field = _geometry(case, t, expected, record, covered)
    if field is not None:  # tones are judged where each place has come to lie: what lies wrong is counted above, once
        followed = oracle.expected(case, (w, h), field, around)
        if truth.spec.get("above_base"):
            followed *= 10**case.plate.base
        unfollowed = measure.summary(*measure.densities(t, expected, per_mm, covered, truth.spec.get("deepest", measure.DEEPEST)))
        figures["density_p95_in_place"] = unfollowed["density_p95"]
        expected = followed
    error, true, fit = measure.densities(t, expected, per_mm, covered, truth.spec.get("deepest", measure.DEEPEST))
    figures |= measure.summary(error, true, fit) | place
    if not truth.spec.get("above_base"):
        figures["base"] = abs(record["base"]["density"] - case.plate.base)
    limits = LIMITS | truth.spec["limits"]
    for key, limit in limits.items():
        value = figures.get(key)
        if key == "sharpness" or limit is None or value is None:
            continue
        if not value <= limit:
            faults.append(f"{key} {value:.4g}, to reach {limit:g}")
    sharp = figures.get("sharpness")
    if limits.get("sharpness", SHARPNESS) and sharp is not None and not SHARPNESS[0] <= sharp <= SHARPNESS[1]:
        faults.append(f"sharpness {sharp:.3f}, to lie in {SHARPNESS[0]} to {SHARPNESS[1]}")
    return figures, faults + (_warnings(truth, case, record) if heed_warnings else [])


def _read(case, out):
    image_file, record_file = (out / case.id / f"{case.id}-{end}" for end in ("negative.tif", "record.json"))
    for file in (image_file, record_file):
        if not file.exists():
            raise Missing(f"no {file.name}")
    image = tifffile.imread(image_file)
    if image.dtype != np.uint16 or image.ndim != 2:
        raise Missing(f"{image_file.name} is {image.dtype} with {image.ndim} axes, not 16-bit gray")
    return image, json.loads(record_file.read_text())


def _contract(case, image, record, out):
    """What can be seen of the files without the truth."""
    faults = []
    if list(record.get("pixels", [])) != [image.shape[1], image.shape[0]]:
        faults.append(f"record says pixels {record.get('pixels')}, the image has {image.shape[::-1]}")
    for key in ("plate", "size_mm", "ppi", "mm_per_px", "base", "warnings"):
        if key not in record:
            faults.append(f"record lacks {key}")
    if "ppi" in record and "mm_per_px" in record and abs(record["ppi"] * record["mm_per_px"] - 25.4) > 0.01:
        faults.append("ppi and mm_per_px disagree")
    with tifffile.TiffFile(out / case.id / f"{case.id}-negative.tif") as file:
        x = file.pages[0].tags.get("XResolution")
        unit = file.pages[0].tags.get("ResolutionUnit")
        if x is None or unit is None:
            faults.append("no resolution tags")
        else:
            ppi = x.value[0] / x.value[1] * (2.54 if int(unit.value) == 3 else 1)
            if abs(ppi / record.get("ppi", ppi) - 1) > 1e-3:
                faults.append(f"resolution tag {ppi:.2f} against {record.get('ppi'):.2f} in the record")
    for output in record.get("outputs", []):
        file = next((f for f in (out / output["file"], out / case.id / output["file"]) if f.exists()), None)
        if file is None or hashlib.sha256(file.read_bytes()).hexdigest() != output["sha256"]:
            faults.append(f"digest of {output['file']} does not hold")
    return faults


def _covered(case, pixels):
    """1 where the plate is chipped or taped over, with a little round it."""
    if not case.opaque:
        return None
    (w, h), (width, height) = case.plate.size, pixels
    out = np.zeros((height, width), np.uint8)
    for polygon in case.opaque:
        cv2.fillPoly(out, [np.round(np.asarray(polygon) * [width / w, height / h]).astype(np.int32)], 1)
    return cv2.dilate(out, np.ones((9, 9), np.uint8))


def _geometry(case, t, expected, record, covered):
    """Figures of place, and the field to follow where places lie off by more than a tenth of a pixel."""
    h, w = t.shape
    field = geometry.displacements(t, expected, mask=covered)
    figures = {"places": len(field)}
    if len(field) < 20:
        return figures | {"geometry_rms": float("inf")}, None
    # The file's own grid: pixel centres at mm_per_px from the top-left corner, or the plate laid edge to edge; the better of the two.
    pitch = record.get("mm_per_px", case.plate.size[0] / w)
    stretch = np.array([case.plate.size[0] / w, case.plate.size[1] / h]) / pitch - 1
    ways = [field[:, 2:4], field[:, 2:4] - field[:, :2] * stretch]
    sizes = [np.hypot(*d.T) for d in ways]
    moved, size = min(zip(ways, sizes), key=lambda ws: (ws[1] ** 2).mean())
    figures["geometry_rms"] = float(np.sqrt((size**2).mean()))
    figures["geometry_worst"] = float(np.sort(size)[-max(1, len(size) // 500) - 1])  # one place in 500 may be the scorer's own slip
    terms = np.column_stack([field[:, :2], np.ones(len(field))])
    linear, *_ = np.linalg.lstsq(terms, moved, rcond=None)
    figures["scale_percent"] = float(100 * abs((linear[0, 0] + linear[1, 1]) / 2))
    smooth = geometry.smooth_field(np.column_stack([field[:, :2], moved, field[:, 4]]), t.shape)
    mm = case.plate.size[0] / w
    found = record.get("edges", {}).get("corners_px")
    if len(case.poses) == 1 and found:
        off = optics.unproject(case.camera, case.poses[0], found) - np.array([[0, 0], [case.plate.size[0], 0], case.plate.size, [0, case.plate.size[1]]])
        figures["corner_mm"] = float(np.hypot(*off.T).max())
    else:
        off = smooth([0, w, w, 0], [0, 0, h, h]) * mm
        figures["corner_mm"] = float(np.hypot(*off.T).max())
    bands = geometry.sharpness(t, expected, field)
    figures["sharpness"] = float(bands[1])
    figures["sharpness_bands"] = [round(float(b), 3) for b in bands]
    whole = geometry.smooth_field(field, t.shape)
    return figures, whole if np.hypot(*field[:, 2:4].T).mean() > 0.1 else None


def _warnings(truth, case, record):
    codes = {w.get("code") for w in record.get("warnings", [])}
    faults = [f"does not say {code}" for code in truth.spec["say"].get(case.id, []) if code not in codes]
    wanted = truth.spec["say"].get(case.id, [])
    faults += [f"false alarm {code}" for code in truth.spec["quiet"] if code in codes and code not in wanted]
    return faults


def bracket(truth, out):
    """Figures of a bracket against its truth, the worst of those that each plate has against the first."""
    know = truth.bracket
    file = pathlib.Path(out) / "compare" / "-".join(know["ids"]) / "compare.json"
    if "refused" in truth.spec:
        return {}, [f"{file.name} of plates that cannot be compared"] if file.exists() else []
    if not file.exists():
        return {}, [f"no compare/{file.parent.name}/compare.json"]
    said = json.loads(file.read_text())
    figures, faults = {}, []
    try:
        told = [said, *said["pairs"][1:]]  # the file's own figures are those of the second plate against the first
        rows = [_pair(truth, pair, figures, pathlib.Path(out)) for pair, figures in zip(know["pairs"], told, strict=True)]
        figures = {key: max(row[key] for row in rows) for key in rows[0]}
        if len(rows) == 1:  # of more plates the area is what all show, and the truth is worked out pair by pair
            figures["below"] = float(np.abs(np.array(said["below_speed_point"]) - know["pairs"][0]["below"]).max())
        if know["curve"]:
            figures["curve_rms"] = _curve(know["curve"], said["curve"])
    except (KeyError, TypeError, ValueError) as wrong:
        faults.append(f"compare.json: {type(wrong).__name__} {wrong}")
    limits = dict(SAME_LIMITS if truth.spec.get("same") else BRACKET_LIMITS)
    if truth.spec["scene"] == "photograph":
        # The relation bends, and means over places of 0.1 or of 0.5 mm, steep ones left out or not, give slopes that differ by so much.
        limits["contrast_percent"] = 4.0
    for key, limit in limits.items():
        if key in figures and not figures[key] <= limit:
            faults.append(f"{key} {figures[key]:.4g}, to reach {limit:g}")
    codes = [warning["code"] for warning in said["warnings"]]
    faults += [f"not said: {code}" for code in truth.spec.get("say_compared", []) if code not in codes]
    return figures, faults


def _pair(truth, know, said, out):
    """Errors of what is said of one plate against the first."""
    return dict(contrast_percent=100 * abs(said["relative_contrast"] / know["relative_contrast"] - 1),
                shadow_gain=abs(said["shadow_gain_density"] - know["shadow_gain"]),
                highlight_gain=abs(said["highlight_gain_density"] - know["highlight_gain"]),
                stops=abs(said["exposure_difference_stops"] - know["stops"]), align_rms=_alignment(truth, know, said["alignment"], out))


def _alignment(truth, know, said, out):
    """Root mean square distance, in A's pixels, between where the file and where the truth puts A's places on B."""
    records = [json.loads((out / id / f"{id}-record.json").read_text()) for id in (truth.bracket["ids"][0], know["id"])]
    pixels = [np.array(r["pixels"], float) for r in records]
    grid = np.stack(np.meshgrid(*(np.linspace(0.08, 0.92, 15) * n for n in pixels[0])), -1)
    true = know["between"].to_b(grid * records[0]["mm_per_px"]) / records[1]["mm_per_px"]
    inside = ((true > 0) & (true < pixels[1])).all(-1)
    homography = np.asarray(said["homography"], float).reshape(3, 3)
    placed = np.concatenate([true, np.ones_like(true[..., :1])], -1) @ homography.T
    off = placed[..., :2] / placed[..., 2:] - grid - _bent(said.get("bend"), grid)
    return float(np.sqrt((np.hypot(*off[inside].T) ** 2).mean()))


def _bent(bend, p):
    """What a place of A is shifted by before the homography carries it back to B: a cubic, as the schema says."""
    if not bend:
        return 0.0
    x, y = np.moveaxis((p - bend["centre_px"]) / bend["radius_px"], -1, 0)
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3], -1)
    return np.stack([terms @ bend["x_px"], terms @ bend["y_px"]], -1)


def _curve(curve, table):
    """Root mean square of density over the densities that the table spans; its log H has no zero of its own."""
    if table is None:
        raise ValueError("no curve")
    table = np.array([[p[0], p[1]] if not isinstance(p, dict) else list(p.values())[:2] for p in table], float)
    table = table[(table[:, 1] > 0.02) & (table[:, 1] < 0.97 * curve.d_max)]
    shifts = np.linspace(-4, 4, 1601)
    errors = [np.sqrt(((curve(table[:, 0] + s) - table[:, 1]) ** 2).mean()) for s in shifts]
    return float(min(errors))
