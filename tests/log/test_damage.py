"""A damaged log is noticed and never read past: no other rows in silence, no traceback."""

from __future__ import annotations

import hashlib
import os
import random
import re
import sqlite3
from contextlib import closing

import pytest
from log_rows import RADIUS, REMARK, a_note, inspection, record
from seldom import seldom
from sqlalchemy import Connection

from wearscope.errors import LogError
from wearscope.log.checksums import checksum_of
from wearscope.log.corrections import CorrectionLog, changes, logged
from wearscope.log.identity import IdentityLog, Whose
from wearscope.log.inputs import Inputs, PhotoInputs, ToolInputs
from wearscope.log.place import LogFile
from wearscope.log.upkeep import examine
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


# by default every fourth place
@pytest.mark.parametrize(("step", "refused"), [(6, 6), seldom(1, 50)])
def test_flipped_bytes(tmp_path, sound, step, refused):
    """One byte, or a few in a row; in the header, in the schema, in tables, indexes, and in what is unused."""
    content, true = sound
    draw = random.Random(20)
    places = [
        *range(0, 100, 3),
        *draw.sample(range(100, 4096), 50),
        *draw.sample(range(4096, len(content)), 120),
    ]
    seen = {"same": 0, "refused": 0}
    for place in places[::step]:
        broken = bytearray(content)
        for at in range(place, min(place + draw.choice([1, 1, 4]), len(broken))):
            broken[at] ^= draw.randrange(1, 256)
        seen[outcome(tmp_path, bytes(broken), true)] += 1
    assert seen["refused"] > refused, "a good part of the file is in use"


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


def test_a_log_is_looked_through_once_for_all_that_opens_it_by_one_place(tmp_path, sound, monkeypatch):
    """And again as soon as the file is another one: nobody reads on from what was found before."""
    content, _ = sound
    path = tmp_path / "wear-log.sqlite"
    path.write_bytes(content)
    place, looked = LogFile(path), []
    really = Connection.exec_driver_sql

    def counted(self, statement, *more):
        looked.extend(["integrity"] * ("integrity_check" in statement))
        return really(self, statement, *more)

    monkeypatch.setattr(Connection, "exec_driver_sql", counted)
    for kind in (WearLog, IdentityLog, CorrectionLog):
        with kind(place):
            pass
    assert len(looked) == 1
    path.write_bytes(content[:-4096] + bytes(4096))  # the last page lost, the size as it was
    with pytest.raises(LogError), WearLog(place):
        pass
    assert len(looked) == 2


@pytest.fixture
def looked(monkeypatch):
    """How often a whole log was looked through; a small log counts as a large one."""
    monkeypatch.setattr("wearscope.log.place.LARGE_BYTES", 0)
    times, really = [], Connection.exec_driver_sql

    def counted(self, statement, *more):
        times.extend([1] * ("integrity_check" in statement))
        return really(self, statement, *more)

    monkeypatch.setattr(Connection, "exec_driver_sql", counted)
    return times


def opened(path):
    """As by another command."""
    with WearLog(LogFile(path)) as log:
        return log.current()


def test_a_large_log_is_known_again_by_its_content(tmp_path, sound, looked):
    path = tmp_path / "wear-log.sqlite"
    path.write_bytes(sound[0])
    assert opened(path) == opened(path)
    assert len(looked) == 1
    os.utime(path, (1e9, 1e9))  # a copy, or a clock set back: it is the content that counts
    opened(path)
    assert len(looked) == 1
    with WearLog(LogFile(path)) as log:
        log.append(inspection(parts=99), [record(parts=99)])
    opened(path)
    assert len(looked) == 2, "it is another one now"
    assert examine(LogFile(path)).faults == ()
    assert len(looked) == 3, "who asks for it has it looked through"
    opened(path)
    assert len(looked) == 3
    path.with_name(path.name + "-whole").write_bytes(b"0" * 64)
    opened(path)
    assert len(looked) == 4


def test_bytes_flipped_in_a_large_log_that_was_found_whole(tmp_path, sound, looked):
    """With time of change and size as they were: a disk does not tell. One of a word that rows are looked up by, in
    rows and in indexes alike.
    """
    content, true = sound
    path = tmp_path / "wear-log.sqlite"
    path.write_bytes(content)
    assert all_of_it(path) == true
    seen, looked[:] = path.stat(), []
    words = [found.start() for found in re.finditer(b"edge_radius", content)]
    for place in random.Random(8).sample(words, 10):
        broken = bytearray(content)
        broken[place] ^= 1
        path.write_bytes(broken)
        os.utime(path, ns=(seen.st_atime_ns, seen.st_mtime_ns))
        with pytest.raises(LogError, match="damaged"):
            all_of_it(path)
    assert len(looked) == 10, "each was another file"


def test_a_large_log_is_looked_through_where_its_checksum_cannot_be_made(
    tmp_path, sound, looked, monkeypatch
):
    path = tmp_path / "wear-log.sqlite"
    path.write_bytes(sound[0])
    monkeypatch.setattr("wearscope.log.known_again.sys.executable", str(tmp_path / "no-such-program"))
    opened(path)
    opened(path)
    assert len(looked) == 2
    assert not path.with_name(path.name + "-whole").exists()
