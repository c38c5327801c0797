"""The commands that look after where the wear log is kept: log check, log copy."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from wearscope.cli.common import OK, REFUSED, JsonOption, complain, print_json
from wearscope.cli.terminal import say

if TYPE_CHECKING:
    from wearscope.log.place import LogPlace

app = typer.Typer(help="Look through a wear log, or copy it to another database.", no_args_is_help=True)
_WHERE = (
    "A trial file, its folder, a wear log, or an address such as postgresql+psycopg://USER@HOST/DATABASE."
)


@app.command()
def check(
    where: Annotated[str, typer.Argument(metavar="LOG", help=_WHERE)] = ".", as_json: JsonOption = False
) -> None:
    """Go through every row of a wear log: each must be as it was written, and what it rests on there."""
    from wearscope.log.upkeep import examine

    place = place_named(where)
    found = examine(place)
    if as_json:
        print_json({"log": str(place), "rows": found.n_rows, "faults": list(found.faults)})
    else:
        say(f"{place}: {_counted(found.n_rows)}")
    complain(found.faults)
    if found.faults:
        complain([f"{place} is damaged; {place.restore}"])
    elif not as_json:
        say("every row is as it was written")
    raise typer.Exit(REFUSED if found.faults else OK)


@app.command()
def copy(
    source: Annotated[str, typer.Argument(metavar="FROM", help=_WHERE)],
    target: Annotated[str, typer.Argument(metavar="TO", help="The same, where there is no wear log yet.")],
) -> None:
    """Copy a wear log with its whole history, and compare every row with what was copied."""
    from wearscope.log.upkeep import copy_log

    old, new = place_named(source), place_named(target)
    say(f"{_counted(copy_log(old, new))} copied to {new}; each was read back and is the same")


def place_named(where: str) -> LogPlace:
    """The wear log that a person names.

    Parameters
    ----------
    where : str
        A trial file, a folder, a wear log, or the address of a database.

    Returns
    -------
    LogPlace
    """
    from wearscope.log.place import LogFile
    from wearscope.log.postgres import PostgresLog
    from wearscope.log.where import log_place

    if "://" in where:
        return PostgresLog.at(where, Path.cwd())
    path = Path(where).absolute()
    if path.is_dir() or path.suffix == ".toml":
        return log_place(path if path.is_dir() else path.parent)
    return LogFile(path)


def _counted(n_rows: dict[str, int]) -> str:
    return (
        ", ".join(f"{count} {name.replace('_', ' ')} rows" for name, count in n_rows.items() if count)
        or "no rows"
    )
