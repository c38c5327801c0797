from __future__ import annotations

import re
from math import pi
from types import SimpleNamespace

import fake_photos as fake
import pytest

from wearscope.errors import TrialError
from wearscope.process.fairness import fair_trial, material_key, unequal_limits
from wearscope.quantities.reasons import reason
from wearscope.report.fairness_words import danger_lines, difference_text, doubt_lines
from wearscope.trial import load_trial

PROGRAM = "G21 G90\nG0 X0.0 Y0 Z5\nS18000 M3\nG1 Z0 F600\nG1 X1000 F3600\nX1000 Y1000\nG0 Z5\nM30\n"


@pytest.fixture
def trial(tmp_path):
    """Give a way to load a trial of bits A and B with some lines changed or added."""
    path = fake.write_trial(tmp_path, bits=("A", "B"))
    (tmp_path / "part.nc").write_text(PROGRAM)
    text = path.read_text()

    def trial(*, whole="", a="", b="", changed=()):
        new = text.replace("[[scale]]", f"{whole}\n[[scale]]", 1)
        for name, more in (("A", a), ("B", b)):
            new = new.replace(f'[[bit]]\nname = "{name}"\n', f'[[bit]]\nname = "{name}"\n{more}\n')
        for old, other in changed:
            assert old in new
            new = new.replace(old, other, 1)
        path.write_text(new)
        return load_trial(path)

    return trial


def told(result):
    return [difference_text(what, result.bits) for what in (*result.unfair, *result.differs)]


def test_bits_under_the_same_conditions_are_fair(trial):
    result = fair_trial(trial())
    assert result.fair
    assert (result.unfair, result.differs, result.dangers) == ((), (), ())
    assert result.doubts == (reason("no-program"),)
    bit = result.bit("A")
    assert (bit.chip_load_mm, bit.tooth_passing_hz, bit.checkpoints) == (0.1, 600, (0, 40, 120))
    assert bit.surface_speed_m_per_min == pytest.approx(pi * 6.35 * 18)
    assert (bit.cut_length_m_per_part, bit.cut_minutes_per_part, bit.cut_length_source) == (None, None, "")
    assert (bit.cut_length_m_per_flute, bit.cuts_per_flute) == (None, None)


@pytest.mark.parametrize(
    ("own", "says"),
    [
        ("feed_mm_per_min = 3000", "feed: A 3600 mm/min; B 3000 mm/min"),
        ("spindle_rpm = 16000", "spindle speed: A 18000 rpm; B 16000 rpm"),
        ("depth_of_cut_mm = 5", "depth of cut: A 4 mm; B 5 mm"),
        ('workpiece = "oak"', 'material: A "15 mm birch plywood"; B "oak"'),
        ('program = "part.nc"', "program: A none named; B part.nc (5a1e7f"),
    ],
)
def test_what_must_not_differ_is_said(trial, own, says):
    result = fair_trial(trial(b=own))
    assert not result.fair
    line, *_ = told(result)
    assert len(result.unfair) == 1
    assert line.startswith(says.partition(" (")[0])


def test_layers_are_not_told_by_their_words_alone():
    assert material_key("3 mm oak on 12 mm birch") != material_key("12 mm oak on 3 mm birch")


def test_a_material_said_otherwise_is_told_once_among_others():
    of = [("A", "15mm  Birch plywood"), ("B", "oak"), ("C", "birch plywood, 15 mm")]
    bits = [SimpleNamespace(bit=bit, workpiece=workpiece) for bit, workpiece in of]
    assert difference_text("material", bits) == 'material: A, C "15mm  Birch plywood"; B "oak"'


def test_the_same_said_otherwise_is_no_difference(trial):
    own = 'workpiece = "15 mm  Birch plywood"\nspindle_rpm = 18000.5\nfeed_mm_per_min = 3600'
    assert fair_trial(trial(b=own)).fair


def test_programs_are_compared_by_content(trial, tmp_path):
    (tmp_path / "copy.nc").write_text(PROGRAM)
    (tmp_path / "other.nc").write_text(PROGRAM.replace("Y1000", "Y999"))
    assert fair_trial(trial(whole='program = "part.nc"', b='program = "copy.nc"')).fair
    result = fair_trial(trial(whole='program = "part.nc"', b='program = "other.nc"'))
    assert result.unfair == ("program",)
    (tmp_path / "other.nc").write_text(PROGRAM.replace("M30", "M98 P7"))
    result = fair_trial(trial(whole='program = "part.nc"', b='program = "other.nc"'))
    assert result.unfair == ("program",), "although its length is refused"


def test_other_checkpoints_are_unfair(trial):
    result = fair_trial(
        trial(changed=[('bit = "B"\nflute = 1\nparts = 120', 'bit = "B"\nflute = 1\nparts = 130')])
    )
    assert told(result) == ["checkpoints: A new, 40, 120; B new, 40, 120, 130"]


def test_a_flute_that_was_left_out_is_said(trial):
    result = fair_trial(
        trial(changed=[('bit = "B"\nflute = 2\nparts = 0', 'bit = "B"\nflute = 2\nparts = 7')])
    )
    assert "flute 2 of B has no photo at new; take it while you can" in doubt_lines(result)
    assert "flute 1 of B has no photo at 7; take it while you can" in doubt_lines(result)


def test_what_flutes_and_diameter_bring_with_them_is_said_but_fair(trial):
    text = [("flutes = 2\ndiameter_mm = 6.35", "flutes = 3\ndiameter_mm = 8")]
    result = fair_trial(trial(whole="cut_length_m_per_part = 2.4", changed=text))
    assert result.fair
    assert told(result) == [
        "flutes: A 3; B 2",
        "diameter: A 8 mm; B 6.35 mm",
        "chip load: A 0.0667 mm; B 0.1 mm",
        "surface speed: A 452 m/min; B 359 m/min",
        "cutting length per flute and part: A 0.8 m; B 1.2 m",
        "cutting time per flute and part: A 13.3 s; B 20 s",
    ]


def test_the_length_comes_from_the_program(trial):
    bit = fair_trial(trial(whole='program = "part.nc"')).bit("B")
    assert bit.cut_length_m_per_part == pytest.approx(2.005)
    assert bit.upright_m_per_part == pytest.approx(0.005)
    assert bit.cut_length_source == "program"
    assert bit.cut_minutes_per_part == pytest.approx(2000 / 3600 + 5 / 600)
    assert bit.cut_length_m_per_flute == pytest.approx(2.005 / 2)
    assert bit.cuts_per_flute == pytest.approx(18000 * (2000 / 3600 + 5 / 600))
    assert (bit.program_feed_mm_per_min, bit.program_rpms) == (3600, (18000,))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("S18000", "S12000", "part.nc asks for S12000, but A is set to 18000 rpm; mend spindle_rpm"),
        ("F3600", "F3000", "part.nc cuts mostly at 3000 mm/min, but A is set to 3600; mend feed_mm_per_min"),
        ("F3600", "F1200", "needs 1.68 minutes at its feeds alone, more than minutes_per_part = 1.5"),
        (" F3?600", "", "gives no feed"),
        ("Y1000", "Y400", "cuts 1.41 m per part, but cut_length_m_per_part is 2; the program's counts"),
        ("M3\n", "M3 M64\n", "part.nc, line 3: M64 is taken to move nothing"),
        ("G90", "", "neither G90 nor G91"),
        ("M30", "M98 P7", "line 8: has M98 (a subprogram or a macro)"),
    ],
)
def test_where_program_and_trial_contradict_each_other(trial, tmp_path, old, new, says):
    whole = 'program = "part.nc"\ncut_length_m_per_part = 2\nminutes_per_part = 1.5'
    assert fair_trial(trial(whole=whole)).doubts == ()
    (tmp_path / "part.nc").write_text(re.sub(old, new, PROGRAM))
    assert any(says in line for line in doubt_lines(fair_trial(trial(whole=whole))))


def test_a_program_that_cannot_be_read_leaves_the_stated_length(trial, tmp_path):
    (tmp_path / "part.nc").write_text(PROGRAM.replace("G1 X1000 F3600", "G41 D1 X1000 F3600"))
    result = fair_trial(trial(whole='program = "part.nc"\ncut_length_m_per_part = 2'))
    assert (result.bit("A").cut_length_m_per_part, result.bit("A").cut_length_source) == (2, "stated")
    assert result.bit("A").cut_minutes_per_part == pytest.approx(2000 / 3600)
    assert len([line for line in doubt_lines(result) if "cutter compensation" in line]) == 1, (
        "said once, not per bit"
    )
    assert result.fair


@pytest.mark.parametrize(
    ("own", "program"),
    [("max_rpm = 16000", PROGRAM), ("max_rpm = 20000", PROGRAM.replace("S18000", "S24000"))],
)
def test_more_than_the_makers_speed_is_a_danger(trial, tmp_path, own, program):
    (tmp_path / "part.nc").write_text(program)
    (line,) = danger_lines(fair_trial(trial(whole='program = "part.nc"', b=own)))
    assert line.startswith("DANGER: B runs at ")
    assert "do not run it" in line


def test_the_makers_speed_itself_is_none(trial):
    assert fair_trial(trial(b="max_rpm = 18000")).dangers == ()


@pytest.mark.parametrize(
    ("own", "says"),
    [
        ("max_rpm = 0", r"max_rpm \(B\) is 0; give revolutions per minute"),
        ("spindle_rpm = -1", r"spindle_rpm \(B\) is -1; give revolutions"),
        ('feed_mm_per_min = "fast"', r"feed_mm_per_min \(B\) is .*; give millimetres per minute"),
        ("depth_of_cut_mm = 0", r"depth_of_cut_mm \(B\) is 0; give millimetres"),
        ('workpiece = " "', r"workpiece \(B\) is .*; give what is cut"),
        ('program = "gone.nc"', r"program \(B\) is .*which is not there"),
        ("program = 7", r"program \(B\) is 7; give the path of the part program"),
    ],
)
def test_wrong_keys_of_a_bit_are_said(trial, own, says):
    with pytest.raises(TrialError, match=says):
        trial(b=own)


@pytest.mark.parametrize(
    "said",
    [
        "15mm birch plywood",
        "15 MM  Birch-plywood",
        "birch plywood".join(["15.0 mm ", ""]),
        "15 mm birch, plywood",
        "birch plywood 15 mm",
        "Birch plywood, 15mm",
    ],
)
def test_a_material_is_the_same_as_a_person_would_say(trial, said):
    assert fair_trial(trial(b=f'workpiece = "{said}"')).fair


@pytest.mark.parametrize(
    "said", ["1.5 mm birch plywood", "15 mm beech plywood", "150 mm birch plywood", "15 in birch plywood"]
)
def test_another_material_is_another(trial, said):
    assert fair_trial(trial(b=f'workpiece = "{said}"')).unfair == ("material",)


SECOND_SCALE = (
    '[[scale]]\nname = "bench 200x"\num_per_px = 1.1\nu_um_per_px = 0.01\nring_angle_deg = 30\n\n[[bit]]'
)


def of_b(photo, more):
    """Change the lines of a photo of B."""
    return [(f'file = "photos/B-{photo}.jpg"\nscale = "bench 60x"', f'file = "photos/B-{photo}.jpg"\n{more}')]


def test_another_microscope_setting_of_one_bit_is_said(trial):
    changed = [("[[bit]]", SECOND_SCALE), *of_b("120-1", 'scale = "bench 200x"')]
    result = fair_trial(trial(changed=changed))
    assert result.fair, "the numbers are in microns whatever the zoom"
    assert told(result) == [
        'microscope setting of the photos: A "bench 60x" (3.5 µm per px); '
        'B "bench 200x" (1.1 µm per px), "bench 60x" (3.5 µm per px)',
        "angle of the lamp ring: A not stated; B 30°, not stated",
    ]
    assert "B was photographed at several scales (1.1 um per px, 3.5 um per px); keep the zoom the same" in (
        doubt_lines(result)
    )


def test_another_view_tilt_or_regrind_is_said(trial):
    assert told(fair_trial(trial(changed=of_b("40-2", 'scale = "bench 60x"\nview_tilt_deg = 5')))) == [
        "tilt of the view: A 0°; B 0°, 5°"
    ]
    assert told(fair_trial(trial(b="regrind = 2"))) == ["reground before the trial: A 0 times; B 2 times"]
    view = [('view = "relief"\nfile = "photos/B-40-2.jpg"', 'view = "rake"\nfile = "photos/B-40-2.jpg"')]
    assert told(fair_trial(trial(changed=view))) == ["view of the photos: A relief; B rake, relief"]


def test_a_limit_that_only_coated_bits_face_is_said(trial):
    life = "[life]\ncoating_loss = 0.8\nedge_radius_um = 40\n"
    bare = [("[[scale]]", f"{life}\n[[scale]]"), ('coating = "ZrN"', 'coating = "none"')]
    result = fair_trial(trial(changed=bare))
    assert unequal_limits(result.bits) == ("coating_loss",)
    assert (
        "the life of B can end by coating loss, that of A cannot: compare them by the other limits too"
        in doubt_lines(result)
    )
    assert unequal_limits(fair_trial(trial(changed=bare[:1])).bits) == ()


def test_one_program_for_two_diameters_is_doubted(trial):
    text = [("diameter_mm = 6.35", "diameter_mm = 8")]
    lines = doubt_lines(fair_trial(trial(whole='program = "part.nc"', changed=text)))
    assert any("part.nc is cut with bits of other diameters (A 8 mm; B 6.35 mm)" in line for line in lines)
    lines = doubt_lines(fair_trial(trial(whole='program = "part.nc"')))
    assert not any("diameters" in line for line in lines)
