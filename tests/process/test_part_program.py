"""Lengths of programs whose paths have a length that is known from geometry."""

from __future__ import annotations

import hashlib
from math import acos, hypot, pi, radians, sqrt

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wearscope.process.part_program import read_program
from wearscope.process.program_words import ProgramRefused
from wearscope.quantities.reasons import reason

START = "G21 G90 G17 G94\nG0 X0 Y0 Z5\nF1000 S18000 M3\n"


@pytest.fixture
def read(tmp_path):
    def read(text):
        path = tmp_path / "part.nc"
        path.write_text(text, encoding="utf-8")
        return read_program(path)

    return read


def cut(read, body, start=START):
    return read(start + body).cut_length_mm


# --- Lines


def test_a_square(read):
    program = read(START + "G1 Z-4\nX100\nY100\nX0\nY0\nG0 Z5\nX50\nM30\n")
    assert program.cut_length_mm == pytest.approx(9 + 400)
    assert program.upright_mm == pytest.approx(9)
    assert program.rapid_mm == pytest.approx(9 + 50), "the first rapid starts where the program does not say"
    assert program.cut_minutes == pytest.approx(0.409)
    assert (program.main_feed_mm_per_min, program.spindle_rpms) == (1000, (18000,))
    assert [move.line for move in program.moves] == [4, 5, 6, 7, 8]
    assert program.remarks == (reason("no-decimal-point"),)


def test_a_diagonal_in_space(read):
    assert cut(read, "G1 X2 Y3 Z-1") == pytest.approx(7)  # 2, 3, 6


def test_modal_words_case_blanks_comments_and_line_numbers(read):
    plain = "G1 X10 Y0\nX10 Y10\n"
    dressed = "%\nO1000 (a square; or not)\nn10 g01x10.y0 ; X99 (not a move)\nN20 (move X50) X 10.0 Y1 (no)\n"
    assert cut(read, plain) == pytest.approx(20)
    assert read(
        "%\n(head)\n" + START + dressed[2:].replace("Y1 ", "Y10 ") + "%\nG1 X999\n"
    ).cut_length_mm == pytest.approx(20)


def test_the_lines_with_which_programs_usually_begin_and_end(read):
    program = read(
        """%
O0001 (PART)
(T1 D=6.35 - FLAT)
N10 G0 G17 G40 G49 G80 G90 G94 G98
N15 G20
N20 G53 G0 Z0.
N25 T1 M6
N30 S18000 M3
N35 G54 M8
N40 G0 X1. Y2.
N45 G43 Z0.6 H1
N50 G4 P2
N55 Z0.2
N60 G1 Z-0.1575 F47.244
N65 Y4. F141.73
N70 G3 X0.5 Y4.5 I-0.5 J0.
N75 G0 Z0.6
N80 G28 G91 Z0. M9
N85 G28 X0. Y0.
N90 G90 M5
N95 M30
%
"""
    )
    assert program.cut_length_mm == pytest.approx(25.4 * (0.3575 + 2 + 0.25 * pi))
    assert program.remarks == ()
    assert program.main_feed_mm_per_min == pytest.approx(3600, abs=0.1)


def test_what_follows_the_end_is_not_cut(read):
    assert cut(read, "G1 X10\nM2\nG1 X99\n") == pytest.approx(10)


def test_a_file_of_another_system(read, tmp_path):
    path = tmp_path / "part.nc"
    content = ("\ufeff" + START + "G1 X10.5\n").replace("\n", "\r\n").encode("utf-8")
    path.write_bytes(content)
    program = read_program(path)
    assert program.cut_length_mm == pytest.approx(10.5)
    assert program.sha256 == hashlib.sha256(content).hexdigest()
    assert program.remarks == ()


def test_a_comment_inside_another_is_one_where_no_control_can_take_it_for_words(read):
    assert cut(read, "G1 (a 6 mm (1/4 in) bit) X10") == pytest.approx(10)
    assert cut(read, "((top) face)\nG1 X10") == pytest.approx(10)


def test_lines_that_ask_the_control_for_its_settings_move_nothing(read):
    assert cut(read, "$I\n$$\n?\n$G\nG1 X10\n") == pytest.approx(10)


def test_no_feed_on_a_rapid_move_is_no_feed_for_the_cut_that_follows(read):
    program = read("G21 G90\nG0 F0 X0 Y0 Z5\nG1 X10\nF500\nX20\n")
    assert program.cut_length_mm == pytest.approx(20)
    assert [move.feed_mm_per_min for move in program.moves] == [None, 500]
    assert program.cut_minutes is None


# --- Drilling cycles: RS274/NGC (NISTIR 6556) 3.5.16, from memory


@pytest.mark.parametrize(
    ("cycle", "mm"),
    [
        ("G81", 7),  # from R2 down to Z-5 at feed rate, up again as a rapid move
        ("G82 P0.5", 7),
        ("G83 Q1", 7),
        ("G73 Q1", 7),
        ("G85", 14),  # bored: out at feed rate too
        ("G89 P0.5", 14),
    ],
)
def test_three_holes(read, cycle, mm):
    program = read(START + f"G98 {cycle} X10 Y10 Z-5 R2 F200\nX20\nX30 Y20\nG80\nG0 X0 Y0\nG1 X10 F1000\n")
    assert program.cut_length_mm == pytest.approx(3 * mm + 10)
    assert program.upright_mm == pytest.approx(3 * mm)
    assert program.cut_minutes == pytest.approx(3 * mm / 200 + 10 / 1000)


def test_each_hole_may_have_its_own_depth_and_r_holds_on(read):
    assert cut(read, "G99 G81 X10 Z-5 R2\nX20 Z-8\nZ-3\nX30 R1\nG80\n") == pytest.approx(7 + 10 + 5 + 4)


@pytest.mark.parametrize(("back", "z"), [("G98", 5), ("G99", 2)])
def test_where_the_tool_is_after_a_hole(read, back, z):
    """G98 goes back to where it came from, Z5, and G99 to R: a cut down from there to Z-1 tells."""
    assert cut(read, f"{back} G81 X10 Z-5 R2\nG80\nG1 Z-1\n") == pytest.approx(7 + z + 1)
    unsaid = read(START + "G81 X10 Z-5 R2\nG80\nG1 Z-1\n")  # then that cut is left out, and that is said
    assert unsaid.cut_length_mm == pytest.approx(7)
    assert "move-left-out" in {remark.code for remark in unsaid.remarks}
    assert cut(read, "G81 X10 Z-5 R5\nG80\nG1 Z-1\n") == pytest.approx(10 + 6)  # both are the same place


def test_holes_in_inches(read):
    assert cut(read, "G98 G81 X1 Y1 Z-0.5 R0.1\n", START.replace("G21", "G20")) == pytest.approx(25.4 * 0.6)


def test_after_a_cycle_moves_are_rapid_only_if_they_were_before(read):
    program = read(START + "G0 X5\nG98 G81 X10 Z-5 R2\nG80\nX50\nG1 X60\n")
    assert program.cut_length_mm == pytest.approx(7 + 10)
    assert "rapid-after-cycle" in {remark.code for remark in program.remarks}
    with pytest.raises(ProgramRefused, match="a coordinate without G0"):
        read(START + "G1 X5\nG98 G81 X10 Z-5 R2\nG80\nX50\n")


# --- Arcs


@pytest.mark.parametrize("direction", ["G2", "G3"])
@pytest.mark.parametrize(
    ("plane", "words"),
    [("G17", "I20"), ("G17", "I-12 J16"), ("G18", "I20"), ("G18", "K-20"), ("G19", "J20"), ("G19", "K20")],
)
def test_a_full_circle(read, direction, plane, words):
    assert cut(read, f"{plane} {direction} {words}") == pytest.approx(2 * pi * 20)


# Quarter and three quarters of a circle of radius 10. G2 is clockwise seen from the positive end of the third axis
# (ISO 6983-1, RS274/NGC; from memory): in G18 that turns X towards Z, in G17 Y towards X, in G19 Z towards Y.
@pytest.mark.parametrize(
    ("plane", "end", "centre", "clockwise"),
    [
        ("G17", "X10 Y10", "I10 J0", 0.25),  # from (0, 0) over the top of the centre (10, 0)
        ("G17", "X10 Y-10", "I10 J0", 0.75),
        ("G17", "X-10 Y10", "I-10 J0", 0.75),
        ("G18", "X10 Z15", "I10 K0", 0.75),  # the start is Z5
        ("G18", "X10 Z-5", "I10 K0", 0.25),
        ("G19", "Y10 Z15", "J10 K0", 0.25),
        ("G19", "Y10 Z-5", "J10 K0", 0.75),
    ],
)
def test_which_way_round(read, plane, end, centre, clockwise):
    whole = 2 * pi * 10
    assert cut(read, f"{plane} G2 {end} {centre}") == pytest.approx(clockwise * whole)
    assert cut(read, f"{plane} G3 {end} {centre}") == pytest.approx((1 - clockwise) * whole)


def test_radius_form(read):
    quarter = 2 * pi * 10 / 4
    for direction in ("G2", "G3"):
        assert cut(read, f"{direction} X10 Y10 R10") == pytest.approx(quarter)
        assert cut(read, f"{direction} X10 Y10 R-10") == pytest.approx(3 * quarter)
    assert cut(read, "G2 X20 Y0 R10") == pytest.approx(pi * 10)
    angle = acos(1 - 7**2 / (2 * 10**2))  # law of cosines for a chord of 7
    assert cut(read, "G3 X7 R10") == pytest.approx(10 * angle)


def test_a_helix(read):
    turn = hypot(2 * pi * 15, 6)
    assert cut(read, "G2 X0 Y0 Z-1 I15") == pytest.approx(turn)
    assert cut(read, "G18 G3 X0 Z5 Y6 I15") == pytest.approx(turn)
    assert cut(read, "G3 X15 Y15 Z8 I15 R0".replace(" R0", "")) == pytest.approx(hypot(0.75 * 2 * pi * 15, 3))
    assert cut(read, "G2 X15 Y15 Z8 R15") == pytest.approx(hypot(0.25 * 2 * pi * 15, 3))


def test_absolute_and_incremental_centres(read):
    there = "G0 X30 Y40\n"
    assert cut(read, there + "G2 X50 Y40 I10 J0") == pytest.approx(pi * 10)
    assert cut(read, there + "G90.1 G2 X50 Y40 I40 J40") == pytest.approx(pi * 10)
    assert cut(read, there + "G91 G90.1 G2 X20 I40 J40") == pytest.approx(pi * 10)
    with pytest.raises(
        ProgramRefused, match=r"line 5: has an arc whose ends lie .* from its centre; .*G90\.1"
    ):
        cut(read, there + "G2 X50 Y40 I40 J40")


def test_rounding_of_the_centre_is_borne(read):
    exact = 10 * radians(30)
    x, y = 10 - 10 * sqrt(3) / 2, 5.0
    body = f"G2 X{x:.3f} Y{y:.3f} I10.002 J0"
    assert cut(read, body) == pytest.approx(exact, abs=5e-3)


# --- Units, feeds, offsets


def test_inches(read):
    program = read("G20 G90 G0 X0 Y0 Z0\nG1 X1 Y1 F100\nG2 X2 Y2 I1\n")
    assert program.cut_length_mm == pytest.approx(25.4 * (sqrt(2) + pi / 2))
    assert program.main_feed_mm_per_min == pytest.approx(2540)


def test_feed_modes_take_the_same_time(read):
    per_minute = read(START + "G1 F1200 X100\nG1 X300").cut_minutes
    inverse = read(START + "G93 G1 X100 F12\nX300 F6").cut_minutes
    per_turn = read(START + "G95 F0.1 S12000 G1 X100\nX300").cut_minutes
    assert per_minute == pytest.approx(0.25)
    assert inverse == pytest.approx(0.25)
    assert per_turn == pytest.approx(0.25)


@pytest.mark.parametrize(
    "body",
    [
        "G93 G1 X100 F12\nX300",  # inverse time holds for one line only
        "G1 X100 F1000\nG20 G1 X9",
        "G1 X100 F1000\nG95 G1 X200",
        "G95 F0.1 S0\nG1 X100",
    ],
)
def test_without_a_feed_there_is_a_length_but_no_time(read, body):
    program = read(START + body)
    assert program.cut_length_mm > 0
    assert program.cut_minutes is None


def test_the_main_feed_is_that_of_the_longest_way(read):
    program = read(START + "G1 Z-4 F600\nX500 F3600\nG0 X0\nG1 X500\nX499 F100\n")
    assert program.main_feed_mm_per_min == 3600


def test_a_shift_of_origin_does_not_stretch_the_path(read):
    assert cut(read, "G1 X10\nG92 X0\nG1 X10") == pytest.approx(20)
    assert cut(read, "G54\nG0 X0 Y0 Z0\nG55\nG0 X100 Y0 Z0\nG1 X110") == pytest.approx(10)
    assert cut(read, "G43 H1 Z5\nG1 Z-1") == pytest.approx(6)
    assert cut(read, "G53 G0 Z0\nG0 X0 Y0 Z2\nG1 X8") == pytest.approx(8)


@pytest.mark.parametrize("lost", ["G28", "G91 G28 Z0\nG90", "M6 T2", "G55", "G52 X10", "G92.1"])
def test_a_move_from_an_unknown_place_is_left_out_and_said(read, lost):
    program = read(START + f"{lost}\nG1 X10 Y0 Z0\nX25\n")
    assert program.cut_length_mm == pytest.approx(15)
    assert "move-left-out" in {remark.code for remark in program.remarks}
    with pytest.raises(ProgramRefused, match="a place that the program does not say"):
        read(START + f"{lost}\nG2 X10 Y0 I5\n")


def test_incremental_moves_need_no_place(read):
    program = read("G21 G91 G1 X30 F1000\nY40\nG2 X20 I10\n")
    assert program.cut_length_mm == pytest.approx(70 + 10 * pi)
    assert "move-left-out" not in {remark.code for remark in program.remarks}


def test_what_is_assumed_is_said(read):
    program = read("G21\nG0 X0.0 Y0 Z0\nG1 X10 F100\nM64 P1\n")
    assert program.remarks == (
        reason("taken-as-absolute", line=2),
        reason("m-word-moves-nothing", line=4, m=64.0),
    )


# --- Refused


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("G41 D1 X10", r"G41 \(cutter compensation\)"),
        ("G42.1 D3", r"G42\.1 \(cutter compensation\)"),
        ("G84 X10 Z-5 R2", r"G84 \(a canned cycle\)"),
        ("G76 X1 Z-1", r"G76 \(a canned cycle\)"),
        ("G81 X10 Z-5", r"G81 \(a drilling cycle\) without Z below R"),
        ("G81 X10 Z-5 R-6", r"G81 \(a drilling cycle\) without Z below R"),
        ("G91 G81 X10 Z-5 R2", r"G81 \(a drilling cycle\) with G18, G19, G91"),
        ("G18 G83 X10 Z-5 R2 Q1", r"G83 \(a drilling cycle\) with G18"),
        ("G81 X10 Z-5 R2 L3", "the word L3"),
        ("G1 X10 F0", "the feed F0"),
        ("M98 P100", "M98 .*subprogram"),
        ("M100", "M100 .*macro"),
        ("G65 P9000", r"G65 \(a macro call\)"),
        ("G1 X10\nO200", "O200 .*subprogram"),
        ("#1 = 5", "# .*variables"),
        ("G1 X[1+2]", r"\[ .*variables"),
        ("o<x> call", "CALL .*macros"),
        ("WHILE 1", "WHILE"),
        ("G5 X1 I1 J1", r"G5 \(a spline\)"),
        ("G68 R45", "G68 .*rotation"),
        ("G33 Z-5 K1", "G33, which is not followed"),
        ("G38.2 Z-5", r"G38\.2, which is not followed"),
        ("G96 S100", "G96"),
        ("G1 A90", "the word A .*rotary"),
        ("G1 X10 U3", "the word U"),
        ("G1 X10 X20", "the word X twice"),
        ("G0 G1 X10", "G0 and G1 together"),
        ("G1 X10 I5", "I without an arc"),
        ("G2 X10", "an arc without a centre"),
        ("G2 I5 R5 X10", "an arc with both a centre and R"),
        ("G2 R10", "a full circle by R"),
        ("G2 X30 R10", "an arc of radius 10 between|an arc of radius 10 mm between"),
        ("G2 X10 I5 P3", "P on the line of a move"),
        ("G2 X10 K5", "K outside the plane"),
        ("G90.1 G2 X10 I5", "an arc whose absolute centre lacks J"),
        ("/G1 X10", "/, which the control may skip"),
        ("G1 X1 2", '"2", which is no word'),
        ("G1 X1,5", '",5", which is no word'),
        ("G1 X", '"X", which is no word'),
        ("G1 X10 (open", "a comment that is not closed"),
        ("G1 (a (b) Y7) X10", "a comment .* one inside another"),
        ("G1 F0 X10", "the feed F0"),
        ("G80\nX10", "a coordinate without G0, G1, G2 or G3"),
        ("G53 G1 X10", "G53 with a move at feed rate"),
        ("G4 Y10", "G4 with Y, Z, S or F"),
        ("G4 X1 P2", "G4 with .* both X and P"),
        ("G4 S2", "G4 with Y, Z, S or F"),
        ("G4 F2", "G4 with Y, Z, S or F"),
        ("G1 X5\nG10 L20 P1 X0", "G10 for the work offset in force"),
        ("G1 X5\nG10 L2 P0 X0", "G10 for the work offset in force"),
        ("G10 L1 P3 Z5", "G10 that sets no work offset"),
        ("G54.1 X5", "G54.1 without P"),
        ("G70", "G70 after another unit"),
        ("G71 P10 Q20", "G71 with other words|the word Q20"),
        ("G71 P10", "G71 with other words"),
        ("G2 X10.031 Y0 I5 J0", "an arc whose ends lie"),
        ("G64 P0.01 E3\nG1 X1 E2", "the word E2"),
        ("L20", "the word L20"),
        ("G1 B0.1", "the word B .*rotary"),
        ("G1 X1e5", '"E5"|the word E'),
        ("G1 X999999", "X999999, more than 100 m"),
        ("T1 M6\nG0 X0 Y0 Z0\nG1 X1\nT2 M6\nG0 X0 Y0 Z0\nG1 X1", "a cut with a second tool"),
        ("G12.7 X1", r"G12\.7, which is not followed"),
        ("Q5", "the word Q5"),
    ],
)
def test_what_is_not_followed_is_refused_by_line(read, body, says):
    line = START.count("\n") + body.count("\n") + 1
    with pytest.raises(ProgramRefused, match=rf"part\.nc, line {line}: has ({says})") as refusal:
        read(START + body + "\n")
    assert "\n" not in str(refusal.value)
    assert refusal.value.cure


def test_no_unit_no_length(read):
    with pytest.raises(ProgramRefused, match=r"line 1: has a length before the unit is said; put G21"):
        read("G90 G0 X0 Y0\nG1 X10 F100\n")


@pytest.mark.parametrize("content", [b"", b"; nothing\n", b"\x89PNG\x00\x01", b"G21 G0 X10\nM30\n"])
def test_no_program(tmp_path, content):
    path = tmp_path / "part.nc"
    path.write_bytes(content)
    with pytest.raises(ProgramRefused, match=r"part\.nc"):
        read_program(path)


def test_a_program_that_is_not_there(tmp_path):
    with pytest.raises(ProgramRefused, match="cannot be read"):
        read_program(tmp_path / "gone.nc")


# --- Dialects: short excerpts written for this test, one for each habit of a post processor


def test_a_unit_said_beside_the_program(tmp_path):
    path = tmp_path / "part.nc"
    path.write_text("G90 G0 X0.0 Y0 Z0\nG1 X10 F100\nM2\n")
    with pytest.raises(ProgramRefused, match=r'line 1: .*G21 .* or give program_unit = "mm" or "inch"'):
        read_program(path)
    for unit, mm in (("mm", 1.0), ("inch", 25.4)):
        program = read_program(path, unit)
        assert program.cut_length_mm == pytest.approx(10 * mm)
        assert program.main_feed_mm_per_min == pytest.approx(100 * mm)
        assert program.remarks == (reason("unit-by-trial", line=1, unit=unit),)


def test_the_programs_own_unit_counts_and_a_contradiction_is_said(tmp_path):
    path = tmp_path / "part.nc"
    path.write_text("G20 G90 G0 X0.0 Y0 Z0\nG1 X10 F100\nM2\n")
    assert read_program(path, "inch").remarks == ()
    program = read_program(path, "mm")
    assert program.cut_length_mm == pytest.approx(254)
    assert program.remarks == (reason("unit-against-trial", line=1, g=20),)


@pytest.mark.parametrize(("code", "mm"), [("G70", 25.4), ("G71", 1.0)])
def test_the_units_of_iso_6983(read, code, mm):
    program = read(f"{code} G90\nG0 X0.0 Y0 Z1\nG1 Z0 F60\nX3 Y4\nM30\n")
    assert program.cut_length_mm == pytest.approx(6 * mm)
    assert program.remarks == (reason("unit-by-iso", line=1, g=float(code[1:])),)


def test_words_that_move_nothing(read):
    plain = read(START + "G1 X10.0\nY10\n")
    dressed = read(
        "G21 G90 G17 G94 G8\nG10 L2 P1 X1 Y2 Z3\nG187 P2 E0.05\nG54.1 P3\nG0 X0 Y0 Z5 A0\nF1000 S18000 M3\n"
        "G64 P0.01 Q0.02\nG4 X2.5\nG28.1\nG1 X10.0\nG54.1 P3\nG10 L20 P5 X7\nY10\n"
    )
    assert dressed.cut_length_mm == pytest.approx(plain.cut_length_mm) == 20
    assert dressed.cut_minutes == pytest.approx(plain.cut_minutes)
    assert dressed.remarks == (
        reason("axis-at-zero", line=5, axis="A"),
        reason("dwell-by-x", line=8),
    )


def test_a_work_offset_by_number_is_an_origin_of_its_own(read):
    program = read(START + "G54.1 P1\nG0 X0.0 Y0 Z5\nG1 X10\nG54.1 P2\nX5\nX9\n")
    assert program.cut_length_mm == pytest.approx(14), "what starts in the other system is left out"
    assert {remark.code for remark in program.remarks} == {"move-left-out"}


@pytest.mark.parametrize(("unit", "borne", "too_far"), [("G21", 0.029, 0.031), ("G20", 0.0019, 0.0021)])
def test_arc_ends_off_by_more_than_rounding_are_said(read, unit, borne, too_far):
    mm = 25.4 if unit == "G20" else 1.0
    start = f"{unit} G90\nG0 X0.0 Y0 Z0\nF10\n"
    program = read(f"{start}G2 X{2 + borne} Y0 I1 J0\n")
    # half a turn on a radius between the two
    assert program.cut_length_mm == pytest.approx(mm * pi * (1 + borne / 2), rel=1e-3)
    (said,) = program.remarks
    assert (said.code, dict(said.values)["off_mm"]) == ("arc-ends-off", pytest.approx(mm * borne, rel=1e-3))
    with pytest.raises(ProgramRefused, match="an arc whose ends lie"):
        read(f"{start}G2 X{2 + too_far} Y0 I1 J0\n")
    assert read(f"{start}G2 X{2 + 2 * borne} Y0 R1\n").cut_length_mm == pytest.approx(mm * pi)
    with pytest.raises(ProgramRefused, match="an arc of radius"):
        read(f"{start}G2 X{2 + 2 * too_far} Y0 R1\n")


def test_rounding_alone_is_not_said(read):
    assert cut(read, "G2 X10.013 Y0 I5 J0\n") == pytest.approx(5.0065 * pi, abs=1e-4)
    assert read(START + "G2 X10.013 Y0 I5 J0\n").remarks == ()


def test_one_turn_of_an_arc_may_be_written(read):
    assert cut(read, "G2 X0 Y0 I5 P1") == pytest.approx(10 * pi)


# --- One path, written in many ways

WHOLE = st.integers(-500, 500)
POINTS = st.lists(
    st.tuples(WHOLE, WHOLE, WHOLE, st.sampled_from(["line", "arc", "wide"])), min_size=1, max_size=8
)


def written(points, *, incremental, inch, centre_absolute):
    """Program through the points (tenths of mm): lines, and arcs by centre and radius."""
    unit = 254.0 if inch else 10.0

    def number(tenths):
        return f"{tenths / unit:.9f}"

    lines = [
        f"{'G20' if inch else 'G21'} G90 G0 X0 Y0 Z0",
        "G91" if incremental else "G90",
        f"F{number(10000)}",
    ]
    lines.append("G90.1" if centre_absolute else "G91.1")
    at = (0, 0, 0)
    for x, y, z, kind in points:
        dx, dy = x - at[0], y - at[1]
        target = (dx, dy, z - at[2]) if incremental else (x, y, z)
        words = " ".join(f"{letter}{number(value)}" for letter, value in zip("XYZ", target, strict=True))
        if kind == "line" or (dx, dy) == (0, 0):
            lines.append(f"G1 {words}")
        else:
            # the centre on the chord's bisector, 0.5 chords aside for a wide arc, on the chord else
            aside = 0.5 if kind == "wide" else 0.0
            i, j = dx / 2 - aside * dy, dy / 2 + aside * dx
            if centre_absolute:
                i, j = i + at[0], j + at[1]
            lines.append(f"G3 {words} I{number(i)} J{number(j)}")
        at = (x, y, z)
    return "\n".join(lines) + "\n"


def known_length(points):
    total, at = 0.0, (0, 0, 0)
    for x, y, z, kind in points:
        chord, rise = hypot(x - at[0], y - at[1]), z - at[2]
        flat = chord
        if kind == "arc":
            flat = pi * chord / 2
        if kind == "wide":  # centre to the left at half a chord: a quarter of a circle of radius chord / √2
            flat = chord / sqrt(2) * pi / 2
        total += hypot(flat, rise)
        at = (x, y, z)
    return total / 10


@settings(max_examples=60, deadline=None)
@given(points=POINTS)
def test_all_ways_of_writing_a_path_agree(tmp_path_factory, points):
    path = tmp_path_factory.mktemp("nc") / "part.nc"
    expected = known_length(points)
    if expected == 0:
        return
    for incremental in (False, True):
        for inch in (False, True):
            for centre_absolute in (False, True):
                path.write_text(
                    written(points, incremental=incremental, inch=inch, centre_absolute=centre_absolute)
                )
                program = read_program(path)
                assert program.cut_length_mm == pytest.approx(expected, abs=1e-6)
                assert program.cut_minutes == pytest.approx(expected / 1000, abs=1e-9)


# --- Whatever stands in the file

ANY_WORD = st.builds(
    "{}{}".format,
    st.sampled_from("GGGGXYZIJKRFSTMNOPABH"),
    st.one_of(
        st.integers(-3, 99),
        st.sampled_from([0, 1, 2, 3, 17, 18, 20, 21, 43, 90, 91, 92, 90.1, 93]),
        st.floats(-50, 50),
    ),
)
ANY_LINE = st.lists(ANY_WORD, max_size=6).map(" ".join) | st.text(max_size=20)


@settings(max_examples=25, deadline=None)  # more of them by tests/fuzz
@given(lines=st.lists(ANY_LINE, max_size=12))
def test_any_file_is_read_or_refused_in_one_line(tmp_path_factory, lines):
    path = tmp_path_factory.mktemp("nc") / "part.nc"
    path.write_bytes(("G21 G90 G0 X0 Y0 Z0 F100\n" + "\n".join(lines)).encode("utf-8", errors="replace"))
    refused = ""
    try:
        program = read_program(path)
    except ProgramRefused as refusal:
        refused = str(refusal)
    assert "\n" not in refused
    if not refused:
        assert 0 < program.cut_length_mm < float("inf")
        assert program.cut_minutes is None or program.cut_minutes > 0
