"""The one way to the terminal: what names and remarks hold is shown there, and never obeyed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import typer

from wearscope.texts import visible

if TYPE_CHECKING:
    from rich.console import Console


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
