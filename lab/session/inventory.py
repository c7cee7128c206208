"""What lies in a session's folder, and where does each frame belong?

Every file is hashed; its metadata are read once, every frame is looked at once for a slate,
and both are kept in the results store by the file's hash. Whatever parses a file does so in
a guarded process. Nothing is measured.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

from lab.errors import SessionError
from lab.frames import FrameMetadata
from lab.session.assign import assign_frames
from lab.session.config import SessionConfig, read_session
from lab.session.draft import Assignment, Problem, listed
from lab.session.frame_checks import companion_files
from lab.session.frame_files import list_frames
from lab.session.kept_metadata import (
    METADATA_KEY,
    metadata_from_json,
    metadata_to_json,
    new_metadata,
)
from lab.session.measuring import hash_of
from lab.session.slate_looks import (
    SlateLook,
    look_for_slate,
    looks_from_json,
    looks_to_json,
)
from lab.session.store import ResultsStore
from lab.session.workers import (
    Progress,
    Run,
    Work,
    default_workers,
    limits_for,
    with_mend,
    worker_pool,
)

__all__ = [
    "SLATES_KEY",
    "STORE_NAME",
    "Inventory",
    "keep_looks",
    "kept_looks",
    "look_over_session",
    "looked_over",
    "read_inventory",
    "sensor_pixels",
    "session_files",
]

STORE_NAME = "results.sqlite"
SLATES_KEY = "slates"  # the looks' key among the store's summaries


@dataclass(frozen=True)
class Inventory:
    """What the files of a session are, without a look at their pixels.

    ``metadata`` and ``hashes`` are by file, ``lost`` by hash: why a file cost the process
    that read its metadata.
    """

    folder: Path
    config: SessionConfig
    metadata: Mapping[str, FrameMetadata]
    hashes: Mapping[str, str]
    lost: Mapping[str, str]

    @property
    def pixels(self) -> float:
        """Pixels of the sensor, as session.toml describes it."""
        return sensor_pixels(self.config)

    def assigned(self, looks: Mapping[str, SlateLook]) -> Assignment:
        """Every frame's place, with looks by hash."""
        seen = {file: looks[sha256] for file, sha256 in self.hashes.items() if sha256 in looks}
        return assign_frames(self.config, self.folder, self.metadata, self.hashes, seen)

    def unseen(self, looks: Mapping[str, SlateLook]) -> list[tuple[str, Path]]:
        """Hash and path of the files not looked at yet, copies once."""
        companions = companion_files(list(self.hashes))
        paths = {
            sha256: self.folder / "frames" / file
            for file, sha256 in self.hashes.items()
            if sha256 and sha256 not in looks and file not in companions
        }
        return list(paths.items())

    def unreadable(self, looks: Mapping[str, SlateLook]) -> tuple[Problem, ...]:
        """A problem for each reason why files could not be read."""
        files: dict[str, list[str]] = {}
        for file, sha256 in self.hashes.items():
            if sha256 in looks and looks[sha256].unreadable:
                files.setdefault(looks[sha256].unreadable, []).append(file)
        return tuple(
            Problem(
                severity="error",
                text=f"Cannot be read: {listed(names)}: {reason}",
                files=tuple(names),
            )
            for reason, names in files.items()
        )


def session_files(folder: Path) -> tuple[SessionConfig, tuple[str, ...]]:
    """A session's configuration and its frame files, none of them opened.

    Raises
    ------
    SessionError
        If the folder or session.toml is wrong, or there are no frames.
    """
    config = read_session(folder)
    files = list_frames(folder)
    if not files:
        raise SessionError(
            f"{folder}: no frame file under frames/. Copy the raw files there as session.toml says."
        )
    return config, files


def read_inventory(folder: Path, store: ResultsStore | None = None) -> Inventory:
    """Read a session's configuration, its frames' metadata and hashes.

    Parameters
    ----------
    folder : Path
    store : ResultsStore, optional
        The session's, for what it knows of the files; None opens it if it is there.

    Raises
    ------
    SessionError
        If the folder, session.toml or the store is wrong, or there are no frames.
    LabError
        If no process can be started to read the files of which the store knows nothing.
    """
    config, files = session_files(folder)
    hashes = {file: hash_of(folder / "frames" / file) for file in files}
    text = None
    if store is not None:
        text = store.get_summary(METADATA_KEY)
    elif (folder / STORE_NAME).exists():
        with ResultsStore(folder / STORE_NAME) as own:
            text = own.get_summary(METADATA_KEY)
    known = metadata_from_json(text)
    new = {
        sha256: folder / "frames" / file
        for file, sha256 in hashes.items()
        if sha256 and sha256 not in known
    }
    found, lost = new_metadata(new, limits_for(sensor_pixels(config)))
    known |= found
    return Inventory(
        folder=folder,
        config=config,
        metadata={file: known.get(sha256, FrameMetadata()) for file, sha256 in hashes.items()},
        hashes=hashes,
        lost={sha256: with_mend(loss) for sha256, loss in lost.items()},
    )


def sensor_pixels(config: SessionConfig) -> float:
    """Pixels of the sensor that a session describes."""
    width_mm, height_mm = config.body.sensor_mm
    return width_mm * height_mm / (1e-3 * config.body.pixel_pitch_um) ** 2


def look_over_session(
    folder: str | Path,
    *,
    workers: int | None = 1,
    slate_progress: Progress | None = None,
) -> tuple[SessionConfig, Assignment]:
    """Give every frame of a session its place, and measure nothing.

    Files that cannot be read are among the problems.

    Parameters
    ----------
    folder : str or Path
        The session.
    workers : int or None
        Processes to look for slates, >= 1. What they see is kept in the store. None: as many
        as cores and memory allow.
    slate_progress : callable, optional
        Called with (frames looked at, frames in all), if any must be looked at.

    Raises
    ------
    SessionError
        If the session, one of its tables or its store is wrong.
    ValueError
        If workers is not >= 1.
    """
    folder = Path(folder)
    session_files(folder)  # what is wrong with it is told before a store is made
    with ResultsStore(folder / STORE_NAME) as store:
        inventory = read_inventory(folder, store)
        inventory.assigned({})  # a wrong frames.csv is told before any frame is decoded
        if workers is None:
            workers = default_workers(inventory.pixels)
        with worker_pool(workers, limits_for(inventory.pixels)) as run:
            looks = looked_over(inventory, store, run, slate_progress)
    assignment = inventory.assigned(looks)
    problems = (*assignment.problems, *inventory.unreadable(looks))
    return inventory.config, replace(assignment, problems=problems)


def kept_looks(store: ResultsStore) -> dict[str, SlateLook]:
    """Looks by hash that the store holds."""
    return looks_from_json(store.get_summary(SLATES_KEY))


def looked_over(
    inventory: Inventory,
    store: ResultsStore,
    run: Run,
    progress: Progress | None,
    known: Mapping[str, SlateLook] = MappingProxyType({}),
    only: Collection[str] | None = None,
) -> dict[str, SlateLook]:
    """Looks by hash of all frames: those of the store, and new ones, which it then keeps.

    It keeps the metadata too.

    Parameters
    ----------
    inventory : Inventory
    store : ResultsStore
    run : callable
        Of ``worker_pool``.
    progress : callable, optional
        Called with (frames looked at, frames in all), if any must be looked at.
    known : mapping, optional
        Looks of this run.
    only : collection of str, optional
        Hashes of the files to look at; None: all.
    """
    _keep_metadata(inventory, store)
    looks = kept_looks(store)
    looks |= {sha256: SlateLook(unreadable=loss) for sha256, loss in inventory.lost.items()}
    looks |= known
    unseen = [one for one in inventory.unseen(looks) if only is None or one[0] in only]
    if not unseen:
        return looks
    done, total = len(inventory.hashes) - len(unseen), len(inventory.hashes)
    if progress is not None:
        progress(done, total)
    try:
        for sha256, look in run(_LOOKING, unseen):
            done += 1
            looks[sha256] = look
            if progress is not None:
                progress(done, total)
    finally:  # an interrupt keeps what was seen so far
        keep_looks(inventory, store, looks)
    return looks


def keep_looks(inventory: Inventory, store: ResultsStore, looks: Mapping[str, SlateLook]) -> None:
    """Put the looks at a session's files into its store.

    Parameters
    ----------
    inventory : Inventory
    store : ResultsStore
    looks : mapping
        By hash.
    """
    there = set(inventory.hashes.values())
    kept = {sha256: look for sha256, look in looks.items() if sha256 in there}
    store.put_summary(SLATES_KEY, looks_to_json(kept))


def _keep_metadata(inventory: Inventory, store: ResultsStore) -> None:
    """Put them into the store, unless it has just these."""
    text = metadata_to_json(
        {
            sha256: inventory.metadata[file]
            for file, sha256 in inventory.hashes.items()
            if sha256 and sha256 not in inventory.lost
        }
    )
    if text != store.get_summary(METADATA_KEY):
        store.put_summary(METADATA_KEY, text)


def _look_for_slate(frame: tuple[str, Path]) -> tuple[str, SlateLook]:
    return frame[0], look_for_slate(frame[1])


def _unseen(frame: tuple[str, Path], loss: str) -> tuple[str, SlateLook]:
    return frame[0], SlateLook(unreadable=loss)


_LOOKING = Work(do=_look_for_slate, lost=_unseen, path=lambda frame: frame[1])
