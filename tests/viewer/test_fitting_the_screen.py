"""A laptop's screen, light and dark, and a strip that runs as the photo does."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hands import Hands  # noqa: F401 - skips where there is no viewer
from qtpy.QtWidgets import QApplication, QPushButton
from wearscope_napari.strip_view import runs_backwards
from wearscope_napari.theme import LEAST_CONTRAST, LEAST_OF_LINES, Theme, contrast

LAPTOP = (1280, 800)  # also what a screen of 1920 by 1200 has at a scale factor of 1.5

ONE_WINDOW = True


def settle():
    for _ in range(20):
        QApplication.processEvents()


def test_contrast_is_that_of_the_standard():
    """WCAG 2.2: black on white is 21, and #767676 the lightest grey that passes 4.5 on white (its understanding page)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") > 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("theme", [Theme("#23242b", "#f0f1f2"), Theme("#ebe7e6", "#1e1e21")])
def test_lines_of_plots_stand_out_from_either_paper(theme):
    for colour in ("#0072B2", "#D55E00", "#E69F00", "#A8D8F4"):
        assert contrast(theme.line(colour), theme.paper) >= LEAST_OF_LINES


@pytest.mark.parametrize(
    "theme", [Theme("#23242b", "#f0f1f2", "#454b54"), Theme("#ebe7e6", "#1e1e21", "#c4c0be")]
)
def test_hints_in_fields_can_be_read_and_are_fainter_than_what_is_typed(theme):
    assert contrast(theme.faint, theme.field) >= LEAST_CONTRAST
    assert contrast(theme.faint, theme.field) < contrast(theme.ink, theme.field)


@pytest.mark.usefixtures("viewer")  # it resizes the window
@pytest.mark.usefixtures("plotted")
def test_all_is_seen_on_a_laptop_without_scrolling(hands, folder):
    hands.open(folder, 100)
    bench, window = hands.bench, hands.bench.window()
    window.resize(*LAPTOP)
    window.show()
    settle()
    assert (window.width(), window.height()) == LAPTOP
    frame = window.rect()
    for widget in (
        bench.photos,
        bench.strip,
        bench.numbers,
        bench.why,
        bench.run.all,
        *bench.hand.findChildren(QPushButton),
    ):
        if widget is bench.why and not widget.text():
            continue
        corners = [
            widget.mapTo(window, corner) for corner in (widget.rect().topLeft(), widget.rect().bottomRight())
        ]
        assert all(frame.contains(corner) for corner in corners), widget
        assert widget.visibleRegion().boundingRect().height() >= 0.9 * widget.height(), widget
    table = bench.numbers.table
    status = table.columnViewportPosition(2) + table.columnWidth(2)
    assert status <= table.viewport().width()  # beside value and name, not behind the scroll bar
    for n in range(bench.pages.count()):
        bench.pages.setCurrentIndex(n)
        settle()
        for widget in bench.pages.currentWidget().findChildren(QPushButton):
            seen = widget.visibleRegion().boundingRect()
            assert (seen.width(), seen.height()) == (widget.width(), widget.height()), (n, widget.text())
        chosen = bench.photos.visualItemRect(bench.photos.currentItem())
        assert bench.photos.viewport().rect().contains(chosen), n
    photo = window.centralWidget()
    assert photo.width() * photo.height() > 0.35 * LAPTOP[0] * LAPTOP[1]  # 0.12 with napari's lists of layers


@pytest.mark.usefixtures("viewer")  # it paints the window anew
@pytest.mark.usefixtures("plotted")
@pytest.mark.parametrize("theme", ["dark", "light"])
def test_lists_can_be_read_in_either_theme(hands, folder, theme):
    """As painted: the paper of the list, and the ink that is farthest from it."""
    hands.open(folder, 100)
    bench = hands.bench
    bench.viewer.theme = theme
    hands.choose(0)
    settle()
    for widget in (bench.photos, bench.numbers.table):
        rows = (
            widget.visualItemRect(widget.item(1))
            if widget is bench.photos
            else widget.visualItemRect(widget.item(1, 0))
        )
        image = widget.viewport().grab(rows).toImage()
        seen = Counter(
            image.pixelColor(x, y).name() for x in range(20, image.width()) for y in range(image.height())
        )
        paper = seen.most_common(1)[0][0]
        assert max(contrast(paper, ink) for ink in seen) >= LEAST_CONTRAST
    paper = bench.strip.figure.get_facecolor()
    assert np.mean(paper[:3]) < 0.3 if theme == "dark" else np.mean(paper[:3]) > 0.7
    assert bench.numbers.figure.get_facecolor() == paper


@pytest.mark.usefixtures("plotted")
def test_a_click_in_the_strip_shows_the_place_in_the_photo_and_the_other_way(hands, folder):
    hands.open(folder, 100)
    bench = hands.bench
    found = bench.state.shown.inspection
    bench.strip.pointed.emit(250.0)
    (place,) = bench.on_photo.layers["place"].data
    s_um, d_um = found.on_photo.on_strip((place[1], place[0]))
    assert s_um == pytest.approx(250.0, abs=2.0)
    assert abs(d_um) < 60.0
    heard = []
    bench.on_photo.pointed.connect(heard.append)
    hands.drag("photo", found.on_photo.located.on_photo(-400.0, 0.0))  # a press and a release
    assert not heard or heard[0] == pytest.approx(-400.0, abs=3.0)
    hands.choose(0)
    assert "place" not in bench.on_photo.layers  # it was on the photo before


@pytest.mark.usefixtures("plotted")
def test_the_strip_runs_as_the_photo_does(hands, tmp_path):
    """Tool above the edge: the strip's own axis runs leftward, and is shown turned."""
    from flutes import NEW
    from pictures import write_trial

    paths = {0: NEW.worn(angle_deg=180.0, recession_um=0.0, setback_um=0.0).save(tmp_path / "0.png")}
    paths[100] = NEW.worn(angle_deg=181.0).save(tmp_path / "100.png")
    write_trial(tmp_path, paths)
    hands.open(tmp_path, 100)
    found, axes = hands.bench.state.shown.inspection, hands.bench.strip.figure.axes
    assert runs_backwards(found)
    left, right = axes[0].get_xlim()
    columns = [found.on_photo.places_px(np.array([1e3 * mm]), np.zeros(1))[0, 0] for mm in (left, right)]
    assert columns[0] < columns[1]
    top, bottom = (axes[1].get_ylim()[1], axes[1].get_ylim()[0])
    rows = [found.on_photo.places_px(np.zeros(1), np.array([um]))[0, 1] for um in (top, bottom)]
    assert rows[0] < rows[1]


@pytest.mark.usefixtures("plotted")
def test_no_plot_of_the_photo_before_stands_beside_other_numbers(hands, folder):
    """From the moment the numbers are others until the plot is drawn it is plain paper; then it shows something."""
    hands.open(folder, 100)
    plots = (hands.bench.strip.canvas, hands.bench.numbers.curve)
    for plot in plots:
        assert len(colours_of(plot)) > 5
        plot.renew()
        assert colours_of(plot) == {plot.theme.paper}
    settle()
    assert all(len(colours_of(plot)) > 5 for plot in plots)


def colours_of(widget):
    image = widget.grab().toImage()
    return {
        image.pixelColor(x, y).name() for x in range(0, image.width(), 3) for y in range(0, image.height(), 3)
    }
