from __future__ import annotations

import itertools
import subprocess
import sys
from dataclasses import replace

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon
from matplotlib.text import Text
from PIL import Image

from wearscope.light.strip import NEITHER, UNUSED, USED
from wearscope.report import style
from wearscope.report.sheets.close_ups import choose_close_ups, representative_place
from wearscope.report.sheets.comparison import compose_sheet, draw_sheet
from wearscope.report.sheets.page import Page, write_png


def texts_of(figure: Figure) -> list[Text]:
    return [t for t in figure.axes[0].get_children() if isinstance(t, Text) and t.get_text()]


def words_on(figure: Figure) -> str:
    return " ".join(t.get_text() for t in texts_of(figure))


def pixels_of(figure: Figure) -> np.ndarray:
    canvas = figure.canvas
    canvas.draw()
    return np.asarray(canvas.buffer_rgba())[..., :3].astype(float)


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
    _, figure = sheet
    renderer = figure.canvas.get_renderer()
    width, height = figure.bbox.width, figure.bbox.height
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts_of(figure)]
    for text, box in boxes:
        assert box.x0 >= 20, text
        assert box.x1 <= width - 20, text
        assert box.y0 >= 10, text
        assert box.y1 <= height - 10, text
    for (text, a), (other, b) in itertools.combinations(boxes, 2):
        apart = a.x1 <= b.x0 or b.x1 <= a.x0 or a.y1 <= b.y0 or b.y1 <= a.y0
        assert apart, f"{text!r} overlaps {other!r}"
    for image in (i for i in figure.axes[0].get_children() if isinstance(i, AxesImage)):
        picture = image.get_window_extent(renderer)
        for text, box in boxes:
            hidden = (
                box.x0 < picture.x1 and picture.x0 < box.x1 and box.y0 < picture.y1 and picture.y0 < box.y1
            )
            assert not hidden, f"{text!r} lies on a picture"


def test_pointers_and_leaders_do_not_cross_text(sheet):
    _, figure = sheet
    renderer = figure.canvas.get_renderer()
    boxes = [(t.get_text(), t.get_window_extent(renderer)) for t in texts_of(figure)]
    marks = [c for c in figure.axes[0].get_children() if isinstance(c, Polygon)]
    marks += [
        c
        for c in figure.axes[0].get_children()
        if isinstance(c, Line2D) and c.get_linewidth() == 2 and len(set(c.get_xdata())) == 1
    ]
    for mark in marks:
        extent = mark.get_window_extent(renderer)
        for text, box in boxes:
            apart = extent.x1 <= box.x0 or box.x1 <= extent.x0 or extent.y1 <= box.y0 or box.y1 <= extent.y0
            assert apart, f"a mark at {extent.x0:.0f}, {extent.y0:.0f} lies on {text!r}"


def test_no_text_is_smaller_than_a_phone_can_show(sheet):
    assert min(t.get_fontsize() for t in texts_of(sheet[1])) >= 26


def test_sheet_is_1600_wide_and_between_4_to_3_and_a_phone_held_upright(sheet):
    _, figure = sheet
    assert figure.bbox.width == 1600
    assert 3 / 4 <= figure.bbox.height / 1600 <= 19.5 / 9


@pytest.mark.parametrize("folder", [".", "results/sheets"])
def test_file_is_a_png_of_that_size_and_names_the_trial(usual, tmp_path, folder):
    path = tmp_path / folder / "sheet.png"
    draw(path, usual)
    with Image.open(path) as image:
        assert image.format == "PNG"
        assert image.size == tuple(compose_sheet(usual).bbox.size)
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
        "95 % interval",
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


def test_a_refused_number_is_not_a_zero(usual, make_record):
    row = make_record(value=None, u=None, note="blurred; focus and photograph again")
    texts = [t.get_text() for t in texts_of(compose_sheet(replace(usual, records=(row,), new_records=())))]
    table = texts[texts.index("Numbers") :]
    assert "refused [1]" in table
    assert not {"0", "0.0", "0.00"} & set(table)


@pytest.mark.parametrize("length_um", [1500.0, 4000.0, 14000.0])
def test_stretch_is_as_said(usual, make_view, length_um):
    figure = compose_sheet(replace(usual, now=make_view(length_um=length_um), new=None))
    strip = [i for i in figure.axes[0].get_children() if isinstance(i, AxesImage)][-1]
    left, right, bottom, top = strip.get_extent()
    stretch = ((bottom - top) / 260) / ((right - left) / length_um)  # d from -60 to 200 µm is shown
    said = words_on(figure)
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
    figure = compose_sheet(replace(usual, trial_name="$x^2$ and $", bit="a_b$c$"))
    assert "$x^2$ and $" in words_on(figure)
    figure.canvas.draw()


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
    figure = compose_sheet(usual)
    close_up = choose_close_ups(usual)[0]
    um_per_px = np.ptp(close_up.s_range_um) / 700
    bars = [
        line
        for line in figure.axes[0].get_children()
        if isinstance(line, Line2D) and line.get_linewidth() == 5 and line.get_xdata()[0] == style.LEFT
    ]
    label = next(t for t in texts_of(figure) if t.get_text() == "100 µm" and t.get_rotation() == 0)
    bar = next(b for b in bars if abs(b.get_ydata()[0] - label.get_position()[1]) < 20)
    assert np.ptp(bar.get_xdata()) * um_per_px == pytest.approx(100.0, abs=0.5)


def test_all_pictures_share_one_tone(usual):
    def flat(view, light):
        return replace(view, strip=replace(view.strip, light=np.full_like(view.strip.light, light)))

    lit = replace(usual, now=flat(usual.now, 0.8), new=flat(usual.new, 0.8 * 0.18))
    figure = compose_sheet(lit)
    images = [i for i in figure.axes[0].get_children() if isinstance(i, AxesImage)]
    middles = [int(i.get_array()[i.get_array().shape[0] // 2, 300, 0]) for i in images]
    # close-ups A and B, the strip when new, the strip now; 18 % grey is code 118 (sRGB, from memory)
    assert middles == pytest.approx([255, 255, 118, 255], abs=1)


@pytest.mark.parametrize("light", [0.0, 0.02, 0.2, 1.0])
def test_edge_line_stands_out_in_grey_on_any_ground(usual, light):
    strip = usual.now.strip
    ground = np.full_like(strip.light, light)
    ground[:, ::40] = 1.0  # keeps white where it is
    now = replace(usual.now, strip=replace(strip, light=ground), substrate=None)
    figure = compose_sheet(replace(usual, now=now))
    pixels = grey(pixels_of(figure))
    image = [i for i in figure.axes[0].get_children() if isinstance(i, AxesImage)][-1]
    left, _, bottom, top = (round(v) for v in image.get_extent())
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
    figure = compose_sheet(usual)
    pixels = pixels_of(figure)
    for image in [i for i in figure.axes[0].get_children() if isinstance(i, AxesImage)][:2]:
        left, right, bottom, top = (round(v) for v in image.get_extent())
        np.testing.assert_array_equal(pixels[top:bottom, left:right], image.get_array()[..., :3])


# ---- the file --------------------------------------------------------------------------------------


def test_writing_leaves_nothing_but_the_sheet(usual, tmp_path):
    path = tmp_path / "a.png"
    path.write_bytes(b"old")
    draw(path, usual)
    assert [p.name for p in tmp_path.iterdir()] == ["a.png"]
    with Image.open(path) as image:
        image.verify()


def test_failed_drawing_keeps_the_old_file(tmp_path):
    class BrokenText(Text):
        def draw(self, renderer):
            raise RuntimeError("cannot draw")

    path = tmp_path / "a.png"
    path.write_bytes(b"old")
    page = Page(200)
    figure = page.finish(100)
    figure.add_artist(BrokenText(0, 0, "x"))
    with pytest.raises(RuntimeError, match="cannot draw"):
        write_png(figure, path, title="t", software="s")
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


def test_no_global_plotting_state_is_touched():
    code = "import sys, wearscope.report.sheets.comparison; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
