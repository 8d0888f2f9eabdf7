"""The location of notebooks and sample data: in an installed package, or beside the source."""

from __future__ import annotations

import shutil
from pathlib import Path

from dtfexp.describe.errors import DtfexpError

_PACKAGE = Path(__file__).resolve().parent.parent


def notebook_folder() -> Path:
    """Return the folder of the notebooks shipped with dtfexp; ``DtfexpError`` when missing."""
    return _shared("notebooks")


def sample_folder() -> Path:
    """Return the folder of sample sessions and sheets; ``DtfexpError`` when missing."""
    return _shared("data")


def _shared(name: str) -> Path:
    for folder in (_PACKAGE / "share" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise DtfexpError(f"the {name} that belong to dtfexp are missing; install dtfexp again")


def copy_if_absent(folder: Path) -> list[Path]:
    """Copy notebooks and sample data into ``folder``, leaving existing files alone.

    Returns the files written. Raises ``DtfexpError`` in one line when the folder cannot be used.
    """
    written = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for source in (notebook_folder(), sample_folder()):
            for file in sorted(source.iterdir()):
                target = folder / file.name
                if file.is_file() and not target.exists():
                    shutil.copyfile(file, target)
                    written.append(target)
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise DtfexpError(f"{folder}: cannot put the notebooks there ({reason}); choose a folder "
                          "you may write to") from None  # fmt: skip
    return written
