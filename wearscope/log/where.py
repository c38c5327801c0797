"""Which log belongs to a folder of results: the file in it, or the database whose address it keeps."""

from __future__ import annotations

from os.path import lexists
from pathlib import Path

from sqlalchemy import make_url

from wearscope.errors import LogError
from wearscope.files import read_file
from wearscope.log.export import make_folder, write_bytes
from wearscope.log.place import LOG_NAME, LogFile, LogPlace
from wearscope.log.postgres import PostgresLog

ADDRESS_NAME = "wear-log.address"
_LONGEST_ADDRESS = 10_000  # bytes


def log_place(folder: Path) -> LogPlace:
    """Where the wear log of a folder is kept.

    Parameters
    ----------
    folder : Path
        Where ``results/`` is.

    Returns
    -------
    LogPlace

    Raises
    ------
    LogError
        The address that is kept there cannot be read.
    """
    kept = folder / ADDRESS_NAME
    if not lexists(kept):  # of a link that leads nowhere, the log is not a file here
        return LogFile(folder / LOG_NAME)
    try:
        address = read_file(kept, _LONGEST_ADDRESS).decode().strip()
    except (OSError, UnicodeDecodeError) as error:
        raise LogError(f"{kept} cannot be read", "say the address of the wear log anew with --log") from error
    return PostgresLog.at(address, folder)


def use_address(folder: Path, address: str) -> LogPlace:
    """Keep the wear log of a folder in a database from now on; the folder remembers its address, without a password.

    Parameters
    ----------
    folder : Path
        Where ``results/`` is.
    address : str
        As of `PostgresLog.at`.

    Returns
    -------
    LogPlace

    Raises
    ------
    LogError
        The address cannot be used, or the folder has a log in a file already.
    """
    place = PostgresLog.at(address, folder)
    file = folder / LOG_NAME
    if file.exists():
        raise LogError(
            f"{file} is the wear log of this folder already",
            f"run wearscope log copy {file} ADDRESS, move the file away, and run again",
        )
    make_folder(folder)
    kept = make_url(address)._replace(password=None).render_as_string()
    write_bytes(folder / ADDRESS_NAME, f"{kept}\n".encode())
    return place
