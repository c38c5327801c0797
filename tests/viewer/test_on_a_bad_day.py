"""What goes wrong in a workshop: haste, two people, odd files, folders and logs that cannot be written."""

from __future__ import annotations

import shutil
import sqlite3
import threading
import time

import cv2
import numpy as np
import pytest
from flutes import WORN
from graticules import Graticule
from hands import Hands
from pictures import CARD, Flute, save_light, transition_error_um, write_trial
from PIL import Image
from qtpy.QtCore import Qt
from qtpy.QtWidgets import QApplication
from wearscope_napari import session as at_work
from wearscope_napari.contributions import open_bench

from wearscope.live.filing import Place, file_picture
from wearscope.log import place as log_place
from wearscope.log.corrections import CorrectionLog
from wearscope.log.wear_log import WearLog
from wearscope.trial import load_trial

ONE_WINDOW = True


def history(folder):
    with CorrectionLog(folder / "wear-log.sqlite") as log:
        return log.history("Step edges")


def place(s, d=0.0):
    return tuple(map(float, WORN.at_px(s, d)))


def transition_px(bench):
    row, column = bench.on_photo.layers["transition"].data[0]
    return column, row


def patch(s):
    return [place(s + a, d) for a, d in ((0, -100), (120, -100), (120, 120), (0, 120), (3, -90))]


# --- Haste


def test_a_result_that_is_out_of_date_is_not_shown(hands, folder, monkeypatch):
    """Two patches of resin in quick succession: the first's numbers come while the second is saved."""
    hands.open(folder, 100)
    measure, shown = at_work.inspect_photo, []

    def slow(*what):
        time.sleep(0.3)
        return measure(*what)

    monkeypatch.setattr(at_work, "inspect_photo", slow)
    bench = hands.bench
    show = bench.strip.show_photo
    monkeypatch.setattr(bench.strip, "show_photo", lambda found: (shown.append(found), show(found)))
    first, second = tuple(patch(600)[:4]), tuple(patch(900)[:4])
    bench.state.correct(ignored_px=(first,))
    hands.wait(lambda: len(history(folder)) == 1)
    time.sleep(0.1)  # its measuring is under way
    bench.state.correct(ignored_px=(first, second))
    hands.idle()
    assert len(shown) == 1
    assert len(bench.state.shown.said.ignored_px) == 2
    assert len(bench.on_photo.layers["ignored"].data) == 2


def test_a_stroke_that_was_none_says_nothing_of_the_photo(hands, folder):
    """A click where a drag was meant: the edge that the program found must not become one drawn by hand."""
    hands.open(folder, 100)
    for part, mode in (("edge", "add_path"), ("ignored", "add_polygon_lasso")):
        hands.bench.hand.draw(part, mode)
        hands.drag(part, place(100.0), place(101.0))
        hands.drag(part, place(101.0))  # the second click ends it
        assert history(folder) == []
        assert "too small" in hands.bench.status.text()
        assert len(hands.bench.on_photo.layers[part].data) == (part == "edge")


@pytest.mark.parametrize("mode", ["add_polygon_lasso", "select"])
def test_numbers_that_come_while_the_button_is_down_disturb_nothing(hands, folder, mode):
    """A second patch is being drawn, or the transition dragged, when the first patch's numbers arrive."""
    hands.open(folder, 100)
    bench = hands.bench
    if mode == "select":
        part, places = "transition", [transition_px(bench), place(300), place(420)]
    else:
        part, places = "ignored", patch(900)
    first = patch(500)
    bench.hand.draw("ignored", "add_polygon_lasso")
    hands.hold("ignored", *first)
    hands.let_go("ignored", first[-1])
    QApplication.processEvents()  # no waiting for the numbers
    if mode != "select":
        bench.hand.draw("ignored", mode)
    hands.hold(part, *places[:-1])
    hands.wait(lambda: len(history(folder)) == 1 and bench.state.work._waiting == 0)
    QApplication.processEvents()
    hands._mouse("mouse_move", part, places[-1])
    hands.let_go(part, places[-1])
    hands.idle()
    hands.wait(lambda: not bench.on_photo.in_hand())
    time.sleep(0.2)
    hands.idle()
    if mode == "select":
        assert transition_error_um(
            WORN, {(r.quantity, r.zone): r for r in bench.state.shown.inspection.records}
        )[0] == pytest.approx(300.0, abs=5.0)
        assert len(bench.state.shown.said.ignored_px) == 1
    else:
        assert [row.kind for row in history(folder)] == ["ignored_px"] * 2
        assert len(bench.state.shown.said.ignored_px) == 2


def test_a_photo_corrected_while_the_next_one_is_on_its_way(hands, folder, monkeypatch):
    """The drag belongs to the photo that is seen, and what is shown in the end is the one chosen."""
    hands.open(folder, 100)
    bench = hands.bench
    measure = at_work.inspect_photo

    def slow(*what):
        time.sleep(0.3)
        return measure(*what)

    monkeypatch.setattr(at_work, "inspect_photo", slow)
    bench.state.choose(next(photo for photo in bench.state.session.trial.photos if photo.parts == 0))
    bench.state.correct(transition_px=place(420.0))
    hands.idle()
    assert bench.state.entry.parts == 0
    assert bench.state.shown.inspection.entry.parts == 0
    (row,) = history(folder)
    assert row.parts == 100
    with WearLog(folder / "wear-log.sqlite") as log:
        assert {r.method.split("+")[-1] for r in log.current(parts=100)} == {"hand"}


def test_a_graticule_read_slowly_scales_the_photo_it_is_in(hands, tmp_path, monkeypatch):
    """The person goes on to the next photo before the lines are found."""
    from wearscope_napari import drawing_tools

    new = Flute(shape=(900, 900), background=CARD, shift_px=(0.0, -250.0))
    light = new.light()
    light[520:880, 50:850] = Graticule(shape=(360, 800), pitch_px=20.0).luminance()[..., None]
    worn = new.worn(transition_um=120.0)
    write_trial(
        tmp_path,
        {0: save_light(light, tmp_path / "0.png"), 100: save_light(worn.light(), tmp_path / "1.png")},
    )
    hands.open(tmp_path, 0)
    read = drawing_tools.scale_from_graticule

    def slow(*what, **how):
        time.sleep(0.5)
        return read(*what, **how)

    monkeypatch.setattr(drawing_tools, "scale_from_graticule", slow)
    hands.bench.hand.pitch.setValue(100.0)
    hands.bench.hand.draw("ruler", "add_rectangle")
    hands.hold("ruler", (55.0, 525.0), (400.0, 700.0), (845.0, 875.0))
    hands.let_go("ruler", (845.0, 875.0))
    hands.choose(100)
    hands.idle()
    assert [(row.kind, row.parts) for row in history(tmp_path)] == [("scale", 0)]


def test_a_length_not_given_sets_no_scale(hands, folder):
    """No default distance: it would be a scale that is wrong by any factor."""
    hands.open(folder, 0)
    hands.bench.hand.draw("ruler", "add_line")
    assert "distance" in hands.bench.status.text()
    assert "ruler" not in hands.bench.on_photo.layers
    hands.bench.hand.draw("ruler", "add_rectangle")
    assert "pitch" in hands.bench.status.text()
    assert "ruler" not in hands.bench.on_photo.layers
    assert history(folder) == []


def test_a_box_too_small_for_a_graticule_is_said(hands, folder):
    hands.open(folder, 0)
    hands.bench.hand.pitch.setValue(100.0)
    hands.bench.hand.draw("ruler", "add_rectangle")
    hands.drag("ruler", (100.0, 50.0), (101.0, 51.0), (103.0, 52.0))
    assert "box" in hands.bench.status.text()
    assert "report" not in hands.bench.status.text()


# --- Two people


def test_a_correction_made_while_the_photo_was_measured_counts_as_not_seen(hands, folder, monkeypatch):
    hands.open(folder, 100)
    state, measure = hands.bench.state, at_work.inspect_photo
    hands.wait(lambda: state._ahead is None and not state.work._glancing)
    state.session._looked_at = at_work.LookedAt()  # as if none had been read ahead

    def meanwhile(trial, entry, *what):
        found = measure(trial, entry, *what)
        other = at_work.Session(load_trial(folder), folder, who="Grace")
        if entry.parts == 0 and not history(folder):
            other.correct(entry, found.photo_sha256, transition_px=place(300.0))
        return found

    monkeypatch.setattr(at_work, "inspect_photo", meanwhile)
    hands.choose(0)
    monkeypatch.setattr(at_work, "inspect_photo", measure)
    with CorrectionLog(folder / "wear-log.sqlite") as log:
        assert len(log.history("Step edges")) == 1
    hands.bench.state.correct(transition_px=place(0.0))
    hands.idle()
    assert [row.by for row in history(folder)] == ["Grace"]
    assert "Grace" in hands.bench.status.text()


def ada_sets_the_transition(hands, second_hands, folder):
    """Ada and Grace look at the same photo, and Ada is the first to correct it."""
    for person, name in ((hands, "Ada"), (second_hands, "Grace")):
        person.open(folder, 100)
        person.bench.who.setText(name)
    hands.drag("transition", transition_px(hands.bench), place(420.0))


def test_what_was_not_saved_stays_said(hands, second_hands, folder):
    """The photo is shown again after it: its own line must not take the place of the bad news."""
    ada_sets_the_transition(hands, second_hands, folder)
    assert hands.bench.status.text().startswith("saved")
    second_hands.drag("transition", transition_px(second_hands.bench), place(-300.0))
    assert "Ada has corrected this photo" in second_hands.bench.status.text()
    assert not second_hands.bench.status.text().startswith("saved")
    second_hands.drag("transition", transition_px(second_hands.bench), place(0.0))
    assert "Ada has corrected" not in second_hands.bench.status.text()
    assert "by Grace" in second_hands.bench.status.text()


def test_taking_back_does_not_wipe_out_what_another_said_since(hands, second_hands, folder):
    ada_sets_the_transition(hands, second_hands, folder)
    second_hands.choose(0)
    second_hands.choose(100)
    second_hands.drag("transition", transition_px(second_hands.bench), place(0.0))
    hands.press("Control-Z")
    assert [row.by for row in history(folder)] == ["Ada", "Grace"]
    assert "Grace has corrected" in hands.bench.status.text()
    assert transition_px(hands.bench) == pytest.approx(transition_px(second_hands.bench))


def test_a_correction_made_during_a_whole_run_is_in_the_log_after_it(hands, folder, monkeypatch):
    """The run takes its corrections at its start; its row for that photo comes after the corrected one."""
    hands.open(folder, 100)
    bench, real = hands.bench, at_work.measure_trial
    go, begun = threading.Event(), threading.Event()

    def held(trial, out, jobs, progress):
        with CorrectionLog(out / "wear-log.sqlite") as by_hand:
            before = by_hand.current(trial.name)
        begun.set()
        go.wait(60)
        monkeypatch.setattr(CorrectionLog, "current", lambda *_: before)
        try:
            return real(trial, out, jobs=1, progress=progress)
        finally:
            monkeypatch.undo()

    monkeypatch.setattr(at_work, "measure_trial", held)
    bench.run.measure_all()
    hands.wait(begun.is_set)
    bench.state.correct(transition_px=place(420.0))
    hands.wait(lambda: bench.state.shown.said.transition_px is not None)
    hands.bench.state.choose(next(photo for photo in bench.state.session.trial.photos if photo.parts == 0))
    hands.wait(lambda: bench.state.work._waiting == 0)
    go.set()
    hands.wait(lambda: not bench.run.measuring, 240.0)
    hands.idle()
    with WearLog(folder / "wear-log.sqlite") as log:
        assert {r.method.split("+")[-1] for r in log.current(parts=100)} == {"hand"}


def test_a_new_state_photo_that_is_corrected_has_the_later_ones_measured_again(hands, folder):
    """Their datum and their signs rest on it."""
    hands.open(folder, 100)
    hands.choose(0)
    hands.bench.hand.draw("edge", "add_path")
    hands.drag("edge", *[tuple(Flute(background=CARD).at_px(s)) for s in np.linspace(-1400, 1400, 15)])
    hands.idle()
    with WearLog(folder / "wear-log.sqlite") as log:
        assert {r.method.split("+")[-1] for r in log.current(parts=100)} == {"hand"}


# --- Taken back another day


@pytest.mark.usefixtures("viewer")  # it ends the bench
def test_it_is_taken_back_after_the_trial_was_closed(hands, second_hands, folder):
    """The last one that stands, one by one; each way back is a row with who."""
    hands.open(folder, 100)
    first = transition_px(hands.bench)
    hands.drag("transition", first, place(420.0))
    hands.bench.state.correct(ignored_px=(tuple(patch(700)[:4]),))
    hands.idle()
    hands.drag("transition", transition_px(hands.bench), place(300.0))
    hands.press("Control-Z")  # the move to 300 goes, so it is not the last that stands
    hands.bench.finish()
    second_hands.open(folder, 100)
    bench = second_hands.bench
    bench.who.setText("Grace")
    assert bench.hand.undo_button.isEnabled()
    second_hands.press("Control-Z")
    assert bench.state.shown.said.ignored_px == ()
    assert bench.state.shown.said.transition_px is not None
    second_hands.press("Control-Z")
    assert bench.state.shown.said.empty
    assert not bench.hand.undo_button.isEnabled()
    assert transition_px(bench) == pytest.approx(first)
    second_hands.press("Control-Shift-Z")
    assert bench.state.shown.said.transition_px == pytest.approx(place(420.0), abs=1.0)
    rows = history(folder)
    kinds = "transition_px ignored_px transition_px transition_px ignored_px transition_px transition_px"
    assert [row.kind for row in rows] == kinds.split()
    assert [row.by for row in rows[4:]] == ["Grace"] * 3


# --- Odd files


def as_16_bit(path):
    cv2.imwrite(str(path), cv2.imread(str(path)).astype(np.uint16) * 257)


def as_grey(path):
    cv2.imwrite(str(path), cv2.imread(str(path), cv2.IMREAD_GRAYSCALE))


def on_its_side(path):
    """Stored a quarter turned, with the EXIF orientation that turns it back (6: turn clockwise)."""
    stored = Image.open(path).convert("RGB").rotate(90, expand=True)
    exif = Image.Exif()
    exif[0x0112] = 6
    stored.save(path, exif=exif)


@pytest.mark.parametrize("change", [as_16_bit, as_grey, on_its_side])
def test_odd_photos_are_shown_and_corrected_where_they_are(hands, folder, change):
    for parts in (0, 100):
        change(folder / f"{parts}.png")
    shown = hands.open(folder, 100)
    assert not shown.inspection.refusal, shown.inspection.refusal
    assert hands.bench.on_photo.layers["photo"].data.shape == (420, 900, 3)
    assert hands.bench.on_photo.layers["photo"].data.dtype == np.uint8
    hands.drag("transition", transition_px(hands.bench), place(420.0))
    found = {(r.quantity, r.zone): r for r in hands.bench.state.shown.inspection.records}
    assert transition_error_um(WORN, found)[0] == pytest.approx(300.0, abs=5.0)


def test_a_photo_file_that_has_gone(hands, folder):
    hands.open(folder, 100)
    (folder / "100.png").unlink()
    (folder / "200.png").unlink()
    hands.choose(0)
    hands.choose(100)
    assert "100.png" in hands.bench.status.text()
    assert [layer for layer in hands.bench.viewer.layers if layer.name == "photo"] == []
    hands.choose(200)
    hands.bench.state.correct(transition_px=place(0.0))
    hands.bench.hand.turn_tool()
    hands.bench.hand.swap_sides()
    hands.idle()
    assert history(folder) == []


def test_a_trial_without_photos_yet(hands, folder, tmp_path_factory):
    """Two bits, none photographed: it opens, and the first picture is filed."""
    picture = tmp_path_factory.mktemp("camera") / "IMG.png"
    shutil.copy(folder / "0.png", picture)
    text = (folder / "trial.toml").read_text()
    head = text[: text.index("[[photo]]")]
    bit = head[head.index("[[bit]]") :]
    (folder / "trial.toml").write_text(head + "\n" + bit.replace('"Dunlin"', '"Knot"'))
    bench = hands.bench
    assert bench.open_trial(folder), bench.status.text()
    hands.idle()
    assert bench.photos.count() == 0
    assert [bench.capture.bit.itemText(n) for n in range(2)] == ["Dunlin", "Knot"]
    bench.photos.next_photo()
    bench.run.measure_all()
    hands.idle()
    trial = file_picture(bench.state.session.trial, picture, Place("Dunlin", 1, 0, "relief", "bench"))
    assert [photo.parts for photo in trial.photos] == [0]
    bench.state.reload()
    hands.idle()
    assert bench.photos.count() == 1


def test_a_pattern_that_finds_nothing_yet(hands, folder):
    text = (folder / "trial.toml").read_text()
    head = text[: text.index("[[photo]]")]
    pattern = '[photos]\npattern = "p/{bit}/{parts}/{flute}.png"\nview = "relief"\nscale = "bench"\n'
    (folder / "trial.toml").write_text(head + pattern)
    assert hands.bench.open_trial(folder), hands.bench.status.text()
    hands.idle()
    assert hands.bench.photos.count() == 0


def test_a_photo_taken_again_while_it_is_shown_is_shown_anew(hands, folder, tmp_path_factory):
    """Filed in the place of the one on the screen: neither its picture nor its numbers may stay."""
    hands.open(folder, 100)
    again = WORN.worn(seed=31).save(tmp_path_factory.mktemp("camera") / "again.png")
    inbox = tmp_path_factory.mktemp("microscope")
    capture = hands.bench.capture
    capture._timer.setInterval(40)
    capture.start(inbox)
    capture.parts.setValue(100)
    shutil.copy(again, inbox / "IMG_1.png")
    hands.wait(lambda: "filed as" in capture.verdict.text(), 90.0)
    hands.idle()
    assert hands.bench.state.shown.inspection.photo_sha256 == load_hash(again)


def load_hash(path):
    from wearscope.files import checksum_of

    return checksum_of(path)


def test_two_pictures_at_once_for_one_place(hands, folder, tmp_path_factory):
    """The second takes the place of the first, which is kept; none fails."""
    hands.open(folder, 100)
    inbox = tmp_path_factory.mktemp("microscope")
    capture = hands.bench.capture
    capture.start(inbox)
    capture._timer.stop()
    capture.parts.setValue(300)
    for n in (1, 2):
        WORN.worn(seed=40 + n).save(inbox / f"IMG_{n}.png")
    capture.located()
    capture.located()
    hands.idle()
    assert "filed as" in capture.verdict.text()
    (photo,) = [photo for photo in load_trial(folder).photos if photo.parts == 300]
    assert photo.path.read_bytes() == (inbox / "IMG_2.png").read_bytes()
    assert len(list((folder / "replaced").iterdir())) == 1


def test_a_picture_that_cannot_be_filed_is_said_where_the_person_looks(hands, folder, tmp_path_factory):
    hands.open(folder, 100)
    inbox = tmp_path_factory.mktemp("microscope")
    capture = hands.bench.capture
    capture.start(inbox)
    capture._timer.stop()
    capture.parts.setValue(300)
    (folder / "photos").write_text("a file where the folder should be")
    WORN.worn(seed=5).save(inbox / "IMG_1.png")
    capture.located()
    capture.located()
    hands.idle()
    assert "cannot be filed" in capture.verdict.text()


# --- Folders and logs


def deny_writing(monkeypatch, code=sqlite3.SQLITE_READONLY):
    """Root may write anywhere, so the database is made to refuse as it does in a read-only folder."""

    def refuse(connection):
        error = sqlite3.OperationalError("attempt to write a readonly database")
        error.sqlite_errorcode = code
        from sqlalchemy.exc import OperationalError

        raise OperationalError("BEGIN IMMEDIATE", None, error)

    real = log_place._begin

    def begin(connection):
        if connection.get_execution_options().get("writes", False):
            refuse(connection)
        real(connection)

    monkeypatch.setattr(log_place, "_begin", begin)


def test_a_folder_that_cannot_be_written_still_shows_the_photo(hands, folder, monkeypatch):
    deny_writing(monkeypatch)
    hands.open(folder, 100)
    bench = hands.bench
    assert "photo" in bench.on_photo.layers
    assert bench.numbers.table.rowCount() > 5
    assert "cannot be written" in bench.status.text()
    assert "copy the trial's folder to where you may write" in bench.status.text()
    assert "--out" not in bench.status.text()
    before = transition_px(bench)
    hands.drag("transition", before, place(420.0))
    assert "cannot be written" in bench.status.text()
    assert not bench.status.text().startswith("saved")
    assert transition_px(bench) == pytest.approx(before)  # what was not saved is not shown as if it were


def test_a_log_locked_by_another_program(hands, folder, monkeypatch):
    hands.open(folder, 100)
    bench = hands.bench
    monkeypatch.setattr(log_place, "BUSY_TIMEOUT_S", 0.2)
    other = sqlite3.connect(folder / "wear-log.sqlite", isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    before = transition_px(bench)
    hands.drag("transition", before, place(420.0))
    assert "written by another program" in bench.status.text()
    assert not bench.status.text().startswith("saved")
    other.execute("ROLLBACK")
    hands.drag("transition", transition_px(bench), place(420.0))
    assert bench.status.text().startswith("saved")
    assert len(history(folder)) == 1


def test_opening_a_trial_does_not_wait_for_its_photos_and_its_log(hands, folder, monkeypatch):
    """Hundreds of photos on a share, a log in use: the window must not stand still."""
    threads = set()
    read = at_work.Session.read_states

    def watched(self):
        threads.add(threading.current_thread())
        read(self)

    monkeypatch.setattr(at_work.Session, "read_states", watched)
    hands.open(folder)
    hands.bench.state.reload()
    hands.idle()
    assert threads
    assert threading.main_thread() not in threads
    assert hands.bench.state.shown is not None


# --- The window


def test_keys_work_while_the_list_has_the_focus(hands, folder):
    hands.open(folder, 0)
    bench = hands.bench
    bench.photos.setCurrentRow(0)
    hands.idle()
    hands.type_key(bench.photos, Qt.Key.Key_PageDown)
    assert bench.photos.currentRow() == 1
    hands.type_key(bench.photos, Qt.Key.Key_PageUp)
    assert bench.photos.currentRow() == 0
    hands.choose(100)
    hands.drag("transition", transition_px(bench), place(420.0))
    hands.type_key(bench.photos, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier)
    assert bench.state.shown.said.empty
    hands.type_key(
        bench.run.all, Qt.Key.Key_Z, Qt.KeyboardModifier.ControlModifier | Qt.KeyboardModifier.ShiftModifier
    )
    assert not bench.state.shown.said.empty


def test_a_name_just_typed_counts(hands, folder):
    """The next thing that the person does is to drag: no Enter, no Tab."""
    hands.open(folder, 100)
    hands.bench.who.setText("Ada")
    hands.drag("transition", transition_px(hands.bench), place(420.0))
    assert history(folder)[0].by == "Ada"


def test_a_layer_that_was_deleted_comes_back_with_its_tool(hands, folder):
    hands.open(folder, 100)
    bench = hands.bench
    for name in ("photo", "left out (resin, glare)"):
        bench.viewer.layers.remove(name)
    bench.hand.draw("ignored", "add_polygon_lasso")
    assert "photo" in bench.viewer.layers
    assert len([layer for layer in bench.viewer.layers if layer.name == "photo"]) == 1
    hands.drag("ignored", *patch(700))
    assert len(bench.state.shown.said.ignored_px) == 1


def test_the_bench_is_closed_and_opened_again(viewer, folder):
    """Its panels go with it, and the new one's are there."""
    bench = open_bench(viewer)
    Hands(bench).open(folder, 100)
    names = set(viewer.window.dock_widgets)
    bench.parent().destroyOnClose()
    QApplication.processEvents()
    assert viewer.window.dock_widgets == {}
    assert "PageDown" not in map(str, viewer.keymap)
    again = open_bench(viewer)
    assert again is not bench
    hands = Hands(again)
    hands.open(folder, 100)
    assert set(viewer.window.dock_widgets) == names
    assert again.numbers in viewer.window.dock_widgets.values()
    assert again.numbers.table.rowCount() > 5
    again.finish()


def test_the_menu_and_the_reader_open_the_same_bench(viewer, folder):
    _, bench = viewer.window.add_plugin_dock_widget("wearscope", "Wear bench")
    assert open_bench(viewer) is bench
    bench.finish()


def test_from_the_reader_first_the_menu_finds_it(viewer, folder):
    bench = open_bench(viewer)
    assert viewer.window.add_plugin_dock_widget("wearscope", "Wear bench")[1] is bench
    bench.finish()


def test_the_numbers_say_whose_they_are(hands, folder, monkeypatch):
    """While the next photo is measured, the old numbers are there but greyed."""
    hands.open(folder, 100)
    numbers = hands.bench.numbers
    assert "Dunlin, flute 1, after 100 parts" in numbers.title.text()
    assert numbers.isEnabled()
    hands.bench.state.choose(
        next(photo for photo in hands.bench.state.session.trial.photos if photo.parts == 0)
    )
    assert not numbers.isEnabled()
    hands.idle()
    assert numbers.isEnabled()
    assert "Dunlin, flute 1, new" in numbers.title.text()
