"""What measuring one photo loads: each worker pays for it before its first photo."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[2] / "sample_images"
LOADED = "import sys, wearscope.pipeline.one_photo; print(*sys.modules)"


@pytest.fixture(scope="module")
def loaded() -> set[str]:
    done = subprocess.run([sys.executable, "-c", LOADED], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


@pytest.mark.parametrize("needless", ["sqlalchemy", "scipy.stats", "matplotlib", "wearscope.log.wear_log"])
def test_a_worker_loads_nothing_that_it_does_not_need(loaded, needless):
    assert needless not in loaded


MEASURED = """
import sys
from importlib import import_module
from pathlib import Path
from wearscope.pipeline.processes import NEEDED
for name in NEEDED:
    import_module(name)
before = set(sys.modules)
from wearscope.pipeline.inspect import inspect_photo
from wearscope.pipeline.one_photo import draw, measure
from wearscope.pipeline.sources import read_scales
from wearscope.pipeline.views import Sheet
from wearscope.trial import load_trial
trial = load_trial(Path({trial!r}))
scales, _ = read_scales(trial)
entry = next(each for each in trial.photos if each.parts)
measured = measure(inspect_photo, trial, entry, scales)
assert draw(Sheet(Path({sheet!r}), trial.name, entry, measured.drawing, measured.result.records, (), ())) == ""
print(*{{name.partition(".")[0] for name in set(sys.modules) - before}})
"""


@pytest.mark.statistics  # seconds, for a photo that is measured by a process of its own
def test_all_that_takes_long_to_load_is_loaded_once_for_all_workers(tmp_path):
    script = MEASURED.format(trial=str(SAMPLES / "trial.toml"), sheet=str(tmp_path / "sheet.png"))
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "sheet.png").exists()
    late = {
        "cv2",
        "fontTools",
        "imagecodecs",
        "matplotlib",
        "numpy",
        "PIL",
        "pydantic",
        "scipy",
        "skimage",
        "tifffile",
    }
    assert late.isdisjoint(done.stdout.split())
