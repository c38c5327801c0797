"""The list of plausible bugs is aimed at the code as it is; `mutate.py` says which of them the tests notice."""

from __future__ import annotations

import pytest
from mutate import EDITS, LEAST, ROOT, Edit, edits_in, misaimed, part_of


def test_every_edit_finds_its_place():
    edits = edits_in(EDITS)
    assert len(edits) >= 31
    assert misaimed(edits, ROOT) == []


def test_an_edit_without_its_place_is_told(tmp_path):
    (tmp_path / "a.py").write_text("x = max(a, b)\ny = max(a, c)\n")
    once, twice, never, idle = (
        Edit("one", "*.py", old, new, ("a.py",))
        for old, new in ((r"max\(a, b", "min(a, b"), ("max", "min"), ("sum", "max"), ("y", "y"))
    )
    assert misaimed([once], tmp_path) == []
    assert once.places(tmp_path)[0][1] == "x = min(a, b)\ny = max(a, c)\n"
    assert "2 places" in misaimed([twice], tmp_path)[0]
    assert "0 places" in misaimed([never], tmp_path)[0]
    assert "changes nothing" in misaimed([idle], tmp_path)[0]
    assert LEAST >= 0.9


@pytest.mark.parametrize("parts", [1, 3, 7, 500])
def test_the_parts_of_the_list_are_the_list(parts):
    edits = edits_in(EDITS)
    names = [edit.name for n in range(parts) for edit in part_of(edits, f"{n + 1}/{parts}")]
    assert sorted(names) == sorted(edit.name for edit in edits)
    with pytest.raises(ValueError, match="there is no part"):
        part_of(edits, f"{parts + 1}/{parts}")
