"""The sample trial that comes with wearscope: where it lies, and a copy of it to try things on."""

from __future__ import annotations

import shutil
from pathlib import Path

from wearscope.errors import WearscopeError

_MARK = ".wearscope-demo"


class FolderTakenError(WearscopeError):
    """A folder that holds something else than a copy of the sample trial."""

    exit_code = 2


def sample_trial_folder() -> Path:
    """Folder of the sample trial, with its ``trial.toml`` and ``photos/``; it is not to be written to.

    An installed wheel holds it inside the package, a checkout beside it.

    Returns
    -------
    Path

    Raises
    ------
    WearscopeError
        The installation is without it.
    """
    package = Path(__file__).resolve().parent
    for folder in (package / "sample_images", package.parent / "sample_images"):
        if (folder / "trial.toml").is_file():
            return folder
    raise WearscopeError(
        "this installation of wearscope holds no sample trial", "install wearscope again, from its wheel"
    )


def copy_sample_trial(folder: Path) -> Path:
    """Copy the sample trial into a folder; files of an earlier copy are put back as they were.

    Parameters
    ----------
    folder : Path
        Made if it is not there.

    Returns
    -------
    Path
        The trial file of the copy.

    Raises
    ------
    FolderTakenError
        The folder holds something else.
    WearscopeError
        It cannot be written, or there is no sample trial.
    """
    source = sample_trial_folder()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()) and not (folder / _MARK).is_file():
            raise FolderTakenError(
                f"{folder} holds other files", "name a new folder, as in: wearscope demo my-demo"
            )
        said = "wearscope demo may write its files over those in this folder.\n"
        (folder / _MARK).write_text(said, encoding="utf-8")
        shutil.copytree(
            source,
            folder,
            ignore=shutil.ignore_patterns("*.py", "__pycache__", "sheet.png"),
            copy_function=shutil.copyfile,  # not the modes: an installation may be read-only
            dirs_exist_ok=True,
        )
    except OSError as error:
        raise WearscopeError(
            f"{folder} cannot be written ({error.strerror or error})", "name a folder that can be"
        ) from error
    return folder / "trial.toml"
