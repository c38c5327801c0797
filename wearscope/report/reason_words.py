"""Words for reasons: why a number is doubtful or refused, what to do about it, and what else is to be said of it."""

from __future__ import annotations

from collections.abc import Iterable
from string import Formatter

from wearscope.quantities.quantity import quantity_of
from wearscope.quantities.reasons import Reason, Value

WORDS: dict[str, str] = {
    # the edge itself
    "no-tool-edge": "nothing in this picture looks like the cutting edge of a tool; check that it is the right "
    "picture, or mark the edge with edge_near",
    "edge-disputed": "another line in this photo may be the cutting edge; look where it was taken, and mark the edge "
    "with edge_near",
    "edge-beside-marks": "the edge was found {off_px:.0f} pixels beside the points of edge_near; look where it was "
    "taken, and put the points on the edge",
    "edge-leaps": "the line leaps by {moved_um:.0f} µm where the used edge begins, more than an edge wears back: it "
    "may be broken, or two lines; look at it, and mark the edge with edge_near",
    "edge-by-look": "the edge was told by the look of the picture alone; look where it was taken, and mark it with "
    "edge_near",
    "tool-side-disputed": "it is not plain on which side of the edge the tool lies; give a place on the tool with "
    "tool_at",
    "no-rounding-seen": "nothing in the light across this line shows that it is a rounded edge, as a tool has; if it "
    "is the tool, state r_unused_um of the bit, mark the edge with edge_near, or put a white card behind the flute",
    "no-grain": "the face shows no grinding marks and no grain at all, as a print or a drawing; switch off the noise "
    "reduction of the camera, focus on the edge, or mark the edge with edge_near",
    "edge-faint": "the edge hardly stands out from what lies beside it; mark it with edge_near, or put a white card "
    "behind the flute",
    "photo-shaken": "the photo is softer than light across a still edge would be, as when the microscope or the bit "
    "moves; clamp both and take it again",
    "light-unlike-an-edge": "the photo is in focus, but the light across the edge is not that of a rounded edge: it "
    "may be broken, burnt out or covered; look at it, clean it, and dim the lamp",
    "new-state-edge-doubtful": "the edge of the new-state photo is doubtful; see its rows",
    # the transition, and the zones beside it
    "no-sign-of-wear": "no sign of wear begins or ends in this photo; photograph the place where the used edge ends",
    "used-side-unknown": "the photo does not tell on which side of the transition the edge is used, or its signs "
    "contradict each other; say so with used_side in the trial file",
    "band-alone": "nothing but the light along the edge shows where the used edge ends; look whether it ends there, "
    "or set the transition by hand",
    "place-unconfirmed": "the edge brightens along its length without a plain end of wear beside it; look whether "
    "the used edge ends there, or set the transition by hand",
    "zone-out-of-frame": "hardly any {zone} edge is in the frame beside the transition; photograph the place where "
    "the used edge ends",
    "nothing-to-compare-with": "no used edge beside an unused one is in this photo, and there is no new-state photo "
    "to compare with; photograph the transition",
    "longer-than-the-cut": "more used edge than the programmed {depth_mm:g} mm; check the scale and the depth of cut",
    "no-new-state-photo": "there is no new-state photo; photograph each flute before it cuts",
    "faint-marks": "along the edge only roughly: the grind marks are faint",
    # photos in the order of wear
    "new-state-shows-wear": "the new-state photo shows where a used edge begins, as no new flute does; look whether "
    "the files of this flute are exchanged, or whether it had cut before",
    "less-wear-than-before": "{quantity:label} is {now:.3g}{unit:behind} here and was {before:.3g}{unit:behind} "
    "after {parts} parts, and wear does not heal; look whether the files of these two photos are exchanged, then at "
    "what each shows",
    "more-wear-than-later": "{quantity:label} is {before:.3g}{unit:behind} here and only {now:.3g}{unit:behind} "
    "after {parts} parts, and wear does not heal; look whether the files of these two photos are exchanged, then at "
    "what each shows",
    "edge-stands-out": "the edge stands {out_um:.0f} um farther out than when new, and wear only takes away; look "
    "whether the files of this flute are exchanged, and clean off resin",
    # the scale
    "scale-doubtful": "it rests on a scale that is doubtful: clear up what is said of it, or photograph the "
    "graticule again",
    "field-implausible": "at this scale the picture would be {field_mm:.2g} mm wide, which a microscope's picture "
    "of a flute hardly is: is um_per_px, or the graticule's division_um, really right?",
    "field-wider-than-bit": "at this scale the picture would be {field_mm:.2g} mm wide, and the bit measures "
    "{diameter_mm:g} mm: is um_per_px, or the graticule's division_um, really right?",
    "scale-against-file": "the file itself says {file_um_per_px:.4g} um per px, quite another scale: is um_per_px, "
    "or the graticule's division_um, really right?",
    "scale-against-cut": "this scale makes more than twice as much used edge as the programmed {depth_mm:g} mm of "
    "cut: is um_per_px, or the graticule's division_um, really right?",
    "sharper-than-light": "an edge blurred by {blur_um:.2g} um is sharper than light allows: is um_per_px, or the "
    "graticule's division_um, really right?",
    # recession and radius
    "wedge-too-blunt": "at a wedge angle of 90° or more a face view does not show the rounding as recession; "
    "photograph the edge in profile, or check wedge_angle_deg and view_tilt_deg",
    "view-too-tilted": "the view is tilted so far that the other face, not the rounding, makes the outline; "
    "photograph the edge in profile, or check wedge_angle_deg and view_tilt_deg",
    "view-tilt-untried": "the view is tilted by more than {most_deg:g}°, further than was tried; photograph the face "
    "more nearly square to the camera, or check view_tilt_deg",
    "nearly-too-blunt": "so near a wedge angle of 90° the rounding hardly shows as recession; photograph the edge in "
    "profile",
    "angles-unsure": "the wedge angle may well be off by {u_wedge_deg:.0f}° and the view's tilt by "
    "{u_tilt_deg:.1f}°, and most of what makes this number unsure comes from there; find out the wedge angle (90 "
    "less rake less clearance, or a photo of the end of the bit) and give wedge_angle_deg with u_wedge_angle_deg",
    "edge-bent": "the edge is bent ({per_mm:.3f} per mm) as on a helical flute; give the bit's helix_angle_deg",
    "zone-too-short": "no zone long enough to average over; show more of the edge, beside the transition, sharp and "
    "lit",
    "light-of-no-edge": "the light across the edge is not that of a clean rounded edge; clean off resin, or re-shoot",
    "no-lamp-mirrored": "the edge has moved but mirrors no lamp, as a rounded edge does: it is broken off, or the "
    "light is too diffuse; look at it in profile, or take it again under the lamp ring alone",
    "flat-beside-rounding": "there is, or may be, a worn flat beside the rounding: the edge has no one radius; see "
    "the wear land",
    "recession-against-radius": "recession and radius contradict each other (this radius recedes by "
    "{expected_um:.0f} um); check wedge_angle_deg, clean the edge, or the edge is not rounded evenly",
    "no-circular-edge": "the outline of the edge and the lamp's image on it do not belong to one evenly "
    "rounded edge seen squarely: rounded unevenly, dirty, or tilted; clean it, check wedge_angle_deg and "
    "view_tilt_deg, or look at it in profile",
    "edge-line-wanders": "no transition is seen, yet the edge line wanders by {rms_um:.0f} um; set the transition by "
    "hand, or clean the edge and look for a break",
    "not-grown": "grown by no more than this photo can show",
    "radius-not-seen": "the light across the edge does not show how large its radius is, so that this is mostly what "
    "is assumed of carbide; state r_unused_um if known, put a white card behind the edge, state the ring angle, or "
    "photograph it larger",
    "radius-assumed": "from a broad assumption for ground or coated carbide; state r_unused_um if known",
    # coating
    "coating-like-carbide": "the coating is as grey as bare carbide, so its colour does not tell where it is gone; "
    "judge the edge by recession and radius",
    "coating-colour-unread": "the coating's colour cannot be read here; light the face evenly and save the photo in "
    "colour",
    "coating-colour-noisy": "the coating's colour scatters so much from pixel to pixel that bare carbide would not "
    "stand out; give the face more light, and save the photo with less compression",
    "edge-covered": "something lies over {share:.0%} of this part of the edge and colours what is beside it; take it "
    "away and take the photo again",
    "band-unread": "more than half of the band cannot be read; re-shoot with less glare",
    "coating-faint": "the coating's colour hardly differs from that of bare carbide, so uneven light may pass for "
    "loss or hide it; judge the coating by eye",
    "coating-ends-in-rounding": "the coating seems to end within the edge's own rounding, which mirrors the lamps "
    "and hides its colour; soften the light, or judge the coating by eye",
    "other-zone-missing": "needs both zones; see their rows",
    "colour-unread": "colour not readable in {share:.0%} of the band",
    # wear land
    "face-out-of-frame": "too little of the relief face beside the used edge is in the frame; leave room for 0.3 mm "
    "of it",
    "coating-may-end": "this may be no more than where the coating ends; look at the edge in profile, or take the "
    "photo again with a white card behind and the grinding marks in sight",
    "ragged-flat": "its inner end is ragged, as that of a stain is; clean the face and take the photo again",
    "patchy-flat": "its inner end shows along {share:.0%} of the used edge only; light the face evenly, clean it, "
    "and take the photo again",
    "shaded-flat": "the light on it fades inward, as a lamp's image in a rounded edge does; look at the edge in "
    "profile",
    "two-toned-flat": "it is brighter than the face along one part of the edge and darker along another; "
    "light it evenly",
    "tinted-flat": "it differs in colour too, as a stain does; clean the face and take the photo again",
    "original-edge-unseen": "the original edge line is not in the photo; show the unused edge beside the used one",
    "land-from-todays-edge": "its width is taken from today's edge line and lacks what the edge has moved back; "
    "for the original line show more of the unused edge beside the used one, or take a photo of the new state",
    "flat-or-rounding": "so narrow a band may as well be the rounded edge; look at the edge in profile",
    "end-of-contact-by-land": "which part of the edge is used is told by this land alone; set used_side",
    "no-flat": "no worn flat seen inside the rounded edge; one narrower than the rounding would be hidden in it",
    "wider-at-transition": "wider at the transition, {width_um:.0f} um, which is left out",
    # chips
    "edge-line-unclear": "the edge line cannot be followed closely enough here; give the edge and what lies behind "
    "it a different brightness, show at least 1 mm of it, and focus on it",
    "shallow-chips-hidden": "this photo shows only notches deeper than {depth_um:.0f} um; put a white card behind "
    "the flute",
    "break-melts": "a break shows bare carbide, which may be as bright as what lies behind it: this may be less "
    "deep; take the photo with a darker card",
    "no-chip": "none deeper than {depth_um:.0f} um",
    "what-a-chip-is": "a chip is a notch more than {depth_um:.0f} um deep and at most {length_um:.0f} um long",
    # the edge of a part
    "cut-edge-unclear": "the edge of the part's top layer cannot be followed: it hardly differs from the ground "
    "beside its own grain; lay a card of quite another brightness beside it, light it evenly, and show at least 2 mm",
    "little-whole-edge": "hardly any of the edge is whole, so where it was cut is not known; show more of it",
    "layer-below-alike": "beside the edge lies what may be the top layer or what shows where it is broken out; take "
    "the photo with light from the side, or judge the part by eye",
    "what-a-tear-out-is": "counted from {depth_um:.0f} um deep and {length_um:.0f} um long; where what lies under "
    "the top layer looks like it, a break-out is not seen",
    # resin
    "resin-beads": "the gap between two beads of resin looks like a chip; clean the edge and take the photo again",
    "resin-left-out": "resin on {share:.0%} of the used edge, left out",
    "resin-covers": "resin covers {share:.0%} of the {where} and hides its wear; clean it and take the photo again",
    # a profile view
    "outline-burnt-out": "the bright side is burnt out ({share:.0%}), which moves the outline; dim the light",
    "second-outline": "further out another line runs along the outline ({step:.0%} of its contrast), as where a "
    "bright land melts into the ground; put the tool before a ground darker or brighter than all of it",
    "outline-rimmed": "right beside the outline the light is {share:.0%} of the contrast off that further away: a "
    "bright rim, or another ground behind one face; light it evenly before a plain ground",
    "faces-unlike-sharp": "one face is sharper than the other; point the camera along the edge and focus again",
    "rounding-hidden": "much of the rounding is hidden or broken; clean the section",
    "rounding-rough": "the rounding is rough or chipped ({misfit_um:length} off a smooth curve)",
    "rounding-lopsided": "the rounding is no circle: it leaves face a {a_um:length} and face b {b_um:length} from "
    "where both would meet",
    "rounding-pointed": "the rounding is no circle: at the tip its radius is {tip_um:length}, of the arc between the "
    "faces {arc_um:length}",
    "rounding-too-small": "the rounding is too small to tell its two sides apart; use more magnification",
    "side-of-face": "face {face} is on the {side} when the photo is turned so that the tip points up",
    "ratio-of-faces": "of face a over face b",
    # the scale
    "scale-as-stated": "as stated; pixels taken as square",
    "scale-of-the-file": "read from the file ({source}), not measured: taken as good to {u_share:.1%}; photograph a "
    "graticule to do better",
    "file-axes-unequal": "the file states unequal axes, {um_per_px_x:.5g} and {um_per_px_y:.5g} um per pixel",
    "scale-by-hand": "scale from {how}",
    "scale-of-this-photo": "scale stated for this photo",
    "zoom-of-new-state": "zoom {zoom:.4f} against the new-state photo; scale {um_per_px:.4f} um per px follows "
    "from it",
    "other-scale-in-file": "the file itself says {um_per_px:.4g} um per px ({source}), which was not used",
    "lines-few": "only {n} lines: take in {enough} or more",
    "lines-scatter": "the lines scatter: good to {u_share:.1%} only; a sharper picture does better",
    "scale-changes": "the scale changes by {share:.2%} over the lines: tilt or lens distortion; lay the scale "
    "flat and square to the camera",
    "lines-between": "lines between the divisions counted: make sure division_um is the distance of those counted",
    "axes-differ": "the axes differ by {share:.2%}: the picture has been stretched, or the scale is tilted; each "
    "length goes by its own axis, so lay the scale flat, and save photos as they come from the camera",
    "lens-strong": "the lens distorts by {share:.1%} at the corners, more than is taken out surely; use a longer "
    "working distance or a better lens, or keep edge and scale near the middle",
    "lens-uncertain": "the lens's distortion is known to {u_share:.1%} of a length only; let the ruled scale "
    "cross the whole frame, from corner to corner",
    "lens-taken-out": "{kind} distortion of {share:.2%} at the corners taken out of every photo of this scale, "
    "lengths then good to {u_share:.2%} over the frame",
    "lens-left-in": "the photo is not as large as that of its graticule, so the lens's distortion of {share:.1%} is "
    "left in it; save photos whole, as they come from the camera",
    "lines-seen": "{n} lines {pitch_px:.5g} px apart at {angle_deg:.1f}°",
    "axes-of-one-direction": "one direction only: pixels taken as square to {u_share:.1%}",
    "axes-of-two-directions": "two directions: both axes measured",
    "lines-with-halo": "the ground beside its lines is brighter by {share:.0%} of their depth: the camera "
    "sharpens or enlarges its pictures; switch sharpening off, and save them in the size of its sensor",
    "division-against-field": "the picture would be {field_mm:.2g} mm wide, which one of a flute hardly is: is "
    "division_um really {division_um:g}? If it is, state um_per_px and u_um_per_px instead",
    "division-against-lines": "the lines would be {line_um:.0f} um thick and the picture {field_mm:.2g} mm "
    "wide, as if a scale of {finer_um:g} um were taken for one of {division_um:g}: is division_um really "
    "{division_um:g}? If it is, state um_per_px and u_um_per_px instead",
    # the lamp ring
    "pin-seen": "from a pin {diameter_px:.0f} px thick",
    "pin-sides-unseen": "its sides are not seen, the diameter is that of the stated scale",
    "pin-one-sided": "its two sides differ by {differ_deg:.0f} degrees; bring pin and flute to the middle of "
    "the view, and the microscope square to them",
    # the photo
    "light-seen": "{background} background, contrast {contrast:.2f}, {burnt_out:.1%} of the edge burnt out",
    "outline-seen": "contrast {contrast:.2f}, contour to {scatter_um:.2g} um",
}
"""Template of the words of each code, in plain ASCII units; a refusal and a doubt end with what helps."""


class _Values(Formatter):
    """`str.format`, and ways to write a length, a quantity by its key, and a unit that stands behind a number."""

    def format_field(self, value: Value, format_spec: str) -> str:
        if format_spec == "length":
            return f"{value:.3g} um" if float(value) < 1000.0 else f"{value:.0f} um"
        if format_spec == "label":
            return quantity_of(str(value)).label
        if format_spec == "behind":
            return "" if value == "1" else f" {value}"
        return str(super().format_field(value, format_spec))


def words_of(reason: Reason) -> str:
    """What a reason says to people.

    Parameters
    ----------
    reason : Reason
        One of a newer version's log that is not known here stands under its code.

    Returns
    -------
    str
        In plain ASCII units, without a full stop.

    Examples
    --------
    >>> from wearscope.quantities.reasons import reason
    >>> words_of(reason("wider-at-transition", width_um=31.2))
    'wider at the transition, 31 um, which is left out'
    """
    template = WORDS.get(reason.code)
    if template is None:
        return reason.code.replace("-", " ")
    return _Values().vformat(template, (), dict(reason.values))


def note_of(reasons: Iterable[Reason]) -> str:
    """Reasons as the note of a row.

    Parameters
    ----------
    reasons : iterable of Reason

    Returns
    -------
    str
        Each one's words, in their order; empty for no reason.
    """
    return "; ".join(map(words_of, reasons))
