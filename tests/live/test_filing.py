"""Where a picture of the bench is filed."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from pictures import write_trial

from wearscope.errors import WearscopeError
from wearscope.live.filing import Place, file_picture
from wearscope.trial import load_trial


@pytest.mark.parametrize("link", [False, True], ids=["by its path", "by a link"])
def test_nothing_is_written_outside_the_folder_of_the_trial(tmp_path, link):
    folder = tmp_path / "trial"
    folder.mkdir()
    outside, picture = tmp_path / "outside.png", tmp_path / "new.png"
    for path, grey in ((outside, 90), (picture, 120)):
        cv2.imwrite(str(path), np.full((80, 96), grey, np.uint8))
    inside = folder / "0.png"
    inside.symlink_to(outside)
    trial = write_trial(folder, {0: inside}, um_per_px=3.5, wedge_angle_deg=60.0, coating="none")
    if not link:
        text = trial.path.read_text()
        inside.unlink()
        trial.path.write_text(text.replace(trial.photos[0].file, "../outside.png"))
        trial = load_trial(trial.path)
    before = outside.read_bytes()
    entry = trial.photos[0]
    with pytest.raises(WearscopeError, match="outside the folder of the trial, where nothing is written"):
        file_picture(trial, picture, Place(entry.bit, entry.flute, entry.parts, entry.view, entry.scale))
    assert outside.read_bytes() == before
