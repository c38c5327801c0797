"""Any sequence of what can be done to a wear log, beside a model of it in plain lists and dictionaries."""

from __future__ import annotations

import shutil
import tempfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from log_rows import a_note, inspection, record

from wearscope.errors import LogError
from wearscope.log import kept_rows
from wearscope.log.corrections import CorrectionLog, changes, logged
from wearscope.log.identity import IdentityLog, Whose
from wearscope.log.inputs import Inputs, PhotoInputs, ToolInputs, fingerprint_of
from wearscope.log.order import in_order
from wearscope.log.wear_log import WearLog
from wearscope.trial.correction import Correction

TRIAL = inspection().trial


@pytest.fixture(autouse=True)
def few_rows_are_kept_too(monkeypatch):
    monkeypatch.setattr(kept_rows, "WORTH_KEEPING", 1)


NUMBERS = (("edge_recession", "difference"), ("edge_radius", "used"), ("chip_count", "used"))
BITS, FLUTES, PARTS = ("A", "B"), (1, 2), (0, 40)
INPUTS = [
    None,
    *(Inputs(PhotoInputs("ab"), ToolInputs(wedge_angle_deg=beta), "1").named() for beta in (45, 60)),
]

bits, flutes, parts = (st.sampled_from(some) for some in (BITS, FLUTES, PARTS))
inputs = st.sampled_from(INPUTS)
found = st.dictionaries(st.sampled_from(NUMBERS), st.sampled_from([None, 1.5, 2.5]), max_size=3)


class LogMachine(RuleBasedStateMachine):
    """The log, and what must be in it."""

    @initialize(keeps=st.booleans())
    def begin(self, keeps):
        self.folder = Path(tempfile.mkdtemp())
        if keeps:
            (self.folder / "results").mkdir()
        self.path = self.folder / "wear-log.sqlite"
        self.clock = 0
        self.rows = []  # one dictionary for each: record, inputs, until, why
        self.seen: dict[str, str] = {}
        self.inspections = []
        self.notes = []
        self.corrections = []
        self.moves = []  # those that stand: id, old bit, new bit
        self.open()

    def open(self):
        self.log, self.by_hand, self.identity = (
            kind(self.path).__enter__() for kind in (WearLog, CorrectionLog, IdentityLog)
        )

    def teardown(self):
        if hasattr(self, "folder"):
            shutil.rmtree(self.folder)

    def now(self):
        self.clock += 1
        return f"2026-01-01T00:00:{self.clock:05d}"

    # --- what is done

    @rule()
    def reopen(self):
        for log in (self.log, self.by_hand, self.identity):
            log.__exit__(None, None, None)
        self.open()

    @rule(bit=bits, flute=flutes, parts=parts, inputs=inputs, found=found)
    def append(self, bit, flute, parts, inputs, found):
        place = {"bit": bit, "flute": flute, "parts": parts}
        made = inspection(**place, inputs=inputs, inspected_at=self.now())
        records = {
            (q, z): record(
                **place, quantity=q, zone=z, value=v, status="refused" if v is None else "ok", measured_at=made.inspected_at
            )
            for (q, z), v in found.items()
        }  # fmt: skip
        held = self.held(**place)
        same = {
            n for n, row in held.items()
            if n in records and row["record"].value == records[n].value and row["inputs"] == inputs
        }  # fmt: skip
        new = [row for number, row in records.items() if number not in same]
        assert self.log.append(made, records.values()) == len(new)
        stale = [row for number, row in held.items() if number not in same]
        if not new and not stale and self.last_said_the_same(made):
            return
        for row in stale:
            row |= {"until": made.inspected_at, "why": ""}
        self.rows += [{"record": each, "inputs": inputs, "until": None, "why": ""} for each in new]
        self.inspections.append(made)

    @rule(bit=bits, flute=flutes, parts=parts, inputs=inputs, why=st.sampled_from(["blurred", "no edge"]))
    def refuse(self, bit, flute, parts, inputs, why):
        place = {"bit": bit, "flute": flute, "parts": parts}
        made = inspection(**place, inputs=inputs, refusal=why, inspected_at=self.now())
        assert self.log.append(made, []) == 0
        stale = [
            row for row in self.held(**place).values()
            if row["inputs"] is not None and inputs is not None and row["inputs"] != inputs
        ]  # fmt: skip
        if not stale and self.last_said_the_same(made):
            return
        for row in stale:
            row |= {"until": made.inspected_at, "why": why}
        self.inspections.append(made)

    @rule(bit=bits, parts=parts, value=st.sampled_from([70.0, 80.0]))
    def take_note(self, bit, parts, value):
        note = a_note(bit=bit, parts=parts, value=value, noted_at=self.now())
        last = [each for each in self.notes if (each.bit, each.parts) == (bit, parts)]
        added = not last or last[-1].value != value
        assert self.log.add_note([note]) == added
        self.notes += [note] if added else []

    @rule(bit=bits, sha256=st.sampled_from("ab"), column=st.sampled_from([None, 1.0, 2.0]))
    def correct_or_take_back(self, bit, sha256, column):
        before = self.by_hand.current(TRIAL).get(sha256, Correction())
        after = replace(before, transition_px=None if column is None else (column, 0.0))
        place = {"trial": TRIAL, "bit": bit, "flute": 1, "parts": 0, "view": "relief"}
        said = logged(place, sha256, changes(before, after), "Ann")
        self.by_hand.append(said)
        self.corrections += said

    @rule(old=bits, new=st.sampled_from([*BITS, "C"]))
    def move(self, old, new):
        if self.holds(old) and not self.holds(new):
            made = self.identity.move(Whose(TRIAL, old), Whose(TRIAL, new), "Ann")
            self.moves.append((made.move_id, old, new))
            self.rename(old, new)
        else:
            try:
                self.identity.move(Whose(TRIAL, old), Whose(TRIAL, new), "Ann")
            except LogError:
                return
            raise AssertionError("moved what cannot be")

    @precondition(lambda self: self.moves)
    @rule()
    def take_back_a_move(self):
        move_id, old, new = self.moves[-1]
        if self.holds(new) and not self.holds(old):
            self.identity.take_back(move_id, "Ann")
            self.moves.pop()
            self.rename(new, old)

    # --- the model

    def held(self, **place):
        here = [row for row in self.rows if row["until"] is None]
        return {
            (row["record"].quantity, row["record"].zone): row
            for row in here
            if all(getattr(row["record"], name) == value for name, value in place.items())
        }

    def last_said_the_same(self, made):
        here = [
            each
            for each in self.inspections
            if (each.bit, each.flute, each.parts) == (made.bit, made.flute, made.parts)
        ]
        return bool(here) and (here[-1].refusal, here[-1].inputs) == (made.refusal, made.inputs)

    def holds(self, bit):
        return any(each.bit == bit for each in (*self.inspections, *self.notes, *self.corrections))

    def rename(self, old, new):
        def renamed(each):
            return replace(each, bit=new) if each.bit == old else each

        for row in self.rows:
            row["record"] = renamed(row["record"])
        for each in (self.inspections, self.notes, self.corrections):
            each[:] = map(renamed, each)

    # --- what must hold

    @invariant()
    def the_log_holds_what_the_model_does(self):
        history = [
            (row.record, row.inputs, row.superseded_at, row.superseding_refusal) for row in self.log.history()
        ]
        assert history == [(row["record"], row["inputs"], row["until"], row["why"]) for row in self.rows]
        assert self.log.current() == in_order(row["record"] for row in self.rows if row["until"] is None)
        assert self.log.inspections() == self.inspections
        assert [entry.note for entry in self.log.note_history()] == self.notes
        assert self.by_hand.history(TRIAL) == self.corrections
        assert [move.move_id for move in self.identity.moves()] == [move_id for move_id, _, _ in self.moves]

    @invariant()
    def only_what_rests_on_the_present_inputs_is_current(self):
        places = [(bit, flute, n, "relief") for bit in (*BITS, "C") for flute in FLUTES for n in PARTS]
        expected = {place: fingerprint_of(INPUTS[1]) for place in places}
        current = in_order(
            row["record"] for row in self.rows if row["until"] is None and row["inputs"] == INPUTS[1]
        )
        assert self.log.current(trial=TRIAL, expected=expected) == current

    @invariant()
    def all_at_once_is_what_one_by_one_is(self):
        """And its fingerprint is another as soon as anything of it is."""
        places = [(bit, flute, n, "relief") for bit in (*BITS, "C") for flute in FLUTES for n in PARTS]
        for inputs in INPUTS[1:]:
            expected = dict.fromkeys(places, inputs)
            held = self.log.holds(TRIAL, expected)
            fingerprints = {place: fingerprint_of(inputs) for place in places}
            told = (
                self.log.current(trial=TRIAL, expected=fingerprints),
                self.log.history(trial=TRIAL),
                self.log.standing(TRIAL, expected),
            )
            assert (list(held.current), list(held.history), held.standing) == told
            assert self.seen.setdefault(held.fingerprint, repr(told)) == repr(told)


AT_LENGTH = settings(
    max_examples=25, stateful_step_count=20, deadline=None, suppress_health_check=list(HealthCheck)
)


class TestLog(LogMachine.TestCase):
    settings = settings(AT_LENGTH, max_examples=3)


@pytest.mark.statistics
class TestLogAtLength(LogMachine.TestCase):
    settings = AT_LENGTH
