"""Read a small hand-written text file of a session, and quote from it safely."""

from __future__ import annotations

from pathlib import Path

from lab.errors import SessionError

__all__ = ["read_text", "shown"]

# A session of 10 000 frames has a frames.csv of about 1 MB; more is no table of ours.
_MAX_BYTES = 10_000_000


def read_text(path: Path) -> str:
    """Text of a UTF-8 file; a byte-order mark, as spreadsheets write it, is dropped.

    Parameters
    ----------
    path : Path
        File to read.

    Returns
    -------
    str

    Raises
    ------
    SessionError
        If it is no regular file, cannot be read, is larger than 10 MB, or is not UTF-8.
    """
    if not path.is_file():  # a folder, or a pipe that would block for ever
        raise SessionError(f"{path}: this is no regular file. Put a text file there.")
    try:
        with path.open("rb") as stream:
            content = stream.read(_MAX_BYTES + 1)
    except OSError as error:
        raise SessionError(
            f"{path}: cannot be read ({error.strerror}). Allow reading it and try again."
        ) from error
    if len(content) > _MAX_BYTES:
        raise SessionError(
            f"{path}: larger than {_MAX_BYTES // 1_000_000} MB, so it cannot be a table written "
            "for a session. Put the right file in its place."
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SessionError(
            f"{path}: byte {error.start} is not UTF-8 text. Save the file as UTF-8."
        ) from error


def shown(value: object) -> str:
    """A value as it may stand in a message: one line, short, no control characters."""
    try:
        text = repr(value)  # escapes what cannot be printed
    except ValueError:  # a whole number with too many digits to print
        return "a huge number"
    return text if len(text) <= 60 else text[:57] + "..."
