"""The trial file of a folder of pictures, written only where there is none and only if it can be read."""

from __future__ import annotations

import secrets
from pathlib import Path

from wearscope.errors import WearscopeError
from wearscope.start.errors import StartError
from wearscope.trial import load_trial

TRIAL_NAME = "trial.toml"


def require_no_trial(folder: Path) -> Path:
    """Where the trial file of a folder goes.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    Path

    Raises
    ------
    StartError
        There is one already.
    """
    target = folder / TRIAL_NAME
    if target.exists() or target.is_symlink():
        raise StartError(
            f"{target} is there already and stays as it is",
            f"measure it with wearscope measure {target}, or move it away and start again",
        )
    return target


def write_trial(target: Path, text: str) -> None:
    """Write a trial file, after it was read back as every command reads it.

    Parameters
    ----------
    target : Path
        Must not be there.
    text : str

    Raises
    ------
    WearscopeError
        It cannot be written, or would not be accepted.
    """
    draft = target.with_name(f".{target.name}.{secrets.token_hex(6)}")
    try:
        try:
            draft.write_text(text, encoding="utf-8")
            load_trial(draft)
            with target.open("x", encoding="utf-8") as file:
                file.write(text)
        finally:
            draft.unlink(missing_ok=True)
    except FileExistsError:
        require_no_trial(target.parent)
    except OSError as error:
        raise WearscopeError(
            f"{target} cannot be written ({error.strerror})", "check that the folder is writable"
        ) from error
