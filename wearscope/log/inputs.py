"""What the numbers of a photo rest on: named, told apart by a fingerprint, and compared."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from hashlib import sha256
from typing import Any

NamedInputs = Mapping[str, Any]
"""Values by name, as JSON knows them; what says nothing is left out."""

NEW_STATE = "new_state"
"""Before the names of what the new-state photo rests on, with a dot."""


@dataclass(frozen=True)
class PhotoInputs:
    """What is known of one photo; names are those of the trial file where it has one.

    Attributes
    ----------
    photo_sha256 : str
    scale : str
        Name of its scale; empty for a scale of its own.
    um_per_px, u_um_per_px : float or None
        As stated, in µm per pixel; None where a graticule says it.
    graticule_sha256 : str
        Of the graticule's photo; empty if there is none.
    division_um : float or None
        Pitch of the graticule, in µm.
    ring_angle_deg, u_ring_angle_deg : float or None
        The light, in degrees.
    view_tilt_deg, u_view_tilt_deg : float
        In degrees.
    edge_near : tuple of (column, row)
        As marked in the trial file, in pixels; empty if nothing is marked.
    used_side : str
    tool_at : (column, row), or empty
    corrections : str
        SHA-256 of what a person has said of the photo; empty for nothing.
    same_picture_as : tuple of str
        What else in the trial holds the same picture; empty if nothing does.
    """

    photo_sha256: str
    scale: str = ""
    um_per_px: float | None = None
    u_um_per_px: float | None = None
    graticule_sha256: str = ""
    division_um: float | None = None
    ring_angle_deg: float | None = None
    u_ring_angle_deg: float | None = None
    view_tilt_deg: float = 0.0
    u_view_tilt_deg: float = 1.5
    edge_near: tuple[tuple[float, float], ...] = ()
    used_side: str = ""
    tool_at: tuple[float, float] | tuple[()] = ()
    corrections: str = ""
    same_picture_as: tuple[str, ...] = ()


@dataclass(frozen=True)
class ToolInputs:
    """What is known of a bit; names are those of the trial file.

    Attributes
    ----------
    wedge_angle_deg, u_wedge_angle_deg, helix_angle_deg : float or None
        In degrees; None where the trial file says nothing.
    diameter_mm : float or None
    coating : str
    r_unused_um, u_r_unused_um : float or None
        Edge radius when new, in µm.
    depth_of_cut_mm : float or None
    """

    wedge_angle_deg: float | None = None
    u_wedge_angle_deg: float | None = None
    helix_angle_deg: float | None = None
    diameter_mm: float | None = None
    coating: str = ""
    r_unused_um: float | None = None
    u_r_unused_um: float | None = None
    depth_of_cut_mm: float | None = None


@dataclass(frozen=True)
class Inputs:
    """All that the numbers of one photo rest on.

    Attributes
    ----------
    photo : PhotoInputs
    tool : ToolInputs
    estimator : str
        Version of what measures.
    new_state : PhotoInputs or None
        Of the new-state photo that it is compared with.
    """

    photo: PhotoInputs
    tool: ToolInputs
    estimator: str
    new_state: PhotoInputs | None = None

    def named(self) -> dict[str, Any]:
        """Values by name, as they are kept in the log.

        Returns
        -------
        dict
            What says nothing (None, or empty) is left out, so that an input that a later version adds leaves the
            fingerprints of photos without it as they are.

        Raises
        ------
        ValueError
            A number is not finite.
        """
        values = _values(self.photo) | _values(self.tool) | {"estimator": self.estimator}
        if self.new_state is not None:
            values |= {f"{NEW_STATE}.{name}": value for name, value in _values(self.new_state).items()}
        found: dict[str, Any] = json.loads(inputs_text(values))
        return found


def _values(of: PhotoInputs | ToolInputs) -> dict[str, Any]:
    values = {field.name: getattr(of, field.name) for field in fields(of)}
    return {
        name: value if isinstance(value, str | tuple) else float(value)
        for name, value in values.items()
        if value is not None and not (isinstance(value, str | tuple) and not value)
    }


def inputs_text(named: NamedInputs) -> str:
    """Inputs as JSON, the same text for the same inputs.

    Parameters
    ----------
    named : mapping
        As from `Inputs.named`.

    Returns
    -------
    str

    Raises
    ------
    ValueError
        A number is not finite.
    """
    return _encoded(dict(named))


_encoded = json.JSONEncoder(sort_keys=True, allow_nan=False, separators=(",", ":")).encode


def inputs_in(row: Mapping[str, Any]) -> NamedInputs | None:
    """What an inspection rests on, as its row in the log says.

    Parameters
    ----------
    row : mapping

    Returns
    -------
    mapping or None
        None where it does not say.
    """
    return None if row["inputs"] is None else dict(json.loads(row["inputs"]))


def fingerprint_of(inputs: Inputs | NamedInputs) -> str:
    """SHA-256 of what numbers rest on: the same where all inputs are.

    Parameters
    ----------
    inputs : Inputs or mapping
        A mapping as from `Inputs.named`.

    Returns
    -------
    str
        Hexadecimal digits.

    Raises
    ------
    ValueError
        A number is not finite.
    """
    named = inputs.named() if isinstance(inputs, Inputs) else inputs
    return sha256(inputs_text(named).encode()).hexdigest()


def changed_between(old: NamedInputs, new: NamedInputs) -> tuple[str, ...]:
    """Names of the inputs that differ.

    Parameters
    ----------
    old, new : mapping
        As from `Inputs.named`.

    Returns
    -------
    tuple of str
        In the order of the fields; ``new_state`` alone where there was no new-state photo before, or is none now.

    Examples
    --------
    >>> before = Inputs(PhotoInputs("ab"), ToolInputs(wedge_angle_deg=60), "1").named()
    >>> after = Inputs(PhotoInputs("cd"), ToolInputs(wedge_angle_deg=45), "1").named()
    >>> changed_between(before, after)
    ('photo_sha256', 'wedge_angle_deg')
    """
    names = sorted(old.keys() | new.keys(), key=_rank)
    changed = [name for name in names if name not in old or name not in new or old[name] != new[name]]
    if _has_new_state(old) != _has_new_state(new):
        changed = [name for name in changed if not name.startswith(f"{NEW_STATE}.")] + [NEW_STATE]
    return tuple(changed)


def _has_new_state(named: Iterable[str]) -> bool:
    return any(name.startswith(f"{NEW_STATE}.") for name in named)


_NAMES = [*(f.name for f in fields(PhotoInputs)), *(f.name for f in fields(ToolInputs)), "estimator"]


def _rank(name: str) -> tuple[bool, int, str]:
    own = name.removeprefix(f"{NEW_STATE}.")
    return name != own, _NAMES.index(own) if own in _NAMES else len(_NAMES), own
