"""Published plates read by others: the manifest by iiif-prezi3, the tiles by libjpeg against the positive, the whole by OpenSeadragon,
and the page beside them in Chromium.

    HYALINE=target/release/hyaline python published.py [--shots DIR]            exit status 1 when a check fails

Serves what `publish` wrote from this machine to itself. Sections are those of the IIIF Image API 3.0 ("Image"), its Compliance and
Implementation Notes, and of the Presentation API 3.0 ("Presentation"). Positions are held to a tenth of a pixel.
"""

import argparse
import functools
import http.server
import json
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from urllib.parse import urlsplit

import cv2
import iiif_prezi3
import numpy as np
import tifffile

import scenarios
import simulate

HERE = pathlib.Path(__file__).resolve().parent
PROGRAM = shutil.which(os.environ.get("HYALINE", "target/release/hyaline"))
MEGAPIXELS = 2.0
PPI = 831  # 1963 x 4155 pixels: more than the largest whole view, no multiple of a tile, and odd
TILE_QUALITY = 90  # what libjpeg loses at this strength is what a tile may lose

# Text that would be markup, or end a string, in a page that trusts it.
EVIL = '<img src="x" onerror="document.title = \'ran\'"><script>document.title = "ran"</script>'
NOTES = {
    "title": "</script><script>document.title = \"ran\"</script> & 'lime' \"kiln\"",
    "place": f"{EVIL}<b>shore</b>",
    "photographer": 'A. "N" Öbödy & <i>Söhne</i>',
    "rights": f"{EVIL}<b>CC BY 4.0</b>",
}
FIELD = """
[plate.exposure]
ei = 2.0
shutter = "3"
aperture = 22.0

[plate.development]
developer = "metol-hydroquinone"
dilution = "1+15"
temperature_c = 20.0
minutes = 7.5
"""
wrong = 0


def check(good, what, told=""):
    global wrong
    wrong += not good
    print(f"{'ok  ' if good else 'FAIL'} {what}", flush=True)
    if not good and told != "":
        print(f"     {told}")


def run(*arguments):
    return subprocess.run([*map(str, arguments)], capture_output=True, text=True)


def make(session):
    """Two plates, larger than a whole view may be; the first with its field record, and notes that mean harm."""
    plain = dict(size=(60.0, 127.0), size_text="60x127mm", rotate=90, turn=-2.0, scene="photograph", ppi=PPI)
    scenarios.ALL["published"] = {**plain, "ids": ["K-01", "K-02"], "bases": (0.14, 0.15)}
    simulate.build("published", session, MEGAPIXELS)
    notes = session / "session.toml"
    head, first, second = notes.read_text().split("\n[[plate]]\n")
    kept = [line for line in head.splitlines() if line.split(" ")[0] not in NOTES]
    told = [f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in NOTES.items()]
    head = "\n".join([kept[0], *told, *kept[1:]])
    first += f"notes = {json.dumps(EVIL)}\n{FIELD}"
    notes.write_text("\n[[plate]]\n".join([head + "\n", first, second]))


def refused(session, www, url):
    def publish(what, status, wanted, *arguments):
        done = run(PROGRAM, "publish", session, "--to", www / "kiln", *arguments)
        told = done.stdout + done.stderr
        good = done.returncode == status and wanted in told and "panicked" not in told
        check(good, f"refused: {what}", f"exit {done.returncode}: {told}")

    # RFC 3986: a host, no sign that an address cannot hold, and % only before two hexadecimal digits.
    ends = ("?a=b", "#a", "/a b", "/<a>", "/a\nb", "/%zz")
    for bad in ("kiln", "ftp://127.0.0.1/kiln", "http://", "http:///kiln", *(url + end for end in ends)):
        publish(f"the address {bad!r}", 2, "https://example.org/kiln", "--url", bad)
    publish("a session without results", 1, "digitize plate K-01 first", "--url", url)
    publish("a plate that is not in the notes", 1, "K-01, K-02", "--url", url, "--plate", "K-99")
    check(not www.exists() or not list(www.rglob("*.json")), "refused: and nothing was written")


def manifest_holds(text, url, out):
    """Presentation, sections 3 to 5, by strict models; what these do not know they drop, so that it shows in what they give back."""
    manifest = json.loads(text)
    read = iiif_prezi3.Manifest(**manifest)
    back = json.loads(read.model_dump_json(by_alias=True, exclude_none=True))
    check(back == manifest, "manifest: comes back from iiif-prezi3 as it was", back)
    # 4.6: the context once, and first.
    context = "http://iiif.io/api/presentation/3/context.json"
    check(next(iter(manifest)) == "@context" and manifest["@context"] == context and text.count("@context") == 1, "manifest: its context")
    ids = [resource["id"] for resource in resources(manifest)]
    check(all(urlsplit(id).scheme == "http" and id.startswith(f"{url}/") for id in ids), "manifest: ids are addresses below its own", ids)
    check(str(read.id) == f"{url}/manifest.json", "manifest: is where it says", read.id)
    services = {f"{url}/{canvas['label']['none'][0]}" for canvas in manifest["items"]}
    check(len(set(ids)) == len(ids) and services <= set(ids), "manifest: no id twice", ids)

    facts = told(read.metadata)
    check(read.label["none"] == [NOTES["title"]], "manifest: the title as in the notes", read.label)
    check(facts["Place"].strip() == NOTES["place"], "manifest: the place", facts)
    check(facts["Photographer"] == NOTES["photographer"], "manifest: the photographer", facts)
    (rights,) = read.requiredStatement.value["none"]
    check(rights.strip() == NOTES["rights"], "manifest: rights as in the notes", rights)
    canvases = {canvas.label["none"][0]: told(canvas.metadata) for canvas in read.items}
    check(list(canvases) == ["K-01", "K-02"], "manifest: a canvas for each plate", list(canvases))
    check(canvases["K-01"]["Notes"].strip() == EVIL, "manifest: a plate's notes as they are", canvases["K-01"])
    # 4.5: text that begins with < and ends with > is taken for HTML where it may be any.
    marked = [text for text in [rights, *facts.values(), *canvases["K-01"].values()] if text.startswith("<") and text.endswith(">")]
    check(not marked, "manifest: no text can be taken for HTML", marked)
    exposure, developed = canvases["K-01"]["Exposure"], canvases["K-01"]["Developed"]
    check(exposure == "3 s, f/22, metered at EI 2", "manifest: exposure", exposure)
    check(all(part in developed for part in ("metol-hydroquinone 1+15", "7.5 min", "20 °C")), "manifest: development", developed)
    check("Exposure" not in canvases["K-02"] and "Developed" not in canvases["K-02"], "manifest: nothing told of what is not noted")
    for canvas in read.items:
        id = canvas.label["none"][0]
        record = json.loads((out / id / f"{id}-record.json").read_text())
        size = list(tifffile.TiffFile(out / id / f"{id}-positive.tif").pages[0].shape[::-1])
        check([canvas.width, canvas.height] == size == record["pixels"], f"manifest: {id} has its size", size)
        base = float(canvases[id]["Base plus fog"])
        check(abs(base - record["base"]["stands_on"]) < 0.00051, f"manifest: {id} has its base", base)
    return {canvas.label["none"][0]: canvas.items[0].items[0].body for canvas in read.items}


def resources(node):
    """All that have an id and a type."""
    if isinstance(node, dict):
        if "id" in node and "type" in node:
            yield node
        node = list(node.values())
    for inner in node if isinstance(node, list) else []:
        yield from resources(inner)


def told(metadata):
    return {entry.label["en"][0]: entry.value["none"][0] for entry in metadata}


def light(code):
    """IEC 61966-2-1."""
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


LIGHT = light(np.arange(65536) / 65535).astype(np.float32)


def level(positive, scale):
    """Codes of 255 for the means of light over squares of `scale` pixels; over what is there where the border cuts them."""
    whole = LIGHT[positive]
    edges = [np.arange(0, side, scale) for side in whole.shape]
    sums = np.add.reduceat(np.add.reduceat(whole, edges[0], axis=0), edges[1], axis=1)
    counts = [np.minimum(scale, side - at) for side, at in zip(whole.shape, edges)]
    mean = sums / np.outer(*counts)
    return 255 * np.where(mean <= 0.0031308, 12.92 * mean, 1.055 * np.maximum(mean, 0.0031308) ** (1 / 2.4) - 0.055)


def moved(seen, wanted):
    """By how many pixels `seen` lies right of and below `wanted`, by least squares; None where the picture does not tell to 0.03, all
    errors of a JPEG's block of 64 pixels taken to go together."""
    if min(wanted.shape) < 8:
        return None
    gy, gx = np.gradient(wanted)
    inner = (slice(2, -2), slice(2, -2))
    a = np.stack([gx[inner].ravel(), gy[inner].ravel(), np.ones(gx[inner].size)], axis=1)
    b = (wanted - seen)[inner].ravel()
    normal = a.T @ a
    if np.linalg.cond(normal) > 1e9:
        return None
    shift = np.linalg.solve(normal, a.T @ b)
    spread = np.sqrt(64 * np.diag(np.linalg.inv(normal))[:2] * np.mean((b - a @ shift) ** 2))
    return shift[:2] if spread.max() < 0.03 else None


def picture(path):
    return cv2.imread(str(path), cv2.IMREAD_UNCHANGED) if path.is_file() else None


def lost(seen, wanted):
    """How much more a picture has lost than it may, as a sentence, or none: the mean error is to be at most 1.2 times what libjpeg loses at
    the same strength, and a tenth of a code more for the rounding of what is drawn."""
    _, packed = cv2.imencode(".jpg", np.round(wanted).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, TILE_QUALITY])
    allowed = np.abs(cv2.imdecode(packed, cv2.IMREAD_UNCHANGED) - wanted).mean()
    error = np.abs(seen - wanted).mean()
    return f"{error:.2f} codes off where libjpeg loses {allowed:.2f}" if error > 1.2 * allowed + 0.1 else None


def info_holds(folder, positive, url):
    """Image, section 5."""
    info = json.loads((folder / "info.json").read_text())
    id, (height, width) = folder.name, positive.shape
    fixed = {"@context": "http://iiif.io/api/image/3/context.json", "type": "ImageService3", "protocol": "http://iiif.io/api/image",
             "profile": "level0", "id": url, "width": width, "height": height}
    found = {key: info.get(key) for key in fixed}
    check(found == fixed and next(iter(info)) == "@context", f"{id}: required keys (Image 5.2)", found)
    known = {*fixed, "maxWidth", "maxHeight", "sizes", "tiles", "preferredFormats"}
    check(set(info) <= known, f"{id}: no key that needs more than level 0 (Image 5.7)", set(info) - known)
    check(info["preferredFormats"] == ["jpg"], f"{id}: the format that level 0 has (Image 5.5, Compliance 3.5)")
    within = info["maxWidth"] <= width and info["maxHeight"] <= height
    for size in [*info["sizes"], *info["tiles"]]:
        within &= size["width"] <= info["maxWidth"] and size["height"] <= info["maxHeight"]
        within &= size.get("type") in (None, "Size", "Tile")
    check(within, f"{id}: sizes and tiles are within the largest size (Image 5.2)", info)
    (tile,) = info["tiles"]
    factors = tile["scaleFactors"]
    whole = all(isinstance(factor, int) and factor > 0 for factor in factors)
    check(whole and len(set(factors)) == len(factors), f"{id}: scale factors (Image 5.4)", factors)
    return info


def pictures_hold(folder, positive, info):
    """Every picture that the info.json promises is there under its canonical path (Image 4.8), of its size, and shows the positive's pixels
    in their place. Gives the paths with their scale factors."""
    id, (height, width) = folder.name, positive.shape
    levels = {scale: level(positive, scale) for scale in info["tiles"][0]["scaleFactors"]}
    paths, faults, shifts = {}, [], {scale: [] for scale in levels}

    def holds(path, scale, x=0, y=0, ws=None, hs=None):
        wanted = levels[scale][y // scale :, x // scale :][:hs, :ws].copy()
        seen = picture(folder / path)
        paths[path] = scale
        if seen is None or seen.shape != wanted.shape:
            return faults.append(f"{path}: {'is not there' if seen is None else seen.shape}")
        # How pixels weigh in a square that the border cuts is not laid down, and what is there counts as wanted.
        for cut in (np.s_[(height - y) // scale :], np.s_[:, (width - x) // scale :]):
            wanted[cut] = seen[cut]
        if fault := lost(seen, wanted):
            faults.append(f"{path}: {fault}")
        shift = moved(seen.astype(float), wanted)
        if shift is not None:
            shifts[scale].append(np.abs(shift).max())

    sizes = {one.shape: scale for scale, one in levels.items()}
    (tile,) = info["tiles"]
    tw, th = tile["width"], tile.get("height", tile["width"])
    for scale in levels:  # Implementation Notes, section 3
        for x in range(0, width, tw * scale):
            for y in range(0, height, th * scale):
                w, h = min(tw * scale, width - x), min(th * scale, height - y)
                ws, hs = -(-w // scale), -(-h // scale)
                holds(f"{x},{y},{w},{h}/{ws},{hs}/0/default.jpg", scale, x, y, ws, hs)
                if (w, h) == (width, height):  # the region that is all of it is `full`
                    holds(f"full/{ws},{hs}/0/default.jpg", scale)
    tiles = len(paths)
    for size in info["sizes"]:  # Image 5.3
        holds(f"full/{size['width']},{size['height']}/0/default.jpg", sizes[size["height"], size["width"]])
    holds("full/max/0/default.jpg", sizes[info["maxHeight"], info["maxWidth"]])  # Compliance 3.2: required
    what = f"{tiles} tiles at 1/{', 1/'.join(map(str, levels))} and {len(paths) - tiles} whole views"
    check(not faults, f"{id}: {what} hold the positive", "\n     ".join(faults))
    worst = {scale: max(found, default=1) for scale, found in shifts.items()}
    what = ", ".join(f"{most:.3f} (of {len(shifts[scale])}) at 1/{scale}" for scale, most in worst.items())
    check(max(worst.values()) < 0.1, f"{id}: none is moved; pixels at most: {what}")
    extra = {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()} - set(paths) - {"info.json"}
    check(not extra, f"{id}: nothing else is there", extra)
    return paths


def viewer_holds(folder, positive, url, manifest, paths, shots):
    """OpenSeadragon shows the whole, the last corner and the middle; a screen's pixel shows what the positive has there."""
    id, (height, width) = folder.name, positive.shape
    seen = run("node", HERE.parent / "browser" / "viewer.mjs", f"{url}/info.json", manifest, shots, width, height)
    check(seen.returncode == 0, f"{id}: OpenSeadragon shows it, nothing fails, nothing in it is run", seen.stderr)
    if not seen.stdout:
        return
    views = json.loads(seen.stdout)
    asked = {address.removeprefix(f"{url}/") for view in views for address in view["asked"]} - {"info.json"}
    scales = sorted({paths.get(path, 0) for path in asked})
    what = f"{len(asked)} pictures, at 1/{', 1/'.join(map(str, scales))}"
    check(1 in scales and len(scales) > 1 and asked <= set(paths), f"{id}: it asked for {what}", asked - set(paths))
    views_hold(id, positive, views, f"{id}-", shots)


def page_holds(folder, positive, address, shots):
    """The page beside the plates shows the first of them, from a server and from a disk, and asks for nothing outside its folder."""
    height, width = positive.shape
    below = address.rsplit("/", 1)[0] + "/"
    seen = run("node", HERE.parent / "browser" / "published.mjs", address, shots, width, height)
    check(seen.returncode == 0, f"page: {below[:4]}: shown by keys, nothing fails, nothing in it is run", seen.stderr)
    if not seen.stdout:
        return
    views = json.loads(seen.stdout)
    asked = [a for view in views for a in view["asked"] if not a.startswith("data:")]
    check(all(a.startswith(below) for a in asked), "page: it asks for nothing outside its folder", asked)
    finest = [a for a in asked if f"/{folder.name}/" in a and "/full/" not in a]
    check(bool(finest), f"page: it shows the tiles that viewers get ({len(finest)} asked for)")
    # The whole is drawn from a coarser view than any tile, and is looked at alone.
    views_hold("page", positive, views[1:], "page-", shots)


def views_hold(id, positive, views, prefix, shots):
    for view in views:
        shown = cv2.imread(str(shots / f"{prefix}{view['name']}.png"), cv2.IMREAD_GRAYSCALE).astype(float)
        x, y, step = view["x"], view["y"], view["w"] / shown.shape[1]  # the screen's first pixel begins at x, y and is `step` wide
        # As a viewer draws it: the next finer sampling, and between its pixels in a line.
        scale = 2 ** int(np.log2(step) + 1e-6)
        near = level(positive, scale).astype(np.float32)
        offset = [(at + step / 2) / scale - 0.5 for at in (x, y)]
        matrix = np.float32([[step / scale, 0, offset[0]], [0, step / scale, offset[1]]])
        how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        wanted = cv2.warpAffine(near, matrix, shown.shape[::-1], flags=how, borderValue=-1)
        rows, columns = np.nonzero(wanted >= 0)
        part = (slice(rows.min() + 2, rows.max() - 1), slice(columns.min() + 2, columns.max() - 1))
        shown, wanted = shown[part], wanted[part].astype(float)
        fault, shift = lost(shown, wanted), moved(shown, wanted)
        off = f"{np.abs(shown - wanted).mean():.2f} codes off, moved by {'?' if shift is None else np.round(np.abs(shift).max(), 2)}"
        good = not fault and shift is not None and np.abs(shift).max() < 0.1
        check(good, f"{id}: {view['name']}, {step:.2f} pixels of the plate in one of the screen: {off}", fault)


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--shots", help="keep the viewer's screenshots here")
    args = asked.parse_args()
    if PROGRAM is None:
        raise SystemExit("published: no program; name it in HYALINE, or build it: cargo build --release")
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="published-") as made:
        session, out, www = (pathlib.Path(made) / name for name in ("session", "session/out", "www"))
        shots = pathlib.Path(args.shots or made)
        make(session)
        quiet = type("Quiet", (http.server.SimpleHTTPRequestHandler,), {"log_message": lambda *_: None})
        server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(quiet, directory=www))
        threading.Thread(target=server.serve_forever, daemon=True).start()
        url = f"http://127.0.0.1:{server.server_port}/kiln"
        refused(session, www, url)
        for command in (["digitize", session, "--quiet"], ["publish", session, "--url", f"{url}/", "--to", www / "kiln", "--quiet"]):
            done = run(PROGRAM, *command)
            check(done.returncode == 0 and not done.stderr, f"{command[0]}: done", done.stderr)
        bodies = manifest_holds((www / "kiln/manifest.json").read_text(), url, out)
        for id, body in bodies.items():
            folder, positive = www / "kiln" / id, tifffile.imread(out / id / f"{id}-positive.tif")
            info = info_holds(folder, positive, f"{url}/{id}")
            paths = pictures_hold(folder, positive, info)
            # Presentation 3.2: of a content resource, width and height are its own pixels.
            largest, size = picture(www / urlsplit(str(body.id)).path.removeprefix("/")), (body.height, body.width)
            check(largest.shape == size, f"{id}: its picture has the size that the manifest tells", f"{largest.shape}, not {size}")
            viewer_holds(folder, positive, f"{url}/{id}", f"{url}/manifest.json", paths, shots)
        first = next(iter(bodies))
        positive = tifffile.imread(out / first / f"{first}-positive.tif")
        for address in (f"{url}/report.html", (www / "kiln/report.html").as_uri()):
            page_holds(www / "kiln" / first, positive, address, shots)
        server.shutdown()
    print(f"published: {'sound' if not wrong else f'{wrong} checks failed'}, {time.monotonic() - began:.0f} s")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
