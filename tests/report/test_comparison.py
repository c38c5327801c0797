from __future__ import annotations

import itertools
import subprocess
import sys
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
from artists import drawn_by_artists
from PIL import Image
from seldom import but_seldom, seldom
from sheet_cases import CASES

from wearscope.light.strip import NEITHER, UNUSED, USED
from wearscope.quantities.reasons import codes_text, reason
from wearscope.report import style
from wearscope.report.reason_words import note_of, words_of
from wearscope.report.sheets.close_ups import choose_close_ups, representative_place
from wearscope.report.sheets.comparison import compose_sheet, draw_sheet
from wearscope.report.sheets.page import Sheet, write_png
from wearscope.report.sheets.shapes import Box, Line, Picture, Pointer, Text, text_extent


def shapes_of(sheet: Sheet, kind: type) -> list:
    return [shape for shape in sheet.shapes if isinstance(shape, kind)]


def texts_of(sheet: Sheet) -> list[Text]:
    return shapes_of(sheet, Text)


def words_on(sheet: Sheet) -> str:
    return " ".join(t.text for t in texts_of(sheet))


def pixels_of(sheet: Sheet) -> np.ndarray:
    return sheet.pixels()[..., :3].astype(float)


def apart(a, b) -> bool:
    return a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


def grey(rgb: np.ndarray) -> np.ndarray:
    return rgb @ np.array([0.299, 0.587, 0.114])


def draw(path, content) -> None:
    draw_sheet(
        path,
        trial_name=content.trial_name,
        bit=content.bit,
        flute=content.flute,
        parts=content.parts,
        view=content.view,
        records=content.records,
        now=content.now,
        new=content.new,
        new_records=content.new_records,
        remarks=content.remarks,
    )


# ---- every case: nothing cut off, overlapping or too small -----------------------------------------


def test_text_neither_overlaps_nor_leaves_the_page(sheet):
    texts = texts_of(sheet)
    for text in texts:
        left, top, right, bottom = text.frame
        assert left >= 20, text
        assert right <= sheet.width - 20, text
        assert top >= 10, text
        assert bottom <= sheet.height - 10, text
    for text, other in itertools.combinations(texts, 2):
        assert apart(text.frame, other.frame), f"{text} overlaps {other}"
    for text, picture in itertools.product(texts, shapes_of(sheet, Picture)):
        assert apart(text.frame, picture.frame), f"{text} lies on a picture"


def test_pointers_and_leaders_do_not_cross_text(sheet):
    marks = [pointer.frame for pointer in shapes_of(sheet, Pointer)]
    marks += [
        (line.x[0], line.y.min(), line.x[0], line.y.max())
        for line in shapes_of(sheet, Line)
        if line.width == 2 and len(set(line.x)) == 1
    ]
    for mark, text in itertools.product(marks, texts_of(sheet)):
        assert apart(mark, text.frame), f"a mark at {mark} lies on {text}"


def test_no_text_is_smaller_than_a_phone_can_show(sheet):
    assert min(t.size for t in texts_of(sheet)) >= 26


def test_sheet_is_1600_wide_and_between_4_to_3_and_a_phone_held_upright(sheet):
    assert sheet.width == 1600
    assert 3 / 4 <= sheet.height / 1600 <= 19.5 / 9


@pytest.mark.parametrize("folder", [".", "results/sheets"])
def test_file_is_a_png_of_that_size_and_names_the_trial(usual, tmp_path, folder):
    path = tmp_path / folder / "sheet.png"
    draw(path, usual)
    with Image.open(path) as image:
        assert image.format == "PNG"
        sheet = compose_sheet(usual)
        assert image.size == (sheet.width, sheet.height)
        assert image.mode == "RGB"
        assert image.info["dpi"] == pytest.approx((200, 200), abs=0.01)
        assert image.info["Title"] == "Birch drawer fronts: Bit Alder, flute 1, after 150 parts"


# ---- what it says ----------------------------------------------------------------------------------


def test_sheet_says_what_it_shows(usual):
    said = words_on(compose_sheet(usual))
    for expected in (
        "Bit Alder, flute 1, after 150 parts",
        "the edge has moved back 18.6 ± 1.2 µm",
        "USED",
        "UNUSED",
        "depth-of-cut transition",
        "When new",
        "same magnification, same tone",
        "coating gone",
        "± holds the truth 95 times in 100",
        "no loss seen",
    ):
        assert expected in said


def test_uncoated_bit_has_no_coating_words(usual):
    rows = tuple(r for r in usual.records if not r.quantity.startswith("coating"))
    uncoated = replace(usual, records=rows, now=replace(usual.now, substrate=None))
    assert "coating" not in words_on(compose_sheet(uncoated))


def test_missing_new_state_and_transition_are_said(usual):
    now = replace(usual.now, transition_um=None)
    said = words_on(compose_sheet(replace(usual, now=now, new=None)))
    assert "no new-state photo" in said
    assert "no depth-of-cut transition seen" in said


def test_refused_and_doubtful_rows_give_their_reasons(refused):
    said = words_on(compose_sheet(refused))
    assert "refused [1]" in said
    assert "take a profile view" in said
    assert "doubtful [" in said
    assert "turn the lamp down" in said
    assert "no depth-of-cut transition in the frame" in said
    assert refused.remarks[0][-20:].split()[-1] in said


def test_a_reason_of_several_rows_is_told_once(usual, make_record):
    flat, bent = reason("worn-flat"), reason("edge-bent", per_mm=0.034)

    def row(quantity, *reasons):
        return make_record(
            quantity, "used", 3.0, 1.0, status="doubtful", note=note_of(reasons), reasons=codes_text(reasons)
        )

    rows = row("edge_recession", bent), row("edge_radius", flat, bent), row("wear_land", flat)
    older = replace(row("edge_roughness", flat), note="worn flat, and more that its reasons do not tell")
    texts = [t.text for t in texts_of(compose_sheet(replace(usual, records=(*rows, older), new_records=())))]
    table = [text for text in texts[texts.index("Numbers") :] if "[" in text]
    assert [text for text in table if text.startswith("doubtful")] == [
        "doubtful [1]",
        "doubtful [2, 1]",
        "doubtful [2]",
        "doubtful [3]",
    ]
    assert sum(text.startswith("[") for text in table) == 3
    assert words_of(bent).split()[0] in next(text for text in table if text.startswith("[1]"))
    assert "[3] worn flat, and more that its reasons do not tell" in table


def test_a_refused_number_is_not_a_zero(usual, make_record):
    row = make_record(value=None, u=None, note="blurred; focus and photograph again")
    texts = [t.text for t in texts_of(compose_sheet(replace(usual, records=(row,), new_records=())))]
    table = texts[texts.index("Numbers") :]
    assert "refused [1]" in table
    assert not {"0", "0.0", "0.00"} & set(table)


@pytest.mark.parametrize("length_um", [1500.0, 4000.0, 14000.0])
def test_stretch_is_as_said(usual, make_view, length_um):
    sheet = compose_sheet(replace(usual, now=make_view(length_um=length_um), new=None))
    left, top, right, bottom = shapes_of(sheet, Picture)[-1].frame
    stretch = ((bottom - top) / 260) / ((right - left) / length_um)  # d from -60 to 200 µm is shown
    said = words_on(sheet)
    expected = "not stretched" if round(stretch) == 1 else f"stretched {round(stretch)}× across"
    assert expected in said
    assert stretch == pytest.approx(round(stretch), rel=0.02)


def test_below_detection_is_not_shown_as_a_number(usual, make_record):
    row = make_record(value=0.41, u=0.6, status="below_detection", low95=-0.77, high95=1.589)
    said = words_on(compose_sheet(replace(usual, records=(row,))))
    assert "no wear seen" in said
    assert "less than 1.6" in said
    assert "0.4" not in said.split("Numbers")[1]


def test_a_long_name_is_cut_but_flute_and_parts_never(long_names):
    said = words_on(compose_sheet(long_names))
    assert "flute 1, after 150 parts" in said


def test_dollar_signs_are_not_markup(usual):
    sheet = compose_sheet(replace(usual, trial_name="$x^2$ and $", bit="a_b$c$"))
    assert "$x^2$ and $" in words_on(sheet)
    sheet.pixels()


# ---- what it draws ---------------------------------------------------------------------------------


def test_close_up_is_taken_where_recession_is_typical(make_view):
    view = make_view()
    s = view.strip.s_um
    recession = np.select([s < -1450, s < -900, s < -300], [10.0, 30.0, 20.0], 0.0)
    typical = representative_place(replace(view, recession_um=recession), USED, 300.0)
    # The zone's mean is 20: only the third piece has it; half 10 and half 30 will not do.
    assert -751 <= typical <= -449


def test_close_up_avoids_chips(make_view):
    view = make_view(chips_um=((-1250.0, -1050.0),))
    place = representative_place(view, USED, 300.0)
    inside = np.abs(view.strip.s_um - place) <= 150
    assert (view.zone[inside] == USED).mean() > 0.95


def test_close_ups_are_used_beside_unused_at_one_magnification(usual):
    used, unused = choose_close_ups(usual)
    for close_up, zone in ((used, USED), (unused, UNUSED)):
        inside = (usual.now.strip.s_um > close_up.s_range_um[0]) & (
            usual.now.strip.s_um < close_up.s_range_um[1]
        )
        assert (usual.now.zone[inside] == zone).all()
        assert close_up.view is usual.now
    assert np.ptp(used.s_range_um) == pytest.approx(np.ptp(unused.s_range_um))
    assert used.d_range_um == unused.d_range_um


def test_without_an_unused_zone_the_same_place_when_new_stands_beside(usual):
    zone = np.where(usual.now.zone == USED, USED, NEITHER).astype(np.int8)
    used, before = choose_close_ups(replace(usual, now=replace(usual.now, zone=zone)))
    assert before.view is usual.new
    assert before.s_range_um == used.s_range_um


def test_scale_bar_is_as_long_as_it_says(usual):
    sheet = compose_sheet(usual)
    close_up = choose_close_ups(usual)[0]
    um_per_px = np.ptp(close_up.s_range_um) / 700
    bars = [line for line in shapes_of(sheet, Line) if line.width == 5 and line.x[0] == style.LEFT]
    label = next(t for t in texts_of(sheet) if t.text == "100 µm" and not t.upright)
    bar = next(b for b in bars if abs(b.y[0] - label.y) < 20)
    assert np.ptp(bar.x) * um_per_px == pytest.approx(100.0, abs=0.5)


def test_all_pictures_share_one_tone(usual):
    def flat(view, light):
        return replace(view, strip=replace(view.strip, light=np.full_like(view.strip.light, light)))

    lit = replace(usual, now=flat(usual.now, 0.8), new=flat(usual.new, 0.8 * 0.18))
    pictures = [p.rgb for p in shapes_of(compose_sheet(lit), Picture)]
    middles = [int(rgb[rgb.shape[0] // 2, 300, 0]) for rgb in pictures]
    # close-ups A and B, the strip when new, the strip now; 18 % grey is code 118 (sRGB, from memory)
    assert middles == pytest.approx([255, 255, 118, 255], abs=1)


@pytest.mark.parametrize("light", [0.0, seldom(0.02), seldom(0.2), 1.0])
def test_edge_line_stands_out_in_grey_on_any_ground(usual, light):
    strip = usual.now.strip
    ground = np.full_like(strip.light, light)
    ground[:, ::40] = 1.0  # keeps white where it is
    now = replace(usual.now, strip=replace(strip, light=ground), substrate=None)
    sheet = compose_sheet(replace(usual, now=now))
    pixels = grey(pixels_of(sheet))
    left, top, _, bottom = shapes_of(sheet, Picture)[-1].frame
    beside = pixels[top:bottom, left + 1000 : left + 1200]  # unused zone: the edge lies at d = 0
    row = round((0 + 60) / 260 * (bottom - top))
    near = beside[row - 7 : row + 8]
    assert near.min(axis=0).max() < 110  # the line is dark in every column
    assert near.max(axis=0).min() > 200  # and has something bright beside it


def test_lines_differ_from_their_halo_by_the_contrast_asked_of_graphics():
    # WCAG 2.2, success criterion 1.4.11: graphical objects need a contrast of 3:1
    def luminance(colour):
        rgb = np.array(mpl.colors.to_rgb(colour))
        linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
        return float(linear @ [0.2126, 0.7152, 0.0722])

    for colour, _ in (style.EDGE_NOW, style.EDGE_NEW, style.COATING_GONE, style.ZONE_MEAN):
        assert (luminance(style.HALO) + 0.05) / (luminance(colour) + 0.05) >= 3.0


def test_lines_are_told_apart_without_colour():
    dashes = [d for _, d in (style.EDGE_NOW, style.EDGE_NEW, style.COATING_GONE, style.ZONE_MEAN)]
    assert len(set(dashes)) == len(dashes)
    shades = [float(grey(np.array(mpl.colors.to_rgb(colour)))) for _, colour in style.ZONES.values()]
    assert abs(shades[0] - shades[1]) > 0.1


def test_close_ups_are_untouched(usual):
    sheet = compose_sheet(usual)
    pixels = pixels_of(sheet)
    for picture in shapes_of(sheet, Picture)[:2]:
        left, top, right, bottom = picture.frame
        np.testing.assert_array_equal(pixels[top:bottom, left:right], picture.rgb)


def test_what_the_photo_does_not_show_is_hatched_and_nothing_else(usual):
    strip = usual.now.strip
    light = strip.light.copy()
    light[np.ix_(strip.d_um > 120, strip.s_um > 1000)] = np.nan
    sheet = compose_sheet(replace(usual, now=replace(usual.now, strip=replace(strip, light=light))))
    picture = shapes_of(sheet, Picture)[-1]
    left, top, right, bottom = picture.frame
    shown = pixels_of(sheet)[top:bottom, left:right]
    unseen = shown[~picture.seen]
    assert (unseen == 0xEC).all(axis=1).mean() > 0.5  # the ground of the hatching
    assert unseen.min() >= 0xB0  # and nothing darker than its lines
    corner = picture.seen[-40:, -600:-200]  # where nothing is drawn on the picture
    assert 0 < corner.sum() < corner.size
    np.testing.assert_array_equal(shown[-40:, -600:-200][corner], picture.rgb[-40:, -600:-200][corner])


@pytest.mark.parametrize("case", but_seldom(1, ["chips", "gaps in the photo", "refused and doubtful rows"]))
def test_every_pixel_is_the_one_that_matplotlibs_own_artists_draw(case):
    sheet = compose_sheet(CASES[case]())
    difference = np.abs(sheet.pixels().astype(int) - drawn_by_artists(sheet))
    assert difference.mean() < 1e-3
    assert (difference.max(axis=2) > 8).mean() < 1e-5


@pytest.mark.parametrize("upright", [False, True], ids=["level", "upright"])
@pytest.mark.parametrize("align", ["left", "center", "right"])
@pytest.mark.parametrize(
    "text", ["Heron 2", "just bare", "0.5 ± 0.2 µm", "j", "Ωж", "–", "it runs off the page at its end"]
)
def test_every_text_is_drawn_as_matplotlibs_own_artists_draw_it(text, align, upright):
    place = 70.4, 200.6
    for size, bold in ((13.0, False), (22.5, True)):
        sheet = Sheet(
            140,
            380,
            (
                Box((30.0, 0.0, 90.0, 380.0), "#336699", None, 0.0, None, None),
                Text(*place, text, size, bold, "#c04020", align, upright),
            ),
        )
        (x, y), (left, _, _, bottom) = sheet.shapes[1].begins, sheet.shapes[1].frame
        assert abs(y - (bottom if upright else place[1])) <= 0.5
        assert abs(x - left) <= 0.5 or upright
        difference = np.abs(sheet.pixels().astype(int) - drawn_by_artists(sheet))
        # rotated outlines are hinted otherwise, in a pixel or two
        assert (difference.max(axis=2) > 8).sum() <= (3 if upright else 1)
        assert len(np.unique(sheet.pixels().reshape(-1, 4), axis=0)) > 2  # something is written


# ---- the file --------------------------------------------------------------------------------------


def test_writing_leaves_nothing_but_the_sheet(usual, tmp_path):
    path = tmp_path / "a.png"
    path.write_bytes(b"old")
    draw(path, usual)
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]
    with Image.open(path) as image:
        image.verify()


def test_failed_drawing_keeps_the_old_file(tmp_path):
    class Broken:
        def draw(self, canvas):
            raise RuntimeError("cannot draw")

    path = tmp_path / "a.png"
    path.write_bytes(b"old")
    with pytest.raises(RuntimeError, match="cannot draw"):
        write_png(Sheet(200, 100, (Broken(),)), path, title="t", software="s")
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]


def test_failed_writing_leaves_no_part_behind(usual, tmp_path):
    path = tmp_path / "a.png"
    path.mkdir()
    with pytest.raises(OSError):  # noqa: PT011  the kind of OSError differs between systems
        draw(path, usual)
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]


def test_settings_of_the_caller_do_not_reach_the_sheet(usual, tmp_path):
    draw(tmp_path / "a.png", usual)
    odd = {"font.size": 40, "savefig.bbox": "tight", "axes.grid": True, "lines.marker": "o", "figure.dpi": 33}
    with mpl.rc_context(odd):
        draw(tmp_path / "b.png", usual)
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


@pytest.mark.statistics
def test_no_global_plotting_state_is_touched():
    code = "import sys, wearscope.report.sheets.comparison; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.filterwarnings("error")  # of a sign that the font lacks, with that sign in the warning
def test_control_characters_are_written_out(tmp_path):
    for text, shown in (("a\x1b]8;;\x07b", "a\\x1b]8;;\\x07b"), ("Wren", "Wren")):
        assert text_extent(text, 20.0, False) == text_extent(shown, 20.0, False)
        write_png(Sheet(200, 100, (Text(10, 50, text, 20.0),)), tmp_path / "a.png", title="t", software="s")
