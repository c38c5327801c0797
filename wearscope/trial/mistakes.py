"""What is wrong with a file, each mistake with its line."""

from __future__ import annotations

from dataclasses import dataclass, field
from json import dumps
from pathlib import Path
from typing import Any

from wearscope.trial.forms import LISTS, Form
from wearscope.trial.statements import Where, dotted


def shown(value: object) -> str:
    """Value as it stands in TOML, near enough.

    Parameters
    ----------
    value : object

    Returns
    -------
    str
        80 characters at most.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    shown = dumps(value, ensure_ascii=False) if isinstance(value, str) else str(value)
    return shown if len(shown) <= 80 else shown[:77] + "..."


def did_you_mean(near: list[str], otherwise: str) -> str:
    """Cure for a name that is not known.

    Parameters
    ----------
    near : list of str
        Names like it, the nearest first.
    otherwise : str
        Cure where there is none.

    Returns
    -------
    str
    """
    return f'did you mean "{near[0]}"?' if near else otherwise


@dataclass(frozen=True)
class Row:
    """A table of the file as it was read.

    Attributes
    ----------
    where : tuple
        Where it stands.
    table : dict
    found : str
        The photo that a pattern found; "" for a table that stands in the file itself.
    """

    where: Where
    table: dict[str, Any]
    found: str = ""

    def text(self, key: str) -> str | None:
        """Value of a key if it is text.

        Parameters
        ----------
        key : str

        Returns
        -------
        str or None
        """
        value = self.table.get(key)
        return value if isinstance(value, str) else None

    def whole(self, key: str) -> int | None:
        """Value of a key if it is a whole number.

        Parameters
        ----------
        key : str

        Returns
        -------
        int or None
        """
        value = self.table.get(key)
        return value if isinstance(value, int) and not isinstance(value, bool) else None


@dataclass
class Mistakes:
    """What is wrong so far.

    Attributes
    ----------
    path : Path
        Of the file.
    places : dict
        Line by place.
    form : Form
        Kind of file.
    noted : list of (int, str)
        Each mistake with its line; 0 where there is no line to name.
    """

    path: Path
    places: dict[Where, int]
    form: Form
    noted: list[tuple[int, str]] = field(default_factory=list)

    def line(self, where: Where) -> int:
        """Line of a place, else of what it lies in.

        Parameters
        ----------
        where : tuple

        Returns
        -------
        int
            0 where there is no line to name.
        """
        while where and where not in self.places:
            where = where[:-1]
        return self.places.get(where, 0)

    def note(self, where: Where, what: str) -> None:
        """Note a mistake.

        Parameters
        ----------
        where : tuple
        what : str
            What is wrong, and the cure.
        """
        line = self.line(where)
        self.noted.append((line, f"{self.path}, line {line}: {what}" if line else f"{self.path}: {what}"))

    def in_row(self, row: Row, key: str, what: str) -> None:
        """Note a mistake in a table.

        Parameters
        ----------
        row : Row
        key : str
            "" for the table as a whole.
        what : str
            What is wrong with it, and the cure, as it goes on after the name of the key.
        """
        if row.found:
            self.note(row.where, f"photos.pattern finds {row.found}, whose {key} {what}")
            return
        where = (*row.where, key) if key else row.where
        name = row.text("name") or row.text("file")
        of = f" ({name})" if name and row.where[0] in LISTS and key not in ("name", "file") else ""
        self.note(where, f"{dotted(where)}{of} {what}")

    def in_order(self) -> list[str]:
        """Mistakes in the order of the file.

        Returns
        -------
        list of str
        """
        return [what for _, what in sorted(self.noted, key=lambda noted: noted[0])]
