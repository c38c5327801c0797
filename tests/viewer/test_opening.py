"""The ways to open a trial or a photo."""

from __future__ import annotations

from pathlib import Path

import pytest
from flutes import WORN
from hands import Hands, napari  # skips where there is no viewer
from qtpy.QtWidgets import QFileDialog
from wearscope_napari.bench import WearBench
from wearscope_napari.contributions import get_reader, open_bench

from wearscope.log.place import LogFile

ONE_WINDOW = True


def benches(viewer):
    return [widget for widget in viewer.window.dock_widgets.values() if isinstance(widget, WearBench)]


def test_the_manifest_is_found():
    from npe2 import PluginManager

    manager = PluginManager.instance()
    manager.discover(include_npe1=False)
    manifest = manager.get_manifest("wearscope")
    assert {widget.display_name for widget in manifest.contributions.widgets} == {"Wear bench"}
    for command in manifest.contributions.commands:
        assert callable(command.python_name and manager.commands.get(command.id))


def test_commands_are_in_the_palette_and_the_menus(viewer, folder):
    """As napari registers them: by its own store of actions, which the palette and the menus read."""
    from napari._app_model import get_app_model  # private: napari has no public way to ask

    app = get_app_model()
    menus = ("napari/file/io_utilities", "napari/file/acquire", "napari/layers/measure")
    in_menus = {
        item.command.id for menu in menus for item in app.menus.get_menu(menu) if hasattr(item, "command")
    }
    wanted = {"wearscope.open", "wearscope.measure", "wearscope.camera"}
    assert wanted <= in_menus
    palette = {item.command.id for item in app.menus.get_menu(app.menus.COMMAND_PALETTE_ID)}
    assert wanted <= palette
    app.commands.execute_command("wearscope.camera")
    (bench,) = benches(viewer)
    assert bench.pages.currentWidget() is bench.live
    bench.finish()


def test_by_the_dialog(hands, folder, monkeypatch):
    answers = iter([("", ""), (str(folder / "trial.toml"), "")])
    monkeypatch.setattr(QFileDialog, "getOpenFileName", lambda *_: next(answers))
    hands.bench.ask_for_trial()
    assert hands.bench.state.session is None  # cancelled
    hands.bench.ask_for_trial()
    hands.idle()
    assert hands.bench.state.session.trial.name == "Step edges"


@pytest.mark.parametrize("what", ["trial.toml", "."])
def test_dropped_on_the_window(viewer, folder, what):
    viewer.open(folder / what, plugin="wearscope")
    (bench,) = benches(viewer)
    assert bench.photos.count() == 3
    viewer.open(folder / what, plugin="wearscope")
    assert benches(viewer) == [bench]
    bench.finish()


def test_a_trial_whose_photos_a_pattern_finds(hands, folder):
    text = (folder / "trial.toml").read_text()
    (folder / "trial.toml").write_text(
        text[: text.index("[[photo]]")]
        + '[photos]\npattern = "{bit}/{parts}/flute{flute}.png"\nview = "relief"\nscale = "bench"\n'
    )
    for parts in (0, 100):
        (folder / f"Dunlin/{parts}").mkdir(parents=True)
        (folder / f"{parts}.png").rename(folder / f"Dunlin/{parts}/flute1.png")
    shown = hands.open(folder, 100)
    assert shown.inspection.entry.file == "Dunlin/100/flute1.png"
    assert not shown.inspection.refusal


def test_a_wrong_trial_says_where(hands, folder):
    with (folder / "trial.toml").open("a") as file:
        file.write("\n[[bit]]\nname = 'Dunlin'\n")
    assert not hands.bench.open_trial(folder)
    assert "line" in hands.bench.status.text()
    assert "Dunlin" in hands.bench.status.text()
    assert not hands.bench.open_trial(folder / "nowhere.toml")


def test_a_single_photo(viewer, tmp_path):
    path = WORN.save(tmp_path / "one.png")
    (layer,) = viewer.open(path, plugin="wearscope")
    assert layer.data.shape == (420, 900, 3)
    assert layer.name == "one.png"
    assert benches(viewer) == []


def test_without_a_window_the_first_photo_is_shown(folder, monkeypatch):
    monkeypatch.setattr(napari, "current_viewer", lambda: None)  # there may be one of other tests
    model = napari.components.ViewerModel()
    (layer,) = model.open(folder / "trial.toml", plugin="wearscope")
    assert layer.name == "0.png"


def test_what_is_no_trial_is_left_to_others(tmp_path):
    (tmp_path / "pyproject.toml").write_text("[project]\n")
    assert get_reader(str(tmp_path / "pyproject.toml")) is None
    assert get_reader(str(tmp_path)) is None
    assert get_reader(str(tmp_path / "gone.toml")) is None


def test_the_sample_trial(viewer):
    viewer.open_sample("wearscope", "trial")
    (bench,) = benches(viewer)
    assert bench.photos.count() == 18
    Hands(bench).idle()
    assert bench.state.shown is not None
    assert [layer.name for layer in viewer.layers].count("photo") == 1
    assert bench.state.session.out_dir.name.startswith("wearscope-sample-")
    bench.finish()


def test_a_second_call_gives_the_same_bench(viewer):
    bench = open_bench(viewer)
    assert open_bench(viewer) is bench
    bench.finish()


def test_from_the_command_line(make_napari_viewer, folder, monkeypatch):
    import wearscope_napari.app

    from wearscope.cli import main

    viewer = make_napari_viewer()
    monkeypatch.setattr(napari, "Viewer", lambda **_: viewer)
    monkeypatch.setattr(napari, "run", lambda: None)
    assert main(["view", str(folder)]) == 0
    (bench,) = benches(viewer)
    assert bench.state.session.log_place == LogFile(folder / "wear-log.sqlite")
    bench.finish()
    assert Path(wearscope_napari.app.__file__).name == "app.py"


def test_the_command_line_names_a_wrong_trial_before_it_opens_a_window(folder, capsys):
    from wearscope.cli import main

    assert main(["view", str(folder / "nowhere.toml")]) == 2
    assert "nowhere.toml" in capsys.readouterr().err
