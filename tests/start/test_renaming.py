"""A renaming that is undone, whatever the names begin with, and stays inside its folder."""

from __future__ import annotations

import pytest

from wearscope.errors import WearscopeError
from wearscope.files import checksum_of
from wearscope.log.export import write_table
from wearscope.start.renaming import COLUMNS, UNDO_NAME, Renaming, rename, undo_renaming


def test_names_that_begin_like_a_formula_come_back(tmp_path):
    (tmp_path / "sub").mkdir()
    pairs = (("-1.jpg", "Wren-0000-1.jpg"), ("=2.jpg", "Wren-0000-2.jpg"), ("sub/+3.jpg", "sub/=3.jpg"))
    for was, _ in pairs:
        (tmp_path / was).write_text(was)
    rename(Renaming(tmp_path, pairs))
    assert all((tmp_path / now).is_file() for _, now in pairs)
    undo_renaming(tmp_path)
    assert [(tmp_path / was).read_text() for was, _ in pairs] == [was for was, _ in pairs]


def test_a_list_that_names_files_elsewhere_is_refused(tmp_path):
    folder, outside = tmp_path / "photos", tmp_path / "outside.txt"
    folder.mkdir()
    outside.write_text("mine")
    write_table(folder / UNDO_NAME, COLUMNS, [("taken.jpg", "../outside.txt", checksum_of(outside))])
    with pytest.raises(WearscopeError, match="names files outside its folder"):
        undo_renaming(folder)
    assert outside.read_text() == "mine"
