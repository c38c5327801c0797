"""Reading photos: every format, depth and orientation, what their files state, and what is refused."""

from __future__ import annotations

import hashlib
import os
import struct
import subprocess
import sys
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image, ImageOps
from skimage.color import rgb2xyz
from skimage.color.colorconv import xyz_from_rgb

from wearscope.errors import PhotoRefused
from wearscope.files import read_file
from wearscope.imaging import photo as photo_files
from wearscope.imaging.photo import read_photo, srgb_to_linear

HEIGHT, WIDTH = 72, 110


@pytest.fixture
def rgb() -> np.ndarray:
    """Smooth colours that tell every corner, and every channel, from every other."""
    rows, columns = np.mgrid[0:HEIGHT, 0:WIDTH]
    return np.stack([2 * columns + 10, 3 * rows + 20, columns + rows], axis=-1).astype(np.uint8)


@pytest.fixture
def rgb16(rgb) -> np.ndarray:
    return rgb.astype(np.uint16) * 257 - 100


def save(folder: Path, name: str, pixels: np.ndarray, *options: int) -> Path:
    """Save with OpenCV, which wants BGR."""
    path = folder / name
    stored = pixels if pixels.ndim == 2 else pixels[..., [2, 1, 0, 3][: pixels.shape[2]]]
    assert cv2.imwrite(str(path), np.ascontiguousarray(stored), options)
    return path


def save_tiff(folder: Path, pixels: np.ndarray, name: str = "a.tif", **options: object) -> Path:
    path = folder / name
    tifffile.imwrite(path, pixels, **options)
    return path


def encoded(suffix: str, pixels: np.ndarray) -> bytes:
    return cv2.imencode(suffix, pixels[..., ::-1])[1].tobytes()


def png_chunk(kind: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def exif_block(orientation: int, order: str = "<") -> bytes:
    """TIFF header and a directory of two entries, the second of them the orientation."""
    return (
        (b"II*\0" if order == "<" else b"MM\0*")
        + struct.pack(order + "IH", 8, 2)
        + struct.pack(order + "HHIHH", 0x0100, 3, 1, 640, 0)
        + struct.pack(order + "HHIHH", 0x0112, 3, 1, orientation, 0)
        + bytes(4)
    )


def refusal(path: Path) -> str:
    with pytest.raises(PhotoRefused) as refused:
        read_photo(path)
    line = str(refused.value)
    assert "\n" not in line
    assert line.startswith(f"{path}: ")
    assert refused.value.cure
    return line


# --- Pixels


@pytest.mark.parametrize("name", ["a.png", "a.bmp", "a.tiff", "a.webp", "a.JPG"])
def test_eight_bits_per_channel_come_back_as_they_were_saved(tmp_path, rgb, name):
    content = encoded(".png" if name == "a.JPG" else Path(name).suffix, rgb)
    if name == "a.webp":
        content = cv2.imencode(".webp", rgb[..., ::-1], [cv2.IMWRITE_WEBP_QUALITY, 101])[1].tobytes()
    path = tmp_path / name
    path.write_bytes(content)
    photo = read_photo(path)
    assert photo.pixels.dtype == np.uint8
    np.testing.assert_array_equal(photo.pixels, rgb)
    assert (photo.encoding, photo.grey, photo.full_scale, photo.notes) == ("srgb", False, 255, ())
    assert (photo.embedded_um_per_px, photo.embedded_source) == (None, "")
    assert photo.path == path
    assert photo.sha256 == hashlib.sha256(content).hexdigest()


def test_a_jpeg_comes_back_near_what_was_saved(tmp_path, rgb):
    photo = read_photo(save(tmp_path, "a.jpg", rgb, cv2.IMWRITE_JPEG_QUALITY, 98))
    assert np.abs(photo.pixels.astype(int) - rgb).max() <= 6
    progressive = read_photo(save(tmp_path, "p.jpg", rgb, cv2.IMWRITE_JPEG_PROGRESSIVE, 1))
    assert np.abs(progressive.pixels.astype(int) - rgb).max() <= 12
    restarts = read_photo(save(tmp_path, "r.jpg", rgb, cv2.IMWRITE_JPEG_RST_INTERVAL, 1))
    assert np.abs(restarts.pixels.astype(int) - rgb).max() <= 12


@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_sixteen_bits_per_channel_come_back_as_they_were_saved(tmp_path, rgb16, name):
    photo = read_photo(save(tmp_path, name, rgb16))
    assert photo.pixels.dtype == np.uint16
    np.testing.assert_array_equal(photo.pixels, rgb16)
    assert (photo.full_scale, photo.notes) == (65535, ())


@pytest.mark.parametrize(
    ("name", "depth"),
    [(name, np.uint8) for name in ("a.png", "a.tif", "a.bmp", "a.jpg")]
    + [(name, np.uint16) for name in ("a.png", "a.tif")],
)
def test_one_channel_becomes_three_equal_ones(tmp_path, rgb16, name, depth):
    grey = (rgb16[..., 0] >> (0 if depth is np.uint16 else 8)).astype(depth)
    photo = read_photo(save(tmp_path, name, grey, cv2.IMWRITE_JPEG_QUALITY, 100))
    assert photo.grey
    assert photo.pixels.shape == (HEIGHT, WIDTH, 3)
    np.testing.assert_allclose(photo.pixels, np.dstack([grey] * 3), atol=1 if name == "a.jpg" else 0)


def test_three_equal_channels_are_grey_and_one_odd_pixel_is_not(tmp_path, rgb):
    grey = np.dstack([rgb[..., 0]] * 3)
    assert read_photo(save(tmp_path, "a.png", grey)).grey
    grey[33, 7, 2] += 1
    assert not read_photo(save(tmp_path, "a.png", grey)).grey


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_alpha_is_left_out_and_colour_kept_even_where_it_is_clear(tmp_path, rgb16, name, depth):
    colour = (rgb16 >> (0 if depth is np.uint16 else 8)).astype(depth)
    alpha = np.zeros((HEIGHT, WIDTH, 1), depth)
    alpha[10:] = np.iinfo(depth).max
    photo = read_photo(save(tmp_path, name, np.dstack([colour, alpha])))
    np.testing.assert_array_equal(photo.pixels, colour)


def test_grey_with_alpha_is_grey(tmp_path, rgb):
    Image.fromarray(rgb).convert("LA").save(tmp_path / "a.png")
    photo = read_photo(tmp_path / "a.png")
    assert photo.grey
    np.testing.assert_array_equal(photo.pixels[..., 0], np.asarray(Image.fromarray(rgb).convert("L")))


@pytest.mark.parametrize("name", ["a.png", "a.bmp", "a.tif"])
def test_a_palette_becomes_its_colours(tmp_path, rgb, name):
    reduced = Image.fromarray(rgb).quantize(40)
    reduced.save(tmp_path / name)
    np.testing.assert_array_equal(read_photo(tmp_path / name).pixels, np.asarray(reduced.convert("RGB")))


@pytest.mark.parametrize("name", ["a.png", "a.bmp"])
def test_black_and_white_of_one_bit_is_grey(tmp_path, rgb, name):
    image = Image.fromarray(rgb).convert("1")
    image.save(tmp_path / name)
    np.testing.assert_array_equal(
        read_photo(tmp_path / name).pixels[..., 1], np.asarray(image) * np.uint8(255)
    )


def test_a_cmyk_jpeg_is_read_as_rgb(tmp_path, rgb):
    Image.fromarray(rgb).convert("CMYK").save(tmp_path / "a.jpg", quality=98)
    assert np.abs(read_photo(tmp_path / "a.jpg").pixels.astype(int) - rgb).max() <= 12


# --- Upright


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["jpg", "png", "webp"])
def test_exif_orientation_is_applied(tmp_path, rgb, kind, orientation, order):
    """Against Pillow's exif_transpose."""
    exif = exif_block(orientation, order)
    path = tmp_path / f"a.{kind}"
    if kind == "jpg":
        plain = encoded(".jpg", rgb)
        body = b"Exif\0\0" + exif
        path.write_bytes(plain[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + plain[2:])
    elif kind == "png":
        plain = encoded(".png", rgb)
        path.write_bytes(plain[:33] + png_chunk(b"eXIf", exif) + plain[33:])
    else:
        Image.fromarray(rgb).save(path, lossless=True, exif=exif)
    expected = np.asarray(ImageOps.exif_transpose(Image.open(path)).convert("RGB"))
    photo = read_photo(path)
    assert photo.pixels.shape == expected.shape
    np.testing.assert_allclose(photo.pixels, expected, atol=2 if kind == "jpg" else 0)
    assert photo.pixels.flags.c_contiguous


@pytest.mark.parametrize("compression", [None, "zlib"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_tiff_orientation_is_applied(tmp_path, rgb16, orientation, compression):
    """TIFF 6.0, Orientation: which sides of the upright picture the stored 0th row and 0th column are."""
    path = save_tiff(
        tmp_path, rgb16, extratags=[(274, 3, 1, orientation, True)], compression=compression, metadata=None
    )
    sides = {
        1: ("top", "left"),
        2: ("top", "right"),
        3: ("bottom", "right"),
        4: ("bottom", "left"),
        5: ("left", "top"),
        6: ("right", "top"),
        7: ("right", "bottom"),
        8: ("left", "bottom"),
    }
    upright = read_photo(path).pixels
    edges = {"top": upright[0], "bottom": upright[-1], "left": upright[:, 0], "right": upright[:, -1]}
    row, column = sides[orientation]
    for stored, edge, other in ((rgb16[0], row, column), (rgb16[:, 0], column, row)):
        expected = stored if other in ("left", "top") else stored[::-1]
        np.testing.assert_array_equal(edges[edge], expected)


@pytest.mark.parametrize(
    "exif",
    [
        b"",
        b"II*\0",
        b"XX*\0\x08\0\0\0",
        exif_block(0),
        exif_block(9),
        exif_block(6)[:20],
        b"MM\0*\xff\xff\xff\xff",
    ],
)
def test_a_broken_exif_block_turns_nothing(tmp_path, rgb, exif):
    plain = encoded(".jpg", rgb)
    body = b"Exif\0\0" + exif
    path = tmp_path / "a.jpg"
    path.write_bytes(plain[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + plain[2:])
    assert read_photo(path).pixels.shape == (HEIGHT, WIDTH, 3)


def test_the_thumbnail_in_a_photo_is_not_mistaken_for_it(tmp_path, rgb):
    plain, thumbnail = encoded(".jpg", rgb), encoded(".jpg", rgb[:16, :16])
    body = b"Exif\0\0" + exif_block(1) + thumbnail
    path = tmp_path / "a.jpg"
    content = plain[:2] + b"\xff\xe1" + struct.pack(">H", len(body) + 2) + body + plain[2:]
    path.write_bytes(content)
    assert read_photo(path).pixels.shape == (HEIGHT, WIDTH, 3)
    path.write_bytes(content[:-2] + b"\0\0")  # the thumbnail's end of image is not the photo's
    assert "ends before its picture does" in refusal(path)


def test_what_follows_the_end_of_a_jpeg_does_not_matter(tmp_path, rgb):
    path = tmp_path / "a.jpg"
    path.write_bytes(encoded(".jpg", rgb) + b"\0" * 100 + b"maker's trailer")
    assert read_photo(path).pixels.shape == (HEIGHT, WIDTH, 3)


# --- TIFF in all its kinds


@pytest.mark.parametrize(
    "options",
    [
        {},
        {"compression": "zlib"},
        {"compression": "zlib", "predictor": True},
        {"tile": (32, 32)},
        {"rowsperstrip": 7},
        {"byteorder": ">"},
        {"bigtiff": True},
        {"photometric": "rgb", "planarconfig": "separate"},
        {"ome": True},
    ],
    ids=str,
)
@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_every_layout_of_tiff_gives_the_same_pixels(tmp_path, rgb16, options, depth):
    colour = (rgb16 >> (0 if depth is np.uint16 else 8)).astype(depth)
    stored = np.moveaxis(colour, 2, 0) if "planarconfig" in options else colour
    photo = read_photo(save_tiff(tmp_path, stored, **options))
    assert photo.pixels.dtype == depth
    np.testing.assert_array_equal(photo.pixels, colour)
    assert not photo.grey


@pytest.mark.parametrize("orientation", [1, 6])
@pytest.mark.parametrize("compression", ["tiff_lzw", "jpeg"])
def test_lzw_and_jpeg_in_tiff_are_read_without_the_package_of_codecs(tmp_path, rgb, compression, orientation):
    path = tmp_path / "a.tif"
    Image.fromarray(rgb).save(path, compression=compression, tiffinfo={274: orientation})
    script = (
        "import sys; sys.modules['imagecodecs'] = None\n"
        "from pathlib import Path; import numpy as np\n"
        "from wearscope.imaging.photo import read_photo\n"
        "np.save(sys.argv[2], read_photo(Path(sys.argv[1])).pixels)"
    )
    run = [sys.executable, "-c", script, str(path), str(tmp_path / "out.npy")]
    subprocess.run(
        run, check=True, capture_output=True, env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    )
    bare = np.load(tmp_path / "out.npy")
    expected = np.rot90(rgb, -1) if orientation == 6 else rgb
    np.testing.assert_allclose(bare.astype(int), expected, atol=16 if compression == "jpeg" else 0)
    pytest.importorskip("imagecodecs")
    np.testing.assert_allclose(
        bare.astype(int), read_photo(path).pixels, atol=2 if compression == "jpeg" else 0
    )


def test_other_compressions_are_refused_by_name_without_the_package_of_codecs(tmp_path, rgb):
    pytest.importorskip("imagecodecs")
    path = save_tiff(tmp_path, rgb, compression="jpeg2000")
    script = (
        "import sys; sys.modules['imagecodecs'] = None\n"
        "from pathlib import Path\n"
        "from wearscope.imaging.photo import read_photo\n"
        "from wearscope.errors import PhotoRefused\n"
        "try: read_photo(Path(sys.argv[1]))\n"
        "except PhotoRefused as refused: print(refused)"
    )
    run = [sys.executable, "-c", script, str(path)]
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    said = subprocess.run(run, check=True, capture_output=True, text=True, env=env).stdout
    assert "compressed by JPEG2000 cannot be read here; save it uncompressed" in said


def test_packbits_and_imagej_layouts_are_read(tmp_path, rgb):
    Image.fromarray(rgb).save(tmp_path / "a.tif", compression="packbits")
    for path in (tmp_path / "a.tif", save_tiff(tmp_path, rgb, "b.tif", imagej=True)):
        np.testing.assert_array_equal(read_photo(path).pixels, rgb)


def test_white_may_be_zero(tmp_path, rgb):
    grey = rgb[..., 0]
    np.testing.assert_array_equal(
        read_photo(save_tiff(tmp_path, 255 - grey, photometric="miniswhite")).pixels[..., 0], grey
    )


@pytest.mark.parametrize("axes", ["CZYX", "TCYX", "CYX"])
def test_separate_channels_of_an_ome_tiff_are_red_green_and_blue(tmp_path, rgb, axes):
    stack = np.moveaxis(rgb, 2, 0)
    if axes == "CZYX":
        stack = np.stack([stack, 255 - stack], axis=1)
    elif axes == "TCYX":
        stack = np.stack([stack, 255 - stack], axis=0)
    photo = read_photo(
        save_tiff(tmp_path, stack, "a.ome.tif", photometric="minisblack", metadata={"axes": axes})
    )
    np.testing.assert_array_equal(photo.pixels, rgb)
    assert any("red, green and blue" in note for note in photo.notes)
    assert any(
        f"2 pictures along its {axes[0] if axes[0] == 'T' else 'Z'} axis" in n for n in photo.notes
    ) == (len(axes) == 4)


def test_the_first_of_the_largest_pictures_is_taken(tmp_path, rgb):
    path = tmp_path / "a.tif"
    with tifffile.TiffWriter(path) as tif:
        tif.write(rgb[:64, :64], metadata=None)
        tif.write(rgb, metadata=None)
        tif.write(255 - rgb[:70, :70], metadata=None)
    photo = read_photo(path)
    np.testing.assert_array_equal(photo.pixels, rgb)
    assert photo.notes == ("the file holds 3 pictures; the first of the largest is taken",)
    photo = read_photo(save_tiff(tmp_path, np.stack([rgb, 255 - rgb])))
    np.testing.assert_array_equal(photo.pixels, rgb)
    assert len(photo.notes) == 1


@pytest.mark.parametrize("channels", [2, 4, 5])
def test_channels_that_are_no_colours_are_refused(tmp_path, rgb, channels):
    stack = np.stack([rgb[..., 0]] * channels)
    path = save_tiff(tmp_path, stack, "a.ome.tif", photometric="minisblack", metadata={"axes": "CYX"})
    assert f"has {channels} channels" in refusal(path)


@pytest.mark.parametrize("depth", [np.float16, np.float32, np.float64])
def test_floating_point_is_linear_light(tmp_path, rgb, depth):
    light = (rgb / 255).astype(depth)
    photo = read_photo(save_tiff(tmp_path, light, photometric="rgb"))
    assert photo.encoding == "linear"
    assert photo.pixels.dtype == np.uint16
    np.testing.assert_allclose(photo.linear(), light.astype(float), atol=0.51 / 65535)


@pytest.mark.parametrize("value", [1.2, 255.0, -0.1, np.nan, np.inf])
def test_floating_point_beyond_0_to_1_is_refused(tmp_path, rgb, value):
    light = rgb.astype(np.float32) / 255
    light[5, 5, 1] = value
    assert "floating-point values" in refusal(save_tiff(tmp_path, light, photometric="rgb"))


@pytest.mark.parametrize("depth", [np.int16, np.uint32, np.int8, bool])
def test_other_numbers_are_refused(tmp_path, rgb, depth):
    assert "bits per channel" in refusal(save_tiff(tmp_path, rgb[..., 0].astype(depth)))


@pytest.mark.parametrize("photometric", ["cielab", "separated", 6])
def test_other_colour_spaces_are_refused(tmp_path, rgb, photometric):
    stored = np.dstack([rgb, rgb[..., :1]]) if photometric == "separated" else rgb
    assert "rare way" in refusal(save_tiff(tmp_path, stored, photometric=photometric, metadata=None))


@pytest.mark.parametrize(("bits", "peak"), [(8, 255), (10, 1000), (12, 4095), (12, 1024)])
@pytest.mark.parametrize("name", ["a.png", "a.tif"])
def test_fewer_bits_in_sixteen_are_taken_as_what_they_are(tmp_path, rgb, bits, peak, name):
    codes = np.round(rgb / rgb.max() * peak).astype(np.uint16)
    photo = read_photo(save(tmp_path, name, codes))
    assert photo.full_scale == 2**bits - 1
    np.testing.assert_array_equal(photo.pixels, codes)
    np.testing.assert_allclose(photo.linear(), srgb_to_linear(codes / (2**bits - 1)), atol=1e-7)
    assert f"taken as {bits} bits" in photo.notes[0]


def test_significant_bits_that_the_file_states_are_believed(tmp_path, rgb):
    codes = rgb.astype(np.uint16)
    photo = read_photo(save_tiff(tmp_path, codes, "a.ome.tif", metadata={"SignificantBits": 14}))
    assert (photo.full_scale, photo.notes) == (16383, ())
    photo = read_photo(save_tiff(tmp_path, codes * 250, "a.ome.tif", metadata={"SignificantBits": 14}))
    assert photo.full_scale == 65535


# --- The scale that a file states


@pytest.mark.parametrize(
    ("size", "unit", "um"),
    [
        (3.4, "µm", 3.4),
        (3.4, "\u03bcm", 3.4),
        (3.4, None, 3.4),
        (0.0034, "mm", 3.4),
        (3400, "nm", 3.4),
        (3.4e-6, "m", 3.4),
        (3.4, "pixel", None),
        (3.4, "reference frame", None),
    ],
)
def test_an_ome_tiff_states_its_scale(tmp_path, rgb, size, unit, um):
    path = save_tiff(tmp_path, rgb, "a.ome.tif", metadata={"PhysicalSizeX": size, "PhysicalSizeY": 2 * size})
    xml = tifffile.tiffcomment(path)
    units = "" if unit is None else f'PhysicalSizeXUnit="{unit}" PhysicalSizeYUnit="{unit}" '
    tifffile.tiffcomment(path, xml.replace("PhysicalSizeX=", units + "PhysicalSizeX=").encode())
    photo = read_photo(path)
    np.testing.assert_array_equal(photo.pixels, rgb)
    if um is None:
        assert (photo.embedded_um_per_px, photo.embedded_source) == (None, "")
    else:
        assert photo.embedded_um_per_px == pytest.approx((um, 2 * um))
        assert photo.embedded_source == "OME-XML PhysicalSizeX"


@pytest.mark.parametrize(("x", "y"), [(3.4, None), (0, 0), (-1, -1), (float("inf"), 3)])
def test_half_a_scale_or_an_impossible_one_is_none(tmp_path, rgb, x, y):
    metadata = {"PhysicalSizeX": x} | ({} if y is None else {"PhysicalSizeY": y})
    assert read_photo(save_tiff(tmp_path, rgb, "a.ome.tif", metadata=metadata)).embedded_um_per_px is None


def test_the_scale_turns_with_the_picture(tmp_path, rgb):
    options = {"metadata": {"PhysicalSizeX": 3.0, "PhysicalSizeY": 4.0}, "extratags": [(274, 3, 1, 6, True)]}
    photo = read_photo(save_tiff(tmp_path, rgb, "a.ome.tif", **options))
    assert photo.pixels.shape == (WIDTH, HEIGHT, 3)
    assert photo.embedded_um_per_px == (4.0, 3.0)


@pytest.mark.parametrize(
    ("unit", "um"),
    [
        ("micron", 3.4),
        ("um", 3.4),
        ("\\u00B5m", 3.4),
        ("mm", 3400),
        ("nm", 0.0034),
        ("inch", None),
        ("cm", None),
    ],
)
def test_an_imagej_tiff_states_its_scale(tmp_path, rgb, unit, um):
    path = save_tiff(
        tmp_path, rgb[..., 0], imagej=True, resolution=(1 / 3.4, 1 / 6.8), metadata={"unit": unit}
    )
    photo = read_photo(path)
    if um is None:
        assert photo.embedded_um_per_px is None
    else:
        assert photo.embedded_um_per_px == pytest.approx((um, 2 * um), rel=1e-6)
        assert photo.embedded_source == "ImageJ unit and XResolution"


@pytest.mark.parametrize("dpi", [72, 96, 300, 7470])
def test_dots_per_inch_are_no_scale(tmp_path, rgb, dpi):
    assert (
        read_photo(save_tiff(tmp_path, rgb, resolution=(dpi, dpi), resolutionunit="inch")).embedded_um_per_px
        is None
    )
    for name in ("a.png", "a.jpg", "a.bmp"):
        Image.fromarray(rgb).save(tmp_path / name, dpi=(dpi, dpi))
        assert read_photo(tmp_path / name).embedded_um_per_px is None


# --- Light


def test_the_transfer_function_is_that_of_iec_61966_2_1():
    """IEC 61966-2-1: 0.04045 is 0.0031308 in linear light, and 128/255 is 0.21586 (from memory)."""
    values = np.array([0.0, 0.04045, 128 / 255, 1.0])
    np.testing.assert_allclose(srgb_to_linear(values), [0, 0.0031308, 0.21586, 1], rtol=2e-5, atol=1e-12)
    low, high = srgb_to_linear(np.array([0.04045, np.nextafter(0.04045, 1)]))
    assert high - low < 1e-7


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_linear_light_agrees_with_another_implementation(tmp_path, rgb16, depth):
    colour = (rgb16 >> (0 if depth is np.uint16 else 8)).astype(depth)
    light = read_photo(save(tmp_path, "a.png", colour)).linear()
    expected = rgb2xyz(colour / np.iinfo(depth).max) @ np.linalg.inv(xyz_from_rgb).T
    assert light.dtype == np.float32
    np.testing.assert_allclose(light, expected, atol=1e-6)


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_every_code_value_has_its_light(tmp_path, depth):
    codes = np.arange(np.iinfo(depth).max + 1).astype(depth).reshape(-1, 256)
    codes = np.tile(codes, (1 + 64 // len(codes), 1))
    light = read_photo(save(tmp_path, "a.png", codes)).linear()
    np.testing.assert_allclose(light[..., 2], srgb_to_linear(codes / np.iinfo(depth).max), atol=1e-7)
    assert light.max() == 1
    assert light.min() == 0


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
@pytest.mark.parametrize(
    ("rows", "columns"),
    [
        (slice(10, 30), slice(5, 50)),
        (slice(None), slice(7, 8)),
        (slice(None, None, 2), slice(None, None, 3)),
        (slice(None, None, -1), slice(None)),
        (slice(5, 5), slice(None)),
        (slice(-4, None), slice(-4, 400)),
    ],
)
def test_a_part_is_the_part_of_the_whole(tmp_path, rgb16, rows, columns, depth):
    photo = read_photo(save(tmp_path, "a.png", (rgb16 >> (0 if depth is np.uint16 else 8)).astype(depth)))
    part = photo.linear(rows, columns)
    np.testing.assert_array_equal(part, photo.linear()[rows, columns])
    part += 1  # what is handed out is the caller's own
    assert photo.linear().max() <= 1


def test_the_photo_itself_cannot_be_changed(tmp_path, rgb):
    photo = read_photo(save(tmp_path, "a.png", rgb))
    with pytest.raises(ValueError, match="read-only"):
        photo.pixels[0, 0, 0] = 1
    with pytest.raises(AttributeError):
        photo.grey = True


# --- Refusals


@pytest.mark.parametrize("share", [0.02, 0.1, 0.5, 0.9, 0.999])
@pytest.mark.parametrize("kind", ["jpg", "progressive", "png", "bmp", "webp", "tif", "zlib", "tiff", "ome"])
def test_a_file_cut_short_is_refused(tmp_path, kind, share):
    if kind == "ome":
        share = min(share, 0.9)  # behind the picture stands its description, which need not be whole
    noisy = np.random.default_rng(1).integers(0, 255, (HEIGHT, WIDTH, 3), np.uint8)
    path = tmp_path / "a.jpg"
    if kind in ("tif", "zlib", "ome"):
        tifffile.imwrite(path, noisy, compression="zlib" if kind == "zlib" else None, ome=kind == "ome")
    elif kind == "progressive":
        Image.fromarray(noisy).save(path, progressive=True)
    else:
        path.write_bytes(encoded("." + kind, noisy))
    content = path.read_bytes()
    path.write_bytes(content[: min(int(len(content) * share), len(content) - 1)])
    refusal(path)
    path.write_bytes(content)
    assert read_photo(path).pixels.shape == noisy.shape


def test_a_jpeg_with_a_blank_tail_is_refused(tmp_path, rgb):
    """What a copy broken off leaves behind on many drives: the right length, and zeros."""
    content = encoded(".jpg", np.random.default_rng(1).integers(0, 255, (200, 300, 3), np.uint8))
    path = tmp_path / "a.jpg"
    path.write_bytes(content[: len(content) // 2].ljust(len(content), b"\0"))
    assert refusal(path).endswith("the file ends before its picture does; copy it from the camera again")


def test_a_png_with_a_changed_byte_is_refused(tmp_path, rgb):
    content = bytearray(encoded(".png", rgb))
    content[len(content) // 2] ^= 1
    (tmp_path / "a.png").write_bytes(content)
    assert "damaged" in refusal(tmp_path / "a.png")


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "the file is empty"),
        (b"\0" * 5000, "the file is empty"),
        (b"Dear all, the photos follow.\n" * 9, "it looks like text"),
        ("Größe: 3 µm\n".encode() * 9, "it looks like text"),
        (bytes(range(256)), "is no picture in a known format"),
        (b"\0\0\0\x18ftypheic\0\0\0\0mif1heic", "HEIC picture"),
        (b"\0\0\0\x18ftypmif1\0\0\0\0mif1heic", "HEIC picture"),
        (b"\0\0\0\x1cftypavif\0\0\0\0", "is an AVIF picture"),
        (b"\0\0\0\x18ftypcrx \0\0\0\0", "is a camera's raw file"),
        (b"\0\0\0\x18ftypisom\0\0\0\0", "is a video"),
        (b"II*\0\x10\0\0\0CR\x02\0" + bytes(50), "is a camera's raw file"),
        (b"IIRO\x08\0\0\0" + bytes(50), "is a camera's raw file"),
        (b"%PDF-1.7\n", "is a PDF document"),
        (b"GIF89a" + bytes(50), "only 256 colours"),
        (b"PK\x03\x04" + bytes(50), "archive"),
        (b"\xff\xd8", "ends before"),
        (b"\x89PNG\r\n\x1a\n", "ends before"),
        (b"BM", "ends before"),
        (b"RIFF\0\0\0\0WEBP", "ends before"),
        (b"II*\0\x08\0\0\0", "damaged"),
    ],
)
def test_what_is_no_photo_is_refused_by_its_content(tmp_path, content, says):
    path = tmp_path / "a.jpg"
    path.write_bytes(content)
    line = refusal(path)
    assert says in line
    assert any(cure in line for cure in ("save it as JPEG or PNG", "from the camera again"))


@pytest.mark.parametrize("photometric", [32803, 34892])
def test_raw_files_in_a_tiff_are_refused(tmp_path, rgb, photometric):
    raw = rgb if photometric == 34892 else rgb[..., 0]
    path = save_tiff(tmp_path, raw, photometric=photometric, metadata=None)
    assert "raw file" in refusal(path)
    path = save_tiff(tmp_path, rgb, extratags=[(50706, 1, 4, b"\1\4\0\0", True)], metadata=None)
    assert "raw file" in refusal(path)
    with tifffile.TiffWriter(path) as tif:  # a small picture in front, the raw values behind it
        tif.write(rgb, subifds=1, metadata=None)
        tif.write(raw, photometric=photometric, metadata=None)
    assert "raw file" in refusal(path)


@pytest.mark.parametrize("shape", [(1, 1), (63, 200), (200, 63), (1, 5000)])
@pytest.mark.parametrize("name", ["a.png", "a.jpg", "a.tif", "a.bmp"])
def test_a_picture_too_small_is_refused(tmp_path, name, shape):
    path = save(tmp_path, name, np.full(shape, 90, np.uint8))
    assert f"{shape[1]} × {shape[0]} pixels" in refusal(path)


def test_the_least_picture_is_read(tmp_path):
    assert read_photo(save(tmp_path, "a.png", np.full((64, 64), 90, np.uint8))).pixels.shape == (64, 64, 3)


def test_a_picture_too_large_is_refused_before_it_is_unpacked(tmp_path, rgb):
    png = bytearray(encoded(".png", rgb))
    png = png[:8] + png_chunk(b"IHDR", struct.pack(">II5B", 20000, 20000, 8, 2, 0, 0, 0)) + png[33:]
    jpg = bytearray(encoded(".jpg", rgb))
    frame = jpg.index(b"\xff\xc0")
    jpg[frame + 5 : frame + 9] = struct.pack(">HH", 60000, 60000)
    bmp = bytearray(encoded(".bmp", rgb))
    bmp[18:26] = struct.pack("<ii", 30000, -30000)
    tif = bytearray(save_tiff(tmp_path, rgb, metadata=None).read_bytes())
    with tifffile.TiffFile(tmp_path / "a.tif") as opened:
        tags = [opened.pages.first.tags[number] for number in (256, 257)]
    for tag in tags:
        struct.pack_into("<H" if tag.dtype == 3 else "<I", tif, tag.valueoffset, 40000)
    for content in (png, jpg, bmp, tif):
        path = tmp_path / "a.png"
        path.write_bytes(bytes(content))
        assert "over 200 megapixels" in refusal(path)


def test_a_path_that_is_no_file_is_refused(tmp_path, monkeypatch):
    assert refusal(tmp_path) == f"{tmp_path}: is a folder; name the photo in it"
    assert "there is no such file" in refusal(tmp_path / "missing.jpg")

    def refuse(path: Path, most_bytes: int) -> bytes:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(photo_files, "read_file", refuse)
    assert "cannot be read (Permission denied)" in refusal(tmp_path / "a.jpg")


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may read everything")
def test_a_photo_that_may_not_be_read_is_refused(tmp_path, rgb):
    path = save(tmp_path, "a.png", rgb)
    path.chmod(0)
    assert "check its permissions" in refusal(path)


def test_a_photo_is_read_once_and_left_as_it_is(tmp_path, rgb, monkeypatch):
    paths = [save(tmp_path, name, rgb) for name in ("a.jpg", "a.png", "a.tif")]
    contents = {path: path.read_bytes() for path in paths}
    read = []
    monkeypatch.setattr(
        photo_files, "read_file", lambda path, most_bytes: read.append(path) or read_file(path, most_bytes)
    )
    for path in paths:
        changed = path.stat().st_mtime_ns
        photo = read_photo(path)
        assert path.stat().st_mtime_ns == changed
        assert read == [path]
        assert path.read_bytes() == contents[path]
        path.unlink()  # nothing is read later
        photo.linear()
        read.clear()


@pytest.mark.parametrize("kind", ["jpg", "png", "bmp", "webp", "tif", "ome"])
def test_damage_never_ends_in_anything_but_a_photo_or_a_refusal(tmp_path, rgb, kind):
    rng = np.random.default_rng(7)
    path = tmp_path / "a"
    if kind in ("tif", "ome"):
        tifffile.imwrite(path, rgb, ome=kind == "ome", compression="zlib" if kind == "tif" else None)
        good = path.read_bytes()
    else:
        good = encoded("." + kind, rgb)
    refused = 0
    for _ in range(150):
        bad = bytearray(good)
        reach = 600 if rng.random() < 0.7 else len(bad)  # headers are where it hurts
        for at in rng.integers(0, min(reach, len(bad)), rng.integers(1, 6)):
            bad[at] = rng.integers(0, 256)
        path.write_bytes(bad)
        try:
            assert read_photo(path).pixels.shape[2] == 3
        except PhotoRefused:
            refused += 1
    assert refused > 0
