"""Saving a finished file: the one place where this package writes to disk."""

from __future__ import annotations

from pathlib import Path

from targets.errors import TargetError

__all__ = ["save_bytes"]


def save_bytes(content: bytes, path: Path) -> None:
    """Write ``content`` to ``path``, replacing what was there.

    Raises
    ------
    TargetError
        If the file cannot be written.
    """
    try:
        path.write_bytes(content)
    except OSError as error:
        raise TargetError(
            f"{path}: cannot be written ({error.strerror}). "
            "Name a folder that exists and that you may write to."
        ) from error
