"""How is a bundle's archive written and read, whoever made it?

A zip archive of a few known members. Nothing is ever unpacked to disk, every size is counted
while it is read and not believed, and what is none of ours is a ``LabError``. The same
members give the same bytes.

Left out: what the members mean (``lab.session.bundle``).
"""

from __future__ import annotations

import stat
import zipfile
import zlib
from collections.abc import Collection, Mapping
from io import BytesIO
from pathlib import Path
from typing import NoReturn

from lab.errors import LabError
from lab.session.text_file import shown

__all__ = [
    "CURVES_NAME",
    "LIMITS",
    "MANIFEST_NAME",
    "archived",
    "archived_members",
    "member_text",
    "refuse",
]

MANIFEST_NAME, CURVES_NAME = "manifest.json", "curves.f64"
# Largest uncompressed size of each member: 1000 frames of 36 edges need 60 MB of curves, a
# trial's frame of 24 megapixels 2 MB. Together below 240 MB.
LIMITS = {
    MANIFEST_NAME: 100_000,
    "session.toml": 200_000,
    "target.json": 16_000_000,
    "frames.json": 40_000_000,
    CURVES_NAME: 120_000_000,
    "result.json": 30_000_000,
    "trials.json": 30_000_000,
}
_MOST_BYTES = 150_000_000  # of the file
_CHUNK = 1 << 16
_MOST_DIRECTORY = 4096  # bytes: six entries of ours take 400
_END, _END_64, _END_SIZE = b"PK\x05\x06", b"PK\x06\x07", 22
_ZIP_DATE = (1980, 1, 1, 0, 0, 0)  # the earliest that the format knows
_MEND = "Ask for the file again, or make it with: stopwise report SESSION --bundle FILE.zip"


def archived(contents: Mapping[str, bytes], path: Path) -> bytes:
    """An archive's content.

    Parameters
    ----------
    contents : mapping of str to bytes
        Content of each member.
    path : Path
        Of the archive, for the message.

    Raises
    ------
    LabError
        If a member is larger than is read.
    """
    archive = BytesIO()
    with zipfile.ZipFile(archive, "w") as whole:
        for name, content in sorted(contents.items()):
            if len(content) > LIMITS[name]:
                refuse(path, f"{name} would be larger than {LIMITS[name]} bytes")
            info = zipfile.ZipInfo(name, date_time=_ZIP_DATE)
            info.compress_type = zipfile.ZIP_DEFLATED
            info.create_system, info.external_attr = 3, (stat.S_IFREG | 0o644) << 16
            whole.writestr(info, content)
    return archive.getvalue()


def archived_members(path: Path, only: Collection[str] = tuple(LIMITS)) -> dict[str, bytes]:
    """The archive's members by name, all in memory, none larger than allowed.

    Parameters
    ----------
    path : Path
    only : collection of str
        Members to unpack; the list is checked for all.

    Raises
    ------
    LabError
        If it is no sound archive of such members.
    """
    try:
        if not path.is_file():
            refuse(path, "there is no such file")
        with path.open("rb") as file:
            content = file.read(_MOST_BYTES + 1)
    except OSError as error:
        refuse(path, f"cannot be read ({error.strerror})")
    if len(content) > _MOST_BYTES:
        refuse(path, f"is larger than {_MOST_BYTES // 1_000_000} MB")
    _check_end(path, content)
    try:
        with zipfile.ZipFile(BytesIO(content)) as archive:
            return {
                info.filename: _member(path, archive, info)
                for info in _listed(path, archive)
                if info.filename in only
            }
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,
        OSError,
        RuntimeError,
        ValueError,
    ) as error:
        refuse(path, f"is damaged ({shown(str(error))})")


def _check_end(path: Path, content: bytes) -> None:
    """Look at the archive's list before anything reads it: ours is short and comes last.

    What stands before or after, a remark, or the larger form of the list is none of ours.
    """
    end = content[-_END_SIZE:]
    if len(end) < _END_SIZE or not end.startswith(_END):
        refuse(path, "is no bundle, or is cut short")
    count = int.from_bytes(end[10:12], "little")
    size = int.from_bytes(end[12:16], "little")
    start = int.from_bytes(end[16:20], "little")
    if count > len(LIMITS) or size > _MOST_DIRECTORY:
        refuse(path, "holds more members than a bundle has")
    if (
        start + size + _END_SIZE != len(content)
        or content[-_END_SIZE - 20 :].startswith(_END_64)
        or end[20:22] != b"\0\0"
    ):
        refuse(path, "is no bundle: its list of members is not where it belongs")


def _listed(path: Path, archive: zipfile.ZipFile) -> list[zipfile.ZipInfo]:
    """The list of members, each checked by what it says of itself."""
    members = archive.infolist()
    for info in members:
        name = ascii(info.orig_filename)[:60]
        if info.orig_filename not in LIMITS:
            refuse(path, f"holds {name}, which belongs in no bundle")
        if [one.filename for one in members].count(info.filename) > 1:
            refuse(path, f"holds {name} twice")
        if info.flag_bits & 0x41:  # bit 0: encrypted, bit 6: strongly so
            refuse(path, f"{name} is encrypted")
        if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            refuse(path, f"{name} is compressed in a way that no bundle is")
        if stat.S_IFMT(info.external_attr >> 16) not in (0, stat.S_IFREG):
            refuse(path, f"{name} is a link or no file")
    return members


def _member(path: Path, archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> bytes:
    """Content of a member; its size is counted, whatever its header says."""
    limit = LIMITS[info.filename]
    content = bytearray()
    with archive.open(info) as stream:
        while chunk := stream.read(_CHUNK):
            content += chunk
            if len(content) > limit:
                refuse(path, f"{info.filename} is larger than {limit} bytes")
    if len(content) != info.file_size:
        refuse(path, f"{info.filename} is cut short")
    return bytes(content)


def member_text(content: bytes, where: str) -> str:
    """A member's text, without control characters, which could play tricks on a terminal.

    Parameters
    ----------
    content : bytes
    where : str
        The member, for the message.

    Raises
    ------
    LabError
        If it is no such text.
    """
    try:
        text = content.decode()
    except UnicodeDecodeError:
        refuse(where, "is not UTF-8")
    escapes = text.replace("\\\\", "").replace('\\"', "")
    if "\\" in escapes or not text.replace("\n", "").isprintable():
        refuse(where, "holds control characters")
    return text


def refuse(where: str | Path, wrong: str) -> NoReturn:
    """Say what is wrong with a file that was given, and how to come by a sound one.

    Raises
    ------
    LabError
        Always.
    """
    raise LabError(f"{where}: {wrong}. {_MEND}")
