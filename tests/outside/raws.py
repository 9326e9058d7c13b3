"""DNGs by other hands, and what LibRaw reads from each: `raws.py FOLDER` writes the files, and beside each of them `NAME.u16`, its samples as
LibRaw has them, and prints its path, columns, rows, the four black levels and white, a line each.
"""

import sys
from pathlib import Path

import imagecodecs
import numpy as np
import rawpy
from files import exif_tags, put
from pidng.core import RAW2DNG
from pidng.defs import CFAPattern, DNGVersion, PhotometricInterpretation
from pidng.dng import DNGTags, Tag

COLUMNS, ROWS = 352, 240
BLACK = [64, 66, 65, 67]


def scene(bits):
    """Slopes with noise over the whole range, so that every bit of every sample counts."""
    rng = np.random.default_rng(bits)
    y, x = np.mgrid[:ROWS, :COLUMNS]
    slopes = (x / COLUMNS + y / ROWS) / 2 * (2**bits - 1) + rng.normal(0, 2**bits / 20, (ROWS, COLUMNS))
    return np.clip(slopes, 0, 2**bits - 1).astype(np.uint16)


def plain(folder, name, bits, *, table=None):
    """By PiDNG."""
    tags = DNGTags()
    for tag, value in [(Tag.ImageWidth, COLUMNS), (Tag.ImageLength, ROWS), (Tag.TileWidth, COLUMNS), (Tag.TileLength, ROWS),
                       (Tag.Orientation, 1), (Tag.PhotometricInterpretation, PhotometricInterpretation.Color_Filter_Array),
                       (Tag.SamplesPerPixel, 1), (Tag.BitsPerSample, bits), (Tag.CFARepeatPatternDim, [2, 2]),
                       (Tag.CFAPattern, CFAPattern.RGGB), (Tag.BlackLevelRepeatDim, [2, 2]), (Tag.BlackLevel, BLACK),
                       (Tag.WhiteLevel, (table[-1] if table else 2**bits - 1)), (Tag.Make, "Nobody"), (Tag.Model, "Copy One"),
                       (Tag.DNGVersion, DNGVersion.V1_4), (Tag.DNGBackwardVersion, DNGVersion.V1_2)]:
        tags.set(tag, value)
    if table:
        tags.set(Tag.LinearizationTable, table)
    writer = RAW2DNG()
    writer.options(tags, path=str(folder))
    writer.convert(scene(bits), filename=name)
    return folder / f"{name}.dng"


def lossless(folder, name, bits):
    """By liblj92, as imagecodecs brings it, in a DNG of the outside judge's writer."""
    first = {254: (4, [0]), 256: (4, [COLUMNS]), 257: (4, [ROWS]), 258: (3, [bits]), 259: (3, [7]), 262: (3, [32803]), 277: (3, [1]),
             278: (4, [ROWS]), 33421: (3, [2, 2]), 33422: (1, [0, 1, 1, 2]), 50706: (1, [1, 4, 0, 0]), 50708: (2, "Copy One"),
             50713: (3, [2, 2]), 50714: (3, BLACK), 50717: (4, [2**bits - 1])}
    put(folder / f"{name}.dng", first, imagecodecs.ljpeg_encode(scene(bits), bitspersample=bits), exif_tags(1))
    return folder / f"{name}.dng"


def main(folder):
    folder = Path(folder)
    files = [plain(folder, f"plain-{bits}", bits) for bits in (8, 10, 12, 16)]  # its 14 bits are not packed right
    files += [lossless(folder, f"lossless-{bits}", bits) for bits in (10, 12, 14, 16)]
    curve = [int(round(4095 * (code / 255) ** 2)) for code in range(256)]
    files += [plain(folder, "table-8", 8, table=curve)]
    for file in files:
        raw = rawpy.imread(str(file))
        raw.raw_image.astype("<u2").tofile(folder / f"{file.stem}.u16")
        rows, columns = raw.raw_image.shape
        print(file, columns, rows, *raw.black_level_per_channel, raw.white_level)


if __name__ == "__main__":
    main(sys.argv[1])
