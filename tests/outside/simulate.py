"""Writes a session folder by a forward model of our own, from the outside contract alone, and keeps the truth.

    python simulate.py SCENARIO DIR [--megapixels 8]    writes DIR/session and DIR/truth.pickle

In: a scenario's name. Out: captures and session.toml as a photographer would have them, and `Truth` for the scorer.
"""

import argparse
import pathlib
import pickle
import zlib
from dataclasses import dataclass, field

import cv2
import numpy as np

import capture
import drawn
import files
import optics
import plate as plates
import scenarios
import scene

SUFFIX = {"jpeg": "jpg", "tiff16": "tif", "png16": "png", "dng": "dng", "heic": "heic"}


@dataclass
class Case:
    """One plate, and the frames it was copied in."""

    id: str
    plate: plates.Plate
    camera: optics.Camera
    poses: list
    opaque: list = field(default_factory=list)  # polygons in mm where the plate is covered or gone


@dataclass
class Truth:
    name: str
    spec: dict
    cases: list
    bracket: dict | None = None


def build(name, folder, megapixels=8.0):
    """Writes the session of a scenario into `folder`; gives the truth."""
    spec = _merged(name)
    rng = np.random.default_rng(zlib.crc32(name.encode()))
    folder = pathlib.Path(folder)
    (folder / "captures").mkdir(parents=True, exist_ok=True)
    camera, pedestal = _camera(spec, megapixels, rng)
    desk = Desk(folder, spec, camera, rng, pedestal)
    size = spec["size"]
    lies = size if spec["rotate"] in (0, 180) else size[::-1]
    scale = _scale(spec, camera, lies)
    q = min(2 * scale, 2 * scale * np.sqrt(32e6 / (4 * scale**2 * size[0] * size[1])))
    cases, bracket = [], None
    if "stops" in spec or "others" in spec:
        import brackets

        exposed, bracket = brackets.expose(spec, size, q, rng)
    else:
        exposed = [_plate(spec, i, size, q, rng) for i in range(len(spec["ids"]))]
    desk.blanks(exposed[0][0], _pose(spec, size, scale), before=True)
    for id, (one, opaque) in zip(spec["ids"], exposed):
        poses = _tiles(spec, size, scale, camera, rng) if spec["tiles"] else [_pose(spec, size, scale)]
        desk.copy(id, one, poses)
        cases.append(Case(id, one, camera, poses, opaque))
    desk.blanks(exposed[0][0], _pose(spec, size, scale), before=False)
    (folder / "session.toml").write_text(desk.notes(bracket))
    return Truth(name, spec, cases, bracket)


def _merged(name):
    if name.startswith("drawn-"):
        return drawn.scenario(name)
    spec = dict(scenarios.ORDINARY)
    for key, value in scenarios.ALL[name].items():
        spec[key] = {**spec[key], **value} if isinstance(value, dict) and key in ("camera", "plate", "curve") else value
    return spec


def _camera(spec, megapixels, rng):
    pixels = megapixels * 1e6 * spec.get("small", 1.0)
    width = int(np.sqrt(pixels * 4 / 3) / 8) * 8
    settings = dict(spec["camera"])
    pedestal = settings.pop("pedestal", 0.0)
    settings["centre"] = tuple(c * width / 3264 for c in settings["centre"])
    return optics.Camera(width, int(width * 3 / 4 / 8) * 8, seed=int(rng.integers(1 << 30)), **settings), pedestal


def _scale(spec, camera, lies):
    if spec["tiles"]:
        (nx, ny), overlap = spec["tiles"]["grid"], spec["tiles"]["overlap"]
        beyond = spec["tiles"].get("beyond", 5)
        return min(n_px * (n - (n - 1) * overlap) / (mm + beyond) for n_px, n, mm in ((camera.width, nx, lies[0]), (camera.height, ny, lies[1])))
    return spec["fill"] * min(camera.width / lies[0], camera.height / lies[1] * 1.05)


def _pose(spec, size, scale, turn=None):
    return optics.Pose(size, scale, spec["turn"] if turn is None else turn, spec["shift"], spec["mirrored"], spec["rotate"])


def _tiles(spec, size, scale, camera, rng):
    """The plate slid under the camera: as many poses as the grid has places, in no order that means anything."""
    (nx, ny), beyond, out = spec["tiles"]["grid"], spec["tiles"].get("beyond", 5), []
    field_of_view = np.array([camera.width, camera.height]) / scale
    for j in range(ny):
        for i in range(nx):
            turn = rng.uniform(-1.2, 1.2) + (180 if len(out) == spec["tiles"].get("turned") else 0)
            pose = optics.Pose(size, scale, turn, (0, 0), spec["mirrored"], spec["rotate"])
            reach = [max(0, (s + beyond - f) / 2) for s, f in zip(size, field_of_view)]
            aim = [s / 2 + r * (2 * k / max(1, n - 1) - 1 if n > 1 else 0) for s, r, k, n in zip(size, reach, (i, j), (nx, ny))]
            aim = np.array(aim) + rng.uniform(-0.7, 0.7, 2)
            pose.shift = tuple(-(pose.planar() @ [*aim, 1])[:2])
            out.append(pose)
    return [out[k] for k in rng.permutation(len(out))] if "turned" not in spec["tiles"] and "darker" not in spec["tiles"] else out


def _plate(spec, index, size, q, rng):
    shape = (round(size[1] * q), round(size[0] * q))
    log_e = getattr(scene, spec["scene"])(shape, int(rng.integers(1000)) if spec["scene"] != "photograph" else index)
    settings = dict(base=0.13 + 0.02 * rng.random(), rebate=tuple(rng.uniform(2, 5, 4)))
    settings.update(spec["plate"])
    if "bases" in spec:
        settings["base"] = spec["bases"][index]
    opaque = []
    if spec.get("chips"):
        opaque = [plates.chip_at_corner(size, 0, 5.0), plates.chip_at_corner(size, 2, 3.0), plates.chip_at_side(size, 0.6, 7.0, 1.6)]
        settings["chips"] = opaque
    if spec.get("dark_corners"):
        opaque = [plates.corner_triangle(size, k, d) for k, d in ((1, 8.0), (3, 6.0), (2, 4.0))]
        settings["dark_corners"] = opaque
    curve = plates.Curve(**{"gamma": 1.35, **spec["curve"]})
    return plates.expose(log_e, size, shape[1] / size[0], rng, curve=curve, **settings), opaque


class Desk:
    """The copying stand: takes frames, writes files, and remembers what the notes must say."""

    def __init__(self, folder, spec, camera, rng, pedestal):
        self.folder, self.spec, self.camera, self.rng, self.pedestal = folder, spec, camera, rng, pedestal
        self.minute, self.blank_count, self.captures, self.opaque = 0, 0, {}, None

    def _write(self, name, planes, seconds, fnumber=2.8, lies=False):
        self.minute += 1
        spec = self.spec
        tags = files.exif_tags(seconds, fnumber=fnumber, when=f"2026:03:15 10:{self.minute:02}:00", orientation=int(self.rng.integers(1, 9)))
        if self.pedestal:
            planes = planes * (1 - self.pedestal) + self.pedestal
        files.write(self.folder / "captures" / name, planes, tags if spec["exif"] else None, spec["kind"], spec["encoded"])

    def _bands(self):
        bands = self.spec.get("bands")
        return (*bands, self.rng.uniform(0, 6.28)) if bands else None

    def _screen(self, moved):
        """A screen's grid, which the plate's glass moves."""
        screen = self.spec.get("screen")
        return (*screen, moved) if screen else None

    def blanks(self, plate, pose, before):
        """Half of the blanks before the plates, half after; the panel drifts evenly from the first to the last."""
        spec = self.spec
        n = spec["blanks"] // 2 if not before else spec["blanks"] - spec["blanks"] // 2
        t = np.float32(1) if spec["surround"] == "bare" or not spec["mask_in_blank"] else capture.mask_alone(self.camera, pose, plate, spec["gap"])
        t = np.broadcast_to(t, (self.camera.height, self.camera.width))
        for _ in range(n):
            self.blank_count += 1
            light = self._drift()
            planes = capture.frame(self.camera, t, spec["blank_level"], self.rng, colour=spec["colour"], drift=light, bands=self._bands(),
                                   screen=self._screen(0.0))
            self._write(f"blank-{self.blank_count}.{SUFFIX[spec['kind']]}", planes, spec["blank_time"])
        if before:
            for k in range(spec["darks"]):
                planes = capture.frame(self.camera, None, 1.0, self.rng, colour=spec["colour"])
                self._write(f"dark-{k + 1}.{SUFFIX[spec['kind']]}", planes, spec["plate_time"])

    def _drift(self):
        """The panel's light at this minute, 1 at the start."""
        total = self.spec["blanks"] + self.spec["darks"] + len(self.spec["ids"])
        return 1 - self.spec.get("drift", 0.0) * self.minute / max(1, total - 1)

    def copy(self, id, plate, poses):
        spec, names = self.spec, []
        for k, pose in enumerate(poses):
            t = capture.seen(self.camera, pose, plate, spec["surround"], spec["gap"])
            if spec.get("card"):
                t = self._card(t, id)
            stem = files.stem(id, k)
            level, seconds = spec["blank_level"] * spec["plate_time"] / spec["blank_time"], spec["plate_time"]
            if spec["tiles"] and spec["tiles"].get("darker", (None,))[0] == k:
                _, share, told = spec["tiles"]["darker"]
                level, seconds = level * share, seconds * share if told else seconds
            shots = []
            for n, times in enumerate(spec.get("ladder", (1,))):
                moved = t if n == 0 else self._moved(t, *spec["moved"])
                planes = capture.frame(self.camera, moved, level * times, self.rng, colour=spec["colour"], tint=plate.tint, stain=plate.stain, drift=self._drift(), bands=self._bands(),
                                       screen=self._screen(1.5))
                name = f"{stem}{n or ''}.{SUFFIX[spec['kind']]}"
                self._write(name, planes, seconds * times, spec.get("plate_fnumber", 2.8))
                shots.append(f"captures/{name}")
            names.append(shots)
        self.captures[id] = names

    def _moved(self, t, degrees, dx, dy):
        """The scene as a camera sees it that was knocked by so much."""
        w, h = self.camera.width, self.camera.height
        by = cv2.getRotationMatrix2D(((w - 1) / 2, (h - 1) / 2), -degrees, 1)
        by[:, 2] += dx, dy
        return cv2.warpAffine(t, by, (w, h), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REPLICATE)

    def _card(self, t, id):
        """A black card on the panel beside the plate."""
        w, h = self.camera.width, self.camera.height
        x, y, cw, ch = int(0.015 * w), int(0.02 * h), int(0.05 * w), int(0.05 * h)
        t = t.copy()
        t[y : y + ch, x : x + cw] = 1e-5
        pad = 8
        self.opaque = self.opaque or f'opaque = {{ capture = "captures/{id.lower().replace("-", "")}-a.{SUFFIX[self.spec["kind"]]}", rect_px = [{x + pad}, {y + pad}, {cw - 2 * pad}, {ch - 2 * pad}] }}\n'
        return t

    def notes(self, bracket):
        spec, suffix = self.spec, SUFFIX[self.spec["kind"]]
        text = '[session]\ntitle = "Lime kiln at the ebb"\ndate = 2026-03-14\nphotographer = "A. Nobody"\n\n[copy]\n'
        text += f'blank = ["captures/blank-*.{suffix}"]\n'
        if spec["darks"]:
            text += f'dark = ["captures/dark-*.{suffix}"]\n'
        text += f'profile = "{"srgb" if spec["encoded"] else "linear"}"\n'
        text += f'emulsion = "{"toward-camera" if spec["mirrored"] else "away-from-camera"}"\n' + (self.opaque or "")
        text += '\n[base]\nfrom = "rebate"\n\n[positive]\ntone = "paper"\n'
        text += f'ppi = {spec["ppi"]}\n' if "ppi" in spec else ""
        for id, names in self.captures.items():
            listed = names if "ladder" in spec else [n[0] for n in names]
            text += f'\n[[plate]]\nid = "{id}"\nsize = "{spec["size_text"]}"\ncaptures = {str(listed).replace(chr(39), chr(34))}\n'
            text += f'rotate = {spec["rotate"]}\n' if spec["rotate"] else ""
            if bracket:
                text += "\n[plate.exposure]\n" + bracket["notes"][id][0] + "\n[plate.development]\n" + bracket["notes"][id][1]
        if bracket:
            text += f'\n[[bracket]]\nplates = {str(spec["ids"]).replace(chr(39), chr(34))}\nmatch = "base"\n'
        return text


def main():
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("scenario", choices=sorted(scenarios.ALL))
    asked.add_argument("folder", type=pathlib.Path)
    asked.add_argument("--megapixels", type=float, default=8.0)
    args = asked.parse_args()
    truth = build(args.scenario, args.folder / "session", args.megapixels)
    for case in truth.cases:
        case.camera.fixed.clear()
    (args.folder / "truth.pickle").write_bytes(pickle.dumps(truth))
    print(args.folder / "session")


if __name__ == "__main__":
    main()
