"""The one way to the terminal: what names and remarks hold is shown there, and never obeyed."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

# Control characters but for the line feed (ISO/IEC 6429), what turns the direction of writing (Unicode Standard
# Annex 9), line and paragraph separators, and bytes of a name that is no UTF-8 (PEP 383).
_UNSAFE = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u061c\u200e\u200f\u2028-\u202e\u2066-\u2069\ud800-\udfff]")


def visible(text: str) -> str:
    r"""Text whose control characters are written out, so that a terminal shows them and does nothing else.

    Parameters
    ----------
    text : str

    Returns
    -------
    str

    Examples
    --------
    >>> print(visible("Wren\x1b]52;c;cm0=\x07"))
    Wren\x1b]52;c;cm0=\x07
    """
    return _UNSAFE.sub(lambda found: found[0].encode("unicode_escape").decode("ascii"), text)


def say(text: str = "", *, err: bool = False) -> None:
    """Print text.

    Parameters
    ----------
    text : str
    err : bool
        Whether on standard error.
    """
    typer.echo(visible(text), err=err)


def console_for(*, stderr: bool) -> Console:
    """Console that prints text as it is given, but for what `visible` writes out.

    Parameters
    ----------
    stderr : bool
        Whether it is that of standard error.

    Returns
    -------
    Console
    """
    from rich.console import Console
    from rich.text import Text

    class Plain(Console):
        def render_str(self, text: str, *arguments: Any, **options: Any) -> Text:  # noqa: ANN401 - rich's own
            return super().render_str(visible(text), *arguments, **options)

    return Plain(stderr=stderr, highlight=False, markup=False, emoji=False)
