"""Captures that are wrong: of each kind the program reads, cut, spoilt, monstrous; and what is no picture, or one that nobody asked for."""

import io
import os
import pathlib
import struct
import zlib

import numpy as np
import tifffile
from PIL import Image

from harm.kind import Kind
from harm.session import copy_of

BASES = ("jpeg", "png8", "png16", "tiff8", "tiff16", "dng", "heic")
TIFFS = ("tiff8", "tiff16", "dng")


def rewritten(session, to, name):
    """The session with its 16-bit TIFFs as 8-bit files of another kind."""
    to = copy_of(session, to)
    suffix, options = {"tiff8": (".tif", dict(compression="tiff_lzw")), "png8": (".png", {})}[name]
    for path in sorted((to / "captures").iterdir()):
        eight = (tifffile.imread(path).astype(np.uint32) + 128) // 257
        path.unlink()
        Image.fromarray(eight.astype(np.uint8)).save(path.with_suffix(suffix), **options)
    notes = to / "session.toml"
    notes.write_text(notes.read_text().replace(".tif", suffix))
    return to


def kinds():
    for base in BASES:
        yield from _of(base)
    yield from _structures()
    yield from _no_frames()
    yield from _other_pictures()


def _plate(session):
    return next((session / "captures").glob("k01-a.*"))


def _bytes(make):
    """K-01's frame as other bytes."""

    def harm(session, rng):
        path = _plate(session)
        path.write_bytes(make(path.read_bytes(), rng))

    return harm


def _bad(label, make, base="jpeg", must_fail=True):
    return Kind("frames: " + label, _bytes(make), (1,) if must_fail else (0, 1), ("k01-a",), "K-02", base)


def _of(base):
    """What can go wrong with a file of any kind."""
    for cut in (1, 8, 40, 0.25, 0.5, 0.9):
        yield _bad(f"cut to {cut if cut >= 1 else f'{cut:.0%}'}", lambda b, r, c=cut: b[: c if c >= 1 else int(c * len(b))], base)
    yield _bad("cut at random", lambda b, r: b[: r.randrange(len(b))], base, must_fail=False)
    for first, last in ((0, 16), (16, 64), (64, 320)):
        yield _bad(f"zeros from {first} to {last}", lambda b, r, i=first, j=last: b[:i] + bytes(j - i) + b[j:], base, must_fail=first == 0)
    yield _bad("zeros in the middle", lambda b, r: b[: len(b) // 2] + bytes(256) + b[len(b) // 2 + 256 :], base, must_fail=False)
    for size in (0, 30_000, 0x7FFF_FFFF):
        # HEIC tells its size twice, and the pixels' own stream holds.
        yield _bad(f"declared {size} wide and high", lambda b, r, s=size: _declared(base, b, s), base, must_fail=base != "heic")
    for n in range(3):
        yield _bad(f"20 bytes of its header as chance has it, {n}", lambda b, r: _spoilt(b, r, 20, _header(base, b)), base, must_fail=False)
    yield _bad("20 bytes anywhere as chance has it", lambda b, r: _spoilt(b, r, 20, range(len(b))), base, must_fail=False)
    yield _bad("noise behind its end", lambda b, r: b + r.randbytes(5000), base, must_fail=False)

    def blanks(session, rng):
        for path in (session / "captures").glob("blank-*"):
            path.write_bytes(path.read_bytes()[: path.stat().st_size // 3])

    yield Kind("frames: blanks cut short", blanks, (1,), ("blank-",), "", base)


def _header(base, whole):
    """Where a file tells of itself: our TIFFs and DNGs at their end, the others at their beginning."""
    return range(len(whole) - 500, len(whole)) if base in ("tiff16", "dng") else range(600)


def _spoilt(whole, rng, count, places):
    whole = bytearray(whole)
    for _ in range(count):
        whole[rng.choice(places)] = rng.randrange(256)
    return bytes(whole)


def _declared(base, whole, size):
    """The file with another size in its header, nothing else changed."""
    if base == "jpeg":
        at = whole.index(b"\xff\xc0")
        return whole[: at + 5] + struct.pack(">HH", min(size, 65_535), min(size, 65_535)) + whole[at + 9 :]
    if base.startswith("png"):
        head = whole[12:16] + struct.pack(">II", size, size) + whole[24:29]
        return whole[:12] + head + struct.pack(">I", zlib.crc32(head)) + whole[33:]
    if base == "heic":
        parts = whole.split(b"ispe")
        return b"ispe".join([parts[0], *(p[:4] + struct.pack(">II", size, size) + p[12:] for p in parts[1:])])
    return tagged(tagged(whole, 256, size), 257, size)


def tagged(whole, tag, value):
    """A little-endian TIFF with one entry of its first directory as a LONG of another value; without the entry it stays as it is."""
    at = struct.unpack_from("<I", whole, 4)[0]
    out = bytearray(whole)
    for entry in range(at + 2, at + 2 + 12 * struct.unpack_from("<H", whole, at)[0], 12):
        if struct.unpack_from("<H", whole, entry)[0] == tag:
            struct.pack_into("<HII", out, entry + 2, 4, 1, value)
    return bytes(out)


def _structures():
    """TIFF 6.0 and DNG 1.4: directories and tags that contradict the file. Tags are by number."""
    for base in TIFFS:
        for tag, value in ((258, 0), (258, 64), (259, 65_000), (262, 9_999), (273, 0xFFFF_FFF0), (277, 0), (277, 65_535), (278, 0),
                           (279, 0xFFFF_FFFF), (34665, 8), (34665, 0xFFFF_FFF0)):
            yield _bad(f"tag {tag} = {value}", lambda b, r, t=tag, v=value: tagged(b, t, v), base, must_fail=False)
        yield _bad("a first directory beyond its end", lambda b, r: b[:4] + b"\xf0\xff\xff\xff" + b[8:], base)
        yield _bad("directories in a circle", _circle, base, must_fail=False)
    for tag, value in ((33421, 0), (33422, 0xFFFF_FFFF), (50714, 65_535), (50717, 0), (50829, 0xFFFF_FFFF), (50721, 0), (50728, 0)):
        yield _bad(f"tag {tag} = {value}", lambda b, r, t=tag, v=value: tagged(b, t, v), "dng", must_fail=False)


def _circle(whole, rng):
    """The first directory follows itself."""
    at = struct.unpack_from("<I", whole, 4)[0]
    end = at + 2 + 12 * struct.unpack_from("<H", whole, at)[0]
    return whole[:end] + struct.pack("<I", at) + whole[end + 4 :]


def _no_frames():
    for label, content in (("empty", b""), ("text", b"this is a letter, not a picture\n"), ("zeros", bytes(100_000)),
                           ("GIF", b"GIF89a" + bytes(99)), ("a film", b"\0\0\0\x18ftypisom" + bytes(99)),
                           ("only a JPEG's first bytes", b"\xff\xd8\xff"), ("only TIFF's first bytes", b"II*\0"),
                           ("raw of a maker, but no more than its first bytes", b"FUJIFILMCCD-RAW" + bytes(999)),
                           ("IIRO and zeros", b"IIRO" + bytes(9999))):
        yield _bad(label, lambda b, r, c=content: c)
    yield _bad("noise", lambda b, r: r.randbytes(50_000))
    yield _bad("noise that begins as a JPEG", lambda b, r: b"\xff\xd8\xff\xe0" + r.randbytes(50_000))
    yield Kind("frames: 1.2 GB of hole behind its beginning", _hole, (1,), ("k01-a",), "K-02")
    for label, make in (("a folder", pathlib.Path.mkdir), ("a link to nothing", lambda p: p.symlink_to("nothing.jpg")),
                        ("a link to itself", lambda p: p.symlink_to(p.name)),
                        ("a link out of the session", lambda p: p.symlink_to("/etc/hostname")),
                        ("a pipe that nobody writes to", os.mkfifo), ("gone", lambda p: None)):

        def harm(session, rng, make=make):
            path = _plate(session)
            path.unlink()
            make(path)

        yield Kind(f"frames: {label}", harm, (1,), ("k01-a",))


def _hole(session, rng):
    path = _plate(session)
    os.truncate(path, 5000)
    os.truncate(path, 1_200_000_000)


def _saved(make):
    """K-01's frame saved otherwise: `make` takes it as an 8-bit gray picture, and a file to write into."""

    def changed(whole, rng):
        out = io.BytesIO()
        make(Image.open(io.BytesIO(whole)).convert("L"), out)
        return out.getvalue()

    return changed


def _other_pictures():
    """Sound files of a kind, a depth or a size that the session does not lead one to expect."""
    pillow = {"a CMYK JPEG": ("CMYK", "JPEG", {}), "a progressive JPEG": ("L", "JPEG", dict(progressive=True)),
              "a PNG with a palette": ("P", "PNG", {}), "a PNG of one bit": ("1", "PNG", {}), "a PNG with alpha": ("LA", "PNG", {}),
              "a TIFF of one bit": ("1", "TIFF", dict(compression="group4")), "a TIFF with a palette": ("P", "TIFF", {}),
              "a CMYK TIFF": ("CMYK", "TIFF", {}), "a JPEG in a TIFF": ("L", "TIFF", dict(compression="jpeg")),
              "a WebP": ("RGB", "WEBP", {}), "a BMP": ("L", "BMP", {})}
    for label, (mode, kind, options) in pillow.items():
        yield _bad(label, _saved(lambda p, out, m=mode, k=kind, o=options: p.convert(m).save(out, k, **o)), must_fail=False)
    for label, change in (("half the size", lambda p: p.resize((p.width // 2, p.height // 2))),
                          ("one pixel", lambda p: p.crop((0, 0, 1, 1))), ("one row", lambda p: p.crop((0, 0, p.width, 1))),
                          ("turned on its side", lambda p: p.transpose(Image.ROTATE_90)),
                          ("15000 pixels a side, all black", lambda p: Image.new("L", (15_000, 15_000)))):
        yield _bad(label, _saved(lambda p, out, c=change: c(p).save(out, "PNG")))
    yield _bad("even gray", _saved(lambda p, out: Image.new("L", p.size, 128).save(out, "PNG")))
    for label, change, options in (("32-bit whole numbers", lambda a: a.astype(np.uint32) << 24, {}),
                                   ("floats", lambda a: a.astype(np.float32) / 255, {}),
                                   ("floats that are no numbers", lambda a: np.full(a.shape, np.nan, np.float32), {}),
                                   ("big", lambda a: a, dict(bigtiff=True)),
                                   ("two channels, apart", lambda a: np.stack([a, a]),
                                    dict(photometric="minisblack", planarconfig="separate")),
                                   ("in tiles", lambda a: a, dict(tile=(16, 16))),
                                   ("in several pages", lambda a: np.stack([a, a, a]), dict(photometric="minisblack")),
                                   ("the other byte order", lambda a: a.astype(np.uint16) * 257, dict(byteorder=">"))):
        yield _bad(f"a TIFF: {label}", _saved(lambda p, out, c=change, o=options: _tiff(c(np.array(p)), out, **o)), must_fail=False)


def _tiff(values, out, bigtiff=False, byteorder="<", **options):
    with tifffile.TiffWriter(out, bigtiff=bigtiff, byteorder=byteorder) as file:
        file.write(values, **options)
