"""A damaged log is noticed and never read past: no other rows in silence, no traceback."""

from __future__ import annotations

import hashlib
import random
import sqlite3
from contextlib import closing

import pytest
from log_rows import RADIUS, REMARK, a_note, inspection, record

from wearscope.errors import LogError
from wearscope.log.checksums import checksum_of
from wearscope.log.corrections import CorrectionLog, changes, logged
from wearscope.log.identity import IdentityLog, Whose
from wearscope.log.inputs import Inputs, PhotoInputs, ToolInputs
from wearscope.log.wear_log import WearLog
from wearscope.trial.correction import Correction

TRIAL = "Birch drawer fronts"


def write(path):
    inputs = Inputs(PhotoInputs("ab" * 32, "bench 60x"), ToolInputs(wedge_angle_deg=60.0), "1").named()
    with WearLog(path) as log:
        for parts in range(12):
            for value in (18.6, 19.6):
                rows = [record(parts=parts, value=value), record(**vars(RADIUS) | {"parts": parts})]
                log.append(inspection(parts=parts, inputs=inputs), rows)
        log.append(inspection(parts=3, refusal="blurred", refusal_code="blurred", inputs=inputs), [])
        log.add_note([a_note(), REMARK])
        log.add_note([a_note(value=84.0)])
    place = {"trial": TRIAL, "bit": "A", "flute": 1, "parts": 3, "view": "relief"}
    with CorrectionLog(path) as log:
        said = changes(Correction(), Correction(transition_px=(12.25, 3.0)))
        log.append(logged(place, "ab" * 32, said, "Ada"))
    with IdentityLog(path) as log:
        log.claim(TRIAL, path.parent / "trial.toml")
        made = log.move(Whose(TRIAL, "A"), Whose(TRIAL, "C"), "Ada")
        log.take_back(made.move_id, "Ada")


def all_of_it(path):
    """Everything that can be asked of a log, of all of it and of parts."""
    with WearLog(path) as log, CorrectionLog(path) as by_hand, IdentityLog(path) as identity:
        return (
            log.current(trial=TRIAL, bit="A", parts=3),
            log.current(),
            log.history(),
            log.notes(),
            log.note_history(bit="A", parts=40, kind="sound"),
            by_hand.current(TRIAL),
            identity.orphans(TRIAL, [("A", 1, 1, "relief")]),
            identity.moves(),
            identity.former_names("another", path.parent / "trial.toml"),
        )


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    path = tmp_path_factory.mktemp("sound") / "wear-log.sqlite"
    write(path)
    return path.read_bytes(), all_of_it(path)


def outcome(tmp_path, content, true):
    """Of reading and of writing to a log with that content: "same" or "refused"; anything else raises."""
    path = tmp_path / "wear-log.sqlite"
    path.write_bytes(content)
    for leftover in ("-journal", "-wal", "-shm"):
        path.with_name(path.name + leftover).unlink(missing_ok=True)
    try:
        found = all_of_it(path)
    except LogError:
        return "refused"
    assert found == true, "other rows in silence"
    return "same"


def test_flipped_bytes(tmp_path, sound):
    """One byte, or a few in a row; in the header, in the schema, in tables, indexes, and in what is unused."""
    content, true = sound
    draw = random.Random(20)
    places = [
        *range(0, 100, 3),
        *draw.sample(range(100, 4096), 50),
        *draw.sample(range(4096, len(content)), 120),
    ]
    seen = {"same": 0, "refused": 0}
    for place in places:
        broken = bytearray(content)
        for at in range(place, min(place + draw.choice([1, 1, 4]), len(broken))):
            broken[at] ^= draw.randrange(1, 256)
        seen[outcome(tmp_path, bytes(broken), true)] += 1
    assert seen["refused"] > 50, "a good part of the file is in use"


@pytest.mark.parametrize("share", [0.0001, 0.01, 0.3, 0.5, 0.9, 0.9999])
def test_a_truncated_log(tmp_path, sound, share):
    content, true = sound
    assert outcome(tmp_path, content[: max(1, int(share * len(content)))], true) == "refused"


def test_a_lost_or_exchanged_page(tmp_path, sound):
    content, true = sound
    size = int.from_bytes(content[16:18], "big")
    pages = [content[at : at + size] for at in range(0, len(content), size)]
    for n in range(1, len(pages)):
        empty, twice, other = pages.copy(), pages.copy(), pages.copy()
        empty[n] = bytes(size)
        twice[n] = pages[n - 1] if n > 1 else pages[n + 1]
        other[n], other[-n] = other[-n], other[n]
        for broken in (empty, twice):
            assert outcome(tmp_path, b"".join(broken), true) == "refused", n
        outcome(tmp_path, b"".join(other), true)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE measurement SET value = 18.5 WHERE id = 5",
        "UPDATE measurement SET std_uncertainty = std_uncertainty / 10",
        "UPDATE measurement SET status = 'ok', note = 'fine' WHERE id = 1",
        "UPDATE measurement SET superseded_by = NULL, quantity = 'wear_land' WHERE id = 1",
        "UPDATE measurement SET superseded_by = 1 WHERE id = 2",
        "UPDATE measurement SET bit = 'B' WHERE id = 5",
        "UPDATE measurement SET inspection_id = 3 WHERE id = 1",
        "UPDATE measurement SET checksum = '' WHERE id = 1",
        "UPDATE inspection SET inputs = '{}' WHERE id = 5",
        "UPDATE inspection SET fingerprint = 'ab' WHERE id = 5",
        "UPDATE inspection SET refusal = '' WHERE refusal != ''",
        "UPDATE inspection SET parts = 99 WHERE id = 5",
        "UPDATE note SET noted_by = 'Ben' WHERE id = 1",
        "UPDATE correction SET value = '[1.0,2.0]'",
        "UPDATE known_trial SET file = 'other.toml'",
        "UPDATE move SET to_bit = 'D' WHERE id = 1",
        "DROP TABLE correction",
        "DROP TABLE move",
        "DELETE FROM wear_log",
        "INSERT INTO wear_log VALUES (3)",
        "UPDATE wear_log SET schema_version = 'three'",
        "DELETE FROM alembic_version",
        "INSERT INTO measurement SELECT id + 1000, trial, bit, 7, parts, view, quantity, zone, value, unit, std_uncertainty, low95, high95, status, note, method, photo, photo_sha256, scale, um_per_px, wearscope_version, measured_at, inspection_id, superseded_by, detection_limit, dof, reasons, checksum FROM measurement WHERE id = 1",
    ],
)  # fmt: skip
def test_a_row_changed_by_another_program(tmp_path, sound, change):
    content, true = sound
    path = tmp_path / "other.sqlite"
    path.write_bytes(content)
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("PRAGMA foreign_keys = OFF")
        plain.execute(change)
    assert outcome(tmp_path, path.read_bytes(), true) == "refused"


def test_a_damaged_row_is_not_built_upon(tmp_path, sound):
    path = tmp_path / "wear-log.sqlite"
    path.write_bytes(sound[0])
    with closing(sqlite3.connect(path)) as plain, plain:
        plain.execute("UPDATE measurement SET value = 18.5 WHERE parts = 5 AND superseded_by IS NULL")
    before = path.read_bytes()
    with pytest.raises(LogError, match=r"wear-log\.sqlite is damaged \(row \d+ of measurement.*restore it"):
        WearLog(path).append(inspection(parts=5), [record(parts=5)])
    assert path.read_bytes() == before


def test_the_checksum_is_one_that_anybody_can_make_again():
    """The SHA-256, of hashlib, of the text that the docstring describes."""
    row = {"id": 7, "b": 0.1, "a": "µm", "c": None, "checksum": "x"}
    text = '["note", "a", "b", "c"]\n["\\u00b5m", 0.1, null]'
    assert checksum_of("note", row) == hashlib.sha256(text.encode()).hexdigest()


def test_a_minus_zero_and_whole_numbers_are_read_as_written(tmp_path):
    """SQLite keeps whole floats as integers: −0.0 comes back as 0.0, and 3 as 3.0."""
    with WearLog(tmp_path / "log.sqlite") as log:
        log.append(inspection(), [record(value=-0.0, low95=-1, high95=3)])
        assert log.current()[0].value == 0
        log.add_note([a_note(value=84)])
        assert log.notes()[0].value == 84
