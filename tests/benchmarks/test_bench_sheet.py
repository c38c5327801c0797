"""What drawing a comparison sheet costs: ``pytest -m benchmark -s``.

Times say nothing on a busy machine, ratios taken in one run do: the sheet is held against the same shapes drawn by
matplotlib's own artists and saved by Pillow, and against OpenCV's encoding of a picture of its size.
"""

from __future__ import annotations

import time

import cv2
from artists import png_by_artists
from sheet_cases import CASES

from wearscope.report.sheets import shapes
from wearscope.report.sheets.comparison import compose_sheet
from wearscope.report.sheets.page import write_png

ROUNDS = 5
MOST_OF_ARTISTS = 0.4


def _cpu_s(work) -> float:
    """Least processor time of a few rounds."""
    took = []
    for _ in range(ROUNDS):
        start = time.process_time()
        work()
        took.append(time.process_time() - start)
    return min(took)


def test_a_sheet_takes_two_fifths_of_what_artists_take_to_draw_it_alone(benchmark, tmp_path):
    content = CASES["usual"]()
    sheet = compose_sheet(content)

    def whole():
        shapes._ink.cache_clear()  # what one trial's sheets have in common does not count
        write_png(compose_sheet(content), tmp_path / "sheet.png", title="t", software="s")

    benchmark.pedantic(whole, rounds=1)
    pixels = cv2.cvtColor(sheet.pixels(), cv2.COLOR_RGBA2BGR)
    ours_s, artists_s = _cpu_s(whole), _cpu_s(lambda: png_by_artists(sheet))
    encoding_s = _cpu_s(lambda: cv2.imencode(".png", pixels))
    print(
        f"\na sheet laid out, drawn and saved: {ours_s:.2f} s of processor, {ours_s / artists_s:.2f} of what artists "
        f"take to draw and save it, {ours_s / encoding_s:.1f} times OpenCV's encoding of its pixels"
    )
    assert ours_s < MOST_OF_ARTISTS * artists_s
