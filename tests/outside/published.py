"""Published plates read by others: the manifest by iiif-prezi3, the tiles against the positive itself, the whole in a viewer.

    HYALINE=target/release/hyaline python published.py [--shots DIR]

Serves what `publish` wrote from this machine to itself. Sections are those of the IIIF Image API 3.0 and Presentation API 3.0.
Exit status 1 when anything is not as it should be.
"""

import argparse
import functools
import http.server
import json
import os
import pathlib
import subprocess
import tempfile
import threading

import cv2
import iiif_prezi3
import numpy as np
import tifffile

import simulate

HERE = pathlib.Path(__file__).resolve().parent
QUALITY = 90  # of the tiles; libjpeg's own at the same strength says how much a tile may lose


def run(program, *arguments, status=0):
    done = subprocess.run([program, *map(str, arguments)], capture_output=True, text=True)
    assert done.returncode == status, f"{arguments}: exit {done.returncode}, not {status}: {done.stderr}"
    return done


def manifest_holds(manifest, url, out, title):
    """Presentation API 3.0, read strictly by its models."""
    read = iiif_prezi3.Manifest(**manifest)
    assert json.loads(read.json(exclude_none=True))["id"] == manifest["id"] == f"{url}/manifest.json"
    assert manifest["label"] == {"none": [title]}, manifest["label"]
    assert manifest["items"], "no canvas"
    for canvas in read.items:
        id = canvas.label["none"][0]
        record = json.loads((out / id / f"{id}-record.json").read_text())
        assert [canvas.width, canvas.height] == record["pixels"]
        body = canvas.items[0].items[0].body
        assert body.service[0].type == "ImageService3" and str(body.service[0].id) == f"{url}/{id}"
        said = {entry.label["en"][0] for entry in canvas.metadata}
        assert {"Plate", "Sampling", "Base plus fog", "Tone"} <= said, said
    return [canvas.label["none"][0] for canvas in read.items]


def light(code):
    """IEC 61966-2-1."""
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def code(light):
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 0.0031308) ** (1 / 2.4) - 0.055)


def tiles_hold(folder, positive, url):
    """Image API 3.0, sections 5.3 to 5.5 and 6 (compliance level 0): every tile and size is a file of the right pixels."""
    info = json.loads((folder / "info.json").read_text())
    assert info["@context"] == "http://iiif.io/api/image/3/context.json" and info["protocol"] == "http://iiif.io/api/image"
    assert (info["type"], info["profile"], info["id"]) == ("ImageService3", "level0", url)
    height, width = positive.shape
    assert (info["width"], info["height"]) == (width, height)
    whole = light(positive / 65535.0)
    levels, count = {1: whole}, 0
    (tile,) = info["tiles"]
    for scale in tile["scaleFactors"]:
        if scale > 1:  # halved again and again, what an odd border has no partner for counted twice
            last = levels[scale // 2]
            last = np.pad(last, ((0, last.shape[0] % 2), (0, last.shape[1] % 2)), mode="edge")
            levels[scale] = (last[::2, ::2] + last[1::2, ::2] + last[::2, 1::2] + last[1::2, 1::2]) / 4
        side = tile["width"] * scale
        for y in range(0, height, side):
            for x in range(0, width, side):
                w, h = min(side, width - x), min(side, height - y)
                size = (-(-w // scale), -(-h // scale))
                file = folder / f"{x},{y},{w},{h}" / f"{size[0]},{size[1]}" / "0" / "default.jpg"
                seen = cv2.imread(str(file), cv2.IMREAD_UNCHANGED)
                assert seen is not None and seen.shape == size[::-1], f"{file}: {None if seen is None else seen.shape}"
                wanted = 255 * code(levels[scale][y // scale : y // scale + size[1], x // scale : x // scale + size[0]])
                _, packed = cv2.imencode(".jpg", np.round(wanted).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
                lost = np.abs(cv2.imdecode(packed, cv2.IMREAD_UNCHANGED) - wanted).mean()
                error = np.abs(seen - wanted).mean()
                assert error < 1.2 * lost + 0.3, f"{file}: {error:.2f} codes off where libjpeg loses {lost:.2f}"
                count += 1
    for size in info["sizes"]:
        seen = cv2.imread(str(folder / "full" / f"{size['width']},{size['height']}" / "0" / "default.jpg"), cv2.IMREAD_UNCHANGED)
        assert seen.shape == (size["height"], size["width"])
    largest = cv2.imread(str(folder / "full" / "max" / "0" / "default.jpg"), cv2.IMREAD_UNCHANGED)
    assert largest.shape == (info["maxHeight"], info["maxWidth"])
    return count


def main():
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--shots", help="keep the viewer's screenshots here")
    args = asked.parse_args()
    program = os.path.abspath(os.environ.get("HYALINE", "target/release/hyaline"))
    with tempfile.TemporaryDirectory(prefix="published-") as made:
        made = pathlib.Path(made)
        session, out, www = made / "session", made / "session" / "out", made / "www"
        simulate.build("plain", session, 2.0)
        notes = session / "session.toml"
        title = '<script>document.title = "run"</script> & "lime" kiln'
        lines = [f"title = '{title}'" if line.startswith("title") else line for line in notes.read_text().splitlines()]
        notes.write_text("\n".join(lines) + "\n")
        quiet = type("Quiet", (http.server.SimpleHTTPRequestHandler,), {"log_message": lambda *_: None})
        server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), functools.partial(quiet, directory=www))
        threading.Thread(target=server.serve_forever, daemon=True).start()
        url = f"http://127.0.0.1:{server.server_port}/kiln"

        run(program, "publish", session, "--url", url, "--to", www / "kiln", status=1)  # nothing was digitized
        run(program, "digitize", session, "--quiet")
        run(program, "publish", session, "--url", "kiln", "--to", www / "kiln", status=2)
        run(program, "publish", session, "--url", url, "--to", www / "kiln", "--plate", "K-99", status=1)
        run(program, "publish", session, "--url", url + "/", "--to", www / "kiln", "--quiet")

        plates = manifest_holds(json.loads((www / "kiln" / "manifest.json").read_text()), url, out, title)
        for id in plates:
            positive = tifffile.imread(out / id / f"{id}-positive.tif")
            count = tiles_hold(www / "kiln" / id, positive, f"{url}/{id}")
            shots = pathlib.Path(args.shots or made)
            seen = run("node", HERE.parent / "browser" / "viewer.mjs", f"{url}/{id}/info.json", shots, *positive.shape[::-1])
            place = json.loads(seen.stdout)
            shown = cv2.imread(str(shots / "viewer-close.png"), cv2.IMREAD_GRAYSCALE)
            x, y, w, h = (round(place[k]) for k in "xywh")
            wanted = 255 * code(light(positive[y : y + h, x : x + w] / 65535.0))
            side = min(w, h, *shown.shape) // 2  # the middle of the view, away from its controls
            middle = lambda a: a[a.shape[0] // 2 - side // 2 :, a.shape[1] // 2 - side // 2 :][:side, :side].astype(np.float32)
            a, b = middle(shown), middle(wanted)
            (dx, dy), _ = cv2.phaseCorrelate(a - a.mean(), b - b.mean())
            assert np.hypot(dx, dy) < 1.0, f"the viewer shows {id} moved by {dx:.2f}, {dy:.2f} pixels"  # it draws at parts of a pixel
            assert abs(a.mean() - b.mean()) < 0.5, f"{a.mean():.2f} for {b.mean():.2f}"
            print(f"{id}: {count} tiles hold the positive; a viewer shows it in place, off by {np.hypot(dx, dy):.2f} pixel")
        server.shutdown()


if __name__ == "__main__":
    main()
