"""Reasons as codes with values, to a table's column and back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wearscope.quantities.reasons import Reason, codes_text, reason, reasons_in

numbers = st.integers(-(10**9), 10**9) | st.floats(allow_nan=False, allow_infinity=False)
texts = st.text(st.characters(blacklist_categories=["Cs"]))
codes = st.sampled_from(["edge-bent", "worn", "land-2-wide"])
names = st.sampled_from(["per_mm", "share", "where", "a_um"])
one = st.builds(lambda code, values: reason(code, **values), codes, st.dictionaries(names, numbers | texts))


@given(st.lists(one, max_size=4))
def test_what_is_written_is_read_back(reasons):
    assert reasons_in(codes_text(reasons)) == tuple(reasons)


@pytest.mark.parametrize("number", [np.float32(0.25), np.float64(0.25), 0.25])
def test_numbers_of_arrays_are_plain_numbers(number):
    assert reason("edge-bent", per_mm=number) == Reason("edge-bent", (("per_mm", 0.25),))
    assert codes_text([reason("edge-bent", per_mm=number, n=np.int64(3))]) == "edge-bent(per_mm=0.25, n=3)"


@pytest.mark.parametrize("code", ["", "Edge", "edge bent", "edge-", "edge(1)"])
def test_codes_are_plain_words(code):
    with pytest.raises(ValueError, match="not a code"):
        reason(code)


@pytest.mark.parametrize("text", ["edge bent", "edge-bent(", "edge-bent; ;"])
def test_what_is_no_list_of_reasons_is_refused(text):
    with pytest.raises(ValueError, match="not written as reasons are"):
        reasons_in(text)
