"""Camera files: JPEG, 16-bit TIFF and PNG, Bayer DNG, each with Exif, from numbers between 0 and 1.

The TIFF and DNG writer is our own (TIFF 6.0, DNG 1.4 tags), so that files come from another hand than the program's reader.
"""

import struct
from fractions import Fraction

import numpy as np
from PIL import Image

BLACK, WHITE = 512, 16383  # DNG: 14-bit numbers over a pedestal


def stem(id, k):
    """Bare name of the k-th capture of a plate: -a to -z, then -aa to -zz."""
    return f"{id.lower().replace('-', '')}-{chr(97 + k % 26) * (k // 26 + 1)}"


def srgb(linear):
    """IEC 61966-2-1."""
    v = np.clip(linear, 0, 1)
    return np.where(v <= 0.0031308, 12.92 * v, 1.055 * np.power(v, np.float32(1 / 2.4)) - 0.055)


def exif_tags(seconds, iso=100, fnumber=2.8, focal=6.0, when="2026:03:15 10:00:00", orientation=1, lens="a lens"):
    """(IFD0, Exif IFD) as {tag: (type, value)}: 2 text, 3 short, 5 rational."""
    t = Fraction(seconds).limit_denominator(100_000)
    first = {271: (2, "Nobody"), 272: (2, "Copy One"), 274: (3, orientation)}
    exif = {33434: (5, t), 33437: (5, Fraction(fnumber).limit_denominator(100)), 34855: (3, iso), 36867: (2, when), 36868: (2, when),
            37386: (5, Fraction(focal).limit_denominator(100)), 42036: (2, lens)}
    return first, exif


def write(path, planes, tags=None, kind="jpeg", encoded=True, rng=None):
    """`planes`: (1 or 3, rows, columns) of linear light. `kind`: jpeg, tiff16, png16, dng, heic. `encoded`: through sRGB."""
    if kind == "dng":
        return _dng(path, planes, tags)
    values = srgb(planes) if encoded else np.clip(planes, 0, 1)
    if kind in ("jpeg", "heic"):
        eight = np.round(values * 255).astype(np.uint8)
        picture = Image.fromarray(eight[0] if len(eight) == 1 else np.ascontiguousarray(eight.transpose(1, 2, 0)))
        extra = {"exif": _pillow(tags)} if tags else {}
        if kind == "heic":
            import pillow_heif

            pillow_heif.register_heif_opener()
            return picture.convert("RGB").save(path, quality=95, chroma=444, **extra)
        return picture.save(path, "JPEG", quality=95, subsampling=2, **extra)
    sixteen = np.round(values * 65535).astype(np.uint16)
    if kind == "png16":
        return Image.fromarray(sixteen[0]).save(path, **({"exif": _pillow(tags)} if tags else {}))
    _tiff(path, sixteen, tags)


def _pillow(tags):
    exif = Image.Exif()
    for tag, (_, value) in tags[0].items():
        exif[tag] = value
    inner = exif.get_ifd(0x8769)
    for tag, (kind, value) in tags[1].items():
        inner[tag] = (value.numerator, value.denominator) if kind == 5 else value
    for tag, (kind, value) in tags[1].items():
        if kind == 5:
            from PIL.TiffImagePlugin import IFDRational

            inner[tag] = IFDRational(value.numerator, value.denominator)
    return exif.tobytes()


def _tiff(path, planes, tags):
    n, h, w = planes.shape
    data = np.ascontiguousarray(planes.transpose(1, 2, 0)).astype("<u2").tobytes()
    first = {254: (4, [0]), 256: (4, [w]), 257: (4, [h]), 258: (3, [16] * n), 259: (3, [1]), 262: (3, [1 if n == 1 else 2]),
             277: (3, [n]), 278: (4, [h]), 284: (3, [1])}
    put(path, first, data, tags)


def _dng(path, planes, tags):
    """Red, green / green, blue. The channels are the sensor's own, not balanced."""
    _, h, w = planes.shape
    mosaic = np.empty((h, w), np.float32)
    for (r, c), channel in zip(((0, 0), (0, 1), (1, 0), (1, 1)), (0, 1, 1, 2)):
        mosaic[r::2, c::2] = planes[channel][r::2, c::2]
    counts = np.clip(np.round(BLACK + mosaic * (WHITE - BLACK)), 0, WHITE).astype("<u2")
    matrix = [Fraction(n, 10_000) for n in (6722, -635, -963, -4287, 12460, 2028, -908, 2162, 5668)]
    first = {254: (4, [0]), 256: (4, [w]), 257: (4, [h]), 258: (3, [16]), 259: (3, [1]), 262: (3, [32803]), 277: (3, [1]), 278: (4, [h]),
             284: (3, [1]), 33421: (3, [2, 2]), 33422: (1, [0, 1, 1, 2]), 50706: (1, [1, 4, 0, 0]), 50707: (1, [1, 1, 0, 0]),
             50708: (2, "Copy One"), 50711: (3, [1]), 50714: (3, [BLACK]), 50717: (4, [WHITE]), 50721: (10, matrix),
             50728: (5, [Fraction(1, 2), Fraction(1), Fraction(3, 5)]), 50778: (3, [21]), 50829: (4, [0, 0, h, w])}
    put(path, first, counts.tobytes(), tags or exif_tags(1))


def put(path, first, data, tags):
    """`first`: {tag: (type, values)} of the first directory. Little-endian TIFF: header, pixels, Exif IFD, first IFD."""
    entries = dict(first)
    blob = bytearray(b"II*\0\0\0\0\0" + data)
    if len(blob) % 2:
        blob += b"\0"
    entries[273], entries[279] = (4, [8]), (4, [len(data)])
    if tags:
        entries |= {tag: (kind, value if kind == 2 else [value]) for tag, (kind, value) in tags[0].items()}
        inner = {tag: (kind, value if kind == 2 else [value]) for tag, (kind, value) in tags[1].items()}
        entries[34665] = (4, [_ifd(blob, inner)])
    blob[4:8] = struct.pack("<I", _ifd(blob, entries))
    with open(path, "wb") as out:
        out.write(blob)


def _ifd(blob, entries):
    """Appends the values that do not fit and then the directory; gives its offset."""
    packed = []
    for tag in sorted(entries):
        kind, value = entries[tag]
        raw = _pack(kind, value)
        count = len(raw) if kind == 2 else len(value)
        if len(raw) > 4:
            offset = len(blob)
            blob += raw + b"\0" * (len(raw) % 2)
            raw = struct.pack("<I", offset)
        packed.append(struct.pack("<HHI", tag, kind, count) + raw.ljust(4, b"\0"))
    at = len(blob)
    blob += struct.pack("<H", len(packed)) + b"".join(packed) + b"\0\0\0\0"
    return at


def _pack(kind, value):
    if kind == 2:
        return value.encode() + b"\0"
    if kind in (5, 10):
        return b"".join(struct.pack("<II" if kind == 5 else "<ii", v.numerator, v.denominator) for v in value)
    return b"".join(struct.pack({1: "<B", 3: "<H", 4: "<I"}[kind], v) for v in value)
