"""Why a number is doubtful, refused or worth a remark: a code with values, from which words are made in `report`."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from numbers import Integral

Value = float | int | str

_CODE = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
_ONE = re.compile(r'(?P<code>[a-z0-9-]+)(\((?P<values>(?:[^"()]|"(?:[^"\\]|\\.)*")*)\))?(?:; |$)')
_PAIR = re.compile(r'(?P<key>\w+)=(?P<value>"(?:[^"\\]|\\.)*"|[^,"]+)(?:, |$)')


@dataclass(frozen=True)
class Reason:
    """One reason.

    Attributes
    ----------
    code : str
        Lower-case words joined by hyphens, such as ``worn-flat``.
    values : tuple of (str, float or int or str)
        What the words for it need, by name; lengths say their unit in the name.
    """

    code: str
    values: tuple[tuple[str, Value], ...] = ()

    def __post_init__(self) -> None:
        if not _CODE.fullmatch(self.code):
            raise ValueError(f"not a code of a reason: {self.code!r}")


def reason(code: str, **values: Value) -> Reason:
    """A reason with its values.

    Parameters
    ----------
    code : str
    **values : float or int or str
        numpy's numbers too; what is not whole is kept to six digits.

    Returns
    -------
    Reason

    Examples
    --------
    >>> reason("edge-bent", per_mm=0.034)
    Reason(code='edge-bent', values=(('per_mm', 0.034),))
    """
    return Reason(code, tuple((name, _plain(value)) for name, value in values.items()))


def codes_text(reasons: Iterable[Reason]) -> str:
    """Reasons as they stand in the column ``reasons`` of a table.

    Parameters
    ----------
    reasons : iterable of Reason

    Returns
    -------
    str
        Empty for no reason.

    Examples
    --------
    >>> codes_text([reason("worn-flat"), reason("edge-bent", per_mm=0.034)])
    'worn-flat; edge-bent(per_mm=0.034)'
    """
    return "; ".join(
        each.code
        + (f"({', '.join(f'{key}={_written(value)}' for key, value in each.values)})" if each.values else "")
        for each in reasons
    )


def reasons_in(text: str) -> tuple[Reason, ...]:
    """Reasons from a column of a table; the inverse of `codes_text`.

    Parameters
    ----------
    text : str

    Returns
    -------
    tuple of Reason

    Raises
    ------
    ValueError
        If that is not how reasons are written.

    Examples
    --------
    >>> reasons_in("worn-flat; edge-bent(per_mm=0.034)")[1].values
    (('per_mm', 0.034),)
    """
    found, at = [], 0
    while at < len(text):
        one = _ONE.match(text, at)
        if one is None:
            raise ValueError(f"not written as reasons are: {text!r}")
        pairs = _PAIR.finditer(one["values"] or "")
        found.append(Reason(one["code"], tuple((pair["key"], json.loads(pair["value"])) for pair in pairs)))
        at = one.end()
    return tuple(found)


def _plain(value: Value) -> Value:
    if isinstance(value, str):
        return value
    return int(value) if isinstance(value, Integral) else float(f"{value:.6g}")


def _written(value: Value) -> str:
    return json.dumps(value, ensure_ascii=False)
