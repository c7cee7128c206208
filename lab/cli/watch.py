"""``stopwise watch``: help while shooting, in the terminal and on a page of this machine.

The loop polls the folder, hands one file at a time to a worker process that is kept warm,
and shows what follows from all looks so far. Keys, the page's buttons, looks and signals
arrive in one queue.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Annotated, Any

import typer

from lab.cli.terminal import print_wrapped

if TYPE_CHECKING:
    from lab.cli.watch_server import Update
    from lab.cli.watch_setting import Setting
    from lab.cli.watch_text import Words
    from lab.session.guarded_process import Outcome
    from lab.session.guarded_reader import GuardedReader
    from lab.session.quick_look import LookTask, QuickLook
    from lab.session.standing import Standing
    from lab.session.watching import Arrival, Arrivals, Stamp

__all__ = ["watch"]

_POLL_S = 0.05
_SOON_S = 0.015  # while a file waits to be steady
_KEYS = "n new bracket  u undo  q quit"
_FOR_LOOSE = "For a folder that is no session"


def watch(
    folder: Annotated[
        Path, typer.Argument(help="Session folder, or any folder that raw files arrive in.")
    ],
    magnification: Annotated[
        float | None,
        typer.Option(
            "--magnification",
            "-m",
            help="Image size over object size.",
            rich_help_panel=_FOR_LOOSE,
        ),
    ] = None,
    stop: Annotated[
        float | None, typer.Option(help="Number on the ring.", rich_help_panel=_FOR_LOOSE)
    ] = None,
    pitch: Annotated[
        float | None, typer.Option(help="Pixel pitch in um.", rich_help_panel=_FOR_LOOSE)
    ] = None,
    loss: Annotated[
        float,
        typer.Option(
            min=0.1, max=90, help="Sharpness that a keeper may lack of its bracket's best, in %."
        ),
    ] = 10.0,
    port: Annotated[
        int, typer.Option(min=0, max=65535, help="Port of the page; 0 takes a free one.")
    ] = 0,
    as_json: Annotated[
        bool, typer.Option("--json", help="One JSON object a frame, in a line.")
    ] = False,
) -> None:
    """Watch a folder while you shoot: focus, clipping, squareness, what comes next.

    Looks at each raw file as it arrives and says how the bracket stands, here
    and on a page that reads from two metres. The page is served to this
    machine alone, at an address with a random token. Nothing in the folder is
    changed; watch.json in it keeps the marks of new brackets. Ctrl-C or q
    ends it, and it resumes.

    Example: stopwise watch my-session

    Example: stopwise watch incoming -m 2 --stop 8 --pitch 4.35
    """
    from lab.cli.watch_setting import read_setting

    setting = read_setting(folder, magnification, stop, pitch, loss / 100)
    with ExitStack() as stack:
        inbox: SimpleQueue[tuple[str, Any]] = SimpleQueue()
        stack.enter_context(_signals(inbox))
        _Watch(setting, inbox, as_json=as_json).run(stack, port)


@contextmanager
def _signals(inbox: SimpleQueue[tuple[str, Any]]) -> Iterator[None]:
    """Ctrl-C and a polite kill become a message."""
    before = {
        number: signal.signal(number, lambda *_: inbox.put(("stop", None)))
        for number in (signal.SIGINT, signal.SIGTERM)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextmanager
def _keyboard(press: Callable[[str], None]) -> Iterator[bool]:
    """Single keys of the terminal, where there is one; whether there is."""
    try:
        import termios
        import tty

        kept = termios.tcgetattr(sys.stdin.fileno())
    except (ImportError, OSError, ValueError, termios.error):
        yield False
        return

    def listen() -> None:
        while True:
            try:
                key = os.read(sys.stdin.fileno(), 1)
            except OSError:
                return
            if not key:
                return
            press(key.decode("latin-1").lower())

    tty.setcbreak(sys.stdin.fileno())
    threading.Thread(target=listen, daemon=True).start()
    try:
        yield True
    finally:
        termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, kept)


class _Watch:
    """The loop: what is known, and how it is shown."""

    def __init__(
        self,
        setting: Setting,
        inbox: SimpleQueue[tuple[str, Any]],
        *,
        as_json: bool,
    ) -> None:
        from lab.cli.watch_setting import FrameTable, Marks
        from lab.session.watching import Arrivals

        self._setting, self._inbox = setting, inbox
        self._as_json = as_json
        self._screen = not as_json and sys.stdout.isatty()
        self._arrivals: Arrivals = Arrivals()
        self._marks = Marks(setting.folder)
        self._table = FrameTable(setting)
        self._table.refresh(())
        self._tasks: dict[str, LookTask] = {}
        self._told: set[tuple[str, int]] = set()
        self._places: dict[tuple[str, Stamp], QuickLook | None] = {}  # None: is being read
        self._asked_at: dict[Path, tuple[str, Stamp]] = {}
        self._url = ""

    def run(self, stack: ExitStack, port: int) -> None:
        """Watch until told to stop."""
        from lab.cli.watch_server import PageServer
        from lab.session.guarded_reader import GuardedReader
        from lab.session.warm_looks import warm_up
        from lab.session.watching import is_unsettled

        stack.callback(self._farewell)  # after the screen and the page are gone
        _, first = self._state()
        press = {"n": "mark", "u": "undo"}

        def key(letter: str) -> None:
            if letter == "q":
                self._inbox.put(("stop", None))
            elif letter in press:
                self._inbox.put(("press", press[letter]))

        server = stack.enter_context(
            PageServer(
                port=port,
                press=lambda action: self._inbox.put(("press", action)),
                first=_update(first),
            )
        )
        self._url = server.url
        limits = self._setting.limits
        looker = stack.enter_context(GuardedReader(self._inbox, limits, first=warm_up))
        # Of its own, so that a file's place is known while another is looked at.
        self._tags = stack.enter_context(GuardedReader(self._inbox, limits))
        stack.enter_context(_keyboard(key))
        if self._screen:
            sys.stdout.write("\x1b[?1049h\x1b[?25l")
            stack.callback(sys.stdout.write, "\x1b[?25h\x1b[?1049l")
        elif not self._as_json:
            typer.echo(f"The page, for this machine alone:\n{self._url}\nCtrl-C ends it.")
        else:
            typer.echo(f"The page, for this machine alone:\n{self._url}", err=True)
        sys.stdout.flush()
        self._draw(first)
        self._tell_trouble()
        while True:
            before = self._arrivals
            begin = time.monotonic()
            changed = self._poll(looker) or self._arrivals is not before
            least = _SOON_S if is_unsettled(self._arrivals) else _POLL_S
            pause = max(least, 4 * (time.monotonic() - begin))  # a large folder costs a fifth
            try:
                kind, value = self._inbox.get(timeout=pause)
            except Empty:
                kind, value = "", None
            if kind == "stop":
                break
            if kind == "fail":
                raise value
            if kind == "look":
                self._take(*value)
                changed = True
            elif kind == "place":
                self._put_in_place(*value)
                changed = True
            elif kind == "press":
                now, _ = self._state()
                newest = now.order.frames[-1] if now.order.frames else None
                changed = self._marks.press(value, newest) or changed
            if changed:
                now, said = self._state()
                server.publish(_update(said))
                self._tell(now, said)

    def _farewell(self) -> None:
        _, said = self._state()
        if not self._as_json:
            typer.echo(
                f"\nStopped: {said.status}. To resume: stopwise watch {self._setting.folder}"
            )
        if self._marks.trouble:
            print_wrapped(self._marks.trouble, err=True)

    def _poll(self, looker: GuardedReader) -> bool:
        """Look what is there and begin the next look; whether frames.csv has changed."""
        from lab.session.warm_looks import look_warm
        from lab.session.watching import forgotten, next_file, scan, scanned, started

        at_s = time.monotonic()
        self._arrivals = scanned(self._arrivals, at_s, scan(self._setting.root))
        is_new_table = self._table.refresh(self._arrivals.files)
        if is_new_table:
            self._tell_trouble()
            changed = {f for f, task in self._tasks.items() if self._task(f) != task}
            self._arrivals = forgotten(self._arrivals, changed)
        file = next_file(self._arrivals, at_s)
        if file is not None:
            self._arrivals = started(self._arrivals, file)
            self._tasks[file] = self._task(file)
            looker.give("look", look_warm, self._tasks[file])
        return is_new_table

    def _task(self, file: str) -> LookTask:
        return self._setting.task(file, self._table.rows.get(file))

    def _tell_trouble(self) -> None:
        """What is wrong with frames.csv, where no screen shows it."""
        if self._table.trouble and not self._screen:
            print_wrapped(self._table.trouble, err=True)

    def _take(self, task: LookTask, outcome: Outcome) -> None:
        """A look is there; a file can bring down what reads it, and the shoot goes on."""
        from lab.session.quick_look import QuickLook
        from lab.session.watching import forgotten, looked, stamp_of

        look: QuickLook = outcome.result
        if outcome.loss:
            reason = f"{outcome.loss}. Convert it to DNG, or shoot again."
            look = QuickLook(file=task.file, status="unreadable", reason=reason)
        stamp = stamp_of(self._setting.root / look.file)
        self._arrivals = looked(self._arrivals, time.monotonic(), look, stamp)
        if self._task(look.file) != self._tasks[look.file]:  # frames.csv changed meanwhile
            self._arrivals = forgotten(self._arrivals, [look.file])

    def _state(self) -> tuple[Standing, Words]:
        """What follows from the files, and its words."""
        from lab.cli.watch_text import Scale, words
        from lab.session.standing import standing
        from lab.session.watching import waiting

        known = {file: self._look_or_place(a) for file, a in self._arrivals.files.items()}
        looks = {file: look for file, look in known.items() if look is not None}
        now = standing(
            looks,
            {file: self._arrivals.files[file].stamp.mtime_ns for file in looks},
            config=self._setting.config,
            rows=self._table.rows,
            marks=frozenset(self._marks.files),
            loss=self._setting.loss,
        )
        said = words(
            now,
            folder=self._setting.folder.resolve().name,
            scale=Scale(pixel_pitch_um=self._setting.pitch_um),
            loss=self._setting.loss,
            waiting=len(waiting(self._arrivals)),
            focus_step_um=self._setting.focus_step_um(now),
            of_diffraction=self._setting.of_diffraction(now),
            trouble=self._table.trouble,
        )
        return now, said

    def _look_or_place(self, arrival: Arrival) -> QuickLook | None:
        """A file's look, or one that holds its place in the order of capture till then.

        None while it is hardly there, or as long as what the camera wrote is not read.
        """
        from lab.frames import read_metadata
        from lab.session.watching import STEADY_S

        if arrival.is_done:
            return arrival.look
        if time.monotonic() - arrival.since_s < STEADY_S:
            return None
        key = (arrival.file, arrival.stamp)
        if key not in self._places:
            self._places[key] = None
            path = self._setting.root / arrival.file
            self._asked_at[path] = key
            self._tags.give("place", read_metadata, path)
        return self._places[key]

    def _put_in_place(self, path: Path, outcome: Outcome) -> None:
        from lab.frames import FrameMetadata
        from lab.session.quick_look import QuickLook

        file, stamp = self._asked_at[path]
        metadata = FrameMetadata() if outcome.loss else outcome.result
        place = QuickLook(file=file, status="waiting", metadata=metadata)
        self._places[file, stamp] = place

    def _tell(self, now: Standing, said: Words) -> None:
        """The terminal's share: a screen, or a line once a frame."""
        from lab.cli.watch_screen import look_line, screen_line

        if self._screen:
            self._draw(said)
            return
        fresh = {
            (f, a.stamp.mtime_ns)
            for f, a in self._arrivals.files.items()
            if a.is_done and a.look is not None
        } - self._told
        self._told |= fresh
        for file, _ in sorted(fresh, key=lambda item: item[1]):
            look = self._arrivals.files[file].look
            if self._as_json:
                typer.echo(json.dumps(_document(now, look), allow_nan=False))
            elif now.newest is not None and file == now.newest.file:
                print_wrapped(screen_line(said))
            elif look is not None:
                print_wrapped(look_line(look))
        sys.stdout.flush()

    def _draw(self, said: Words) -> None:
        import shutil

        from lab.cli.watch_screen import screen

        if not self._screen:
            return
        size = shutil.get_terminal_size()
        text = screen(said, url=self._url, keys=_KEYS, columns=size.columns, rows=size.lines)
        sys.stdout.write("\x1b[H\x1b[J" + text)
        sys.stdout.flush()


def _document(now: Standing, look: QuickLook | None) -> dict[str, Any]:
    assert look is not None
    exposure = look.exposure
    moved = next((cause for cause in look.losses if cause.name == "movement"), None)
    shot = now.order.shots.get(look.file)
    following = now.order.next_shot
    return {
        "file": look.file,
        "status": look.status,
        "reason": look.reason,
        "magnification": None if shot is None else shot.magnification,
        "marked_stop": None if shot is None else shot.marked_stop,
        "frame_of_bracket": None if shot is None else shot.number,
        "mtf50_cyc_per_px": look.mtf50_cyc_per_px,
        "mtf50_std": look.mtf50_std,
        "corners": {c.corner: c.mtf50_cyc_per_px for c in look.corners},
        "measured_magnification": look.magnification,
        "rotation_deg": look.rotation_deg,
        "clipped": None if exposure is None else "clipped" in exposure.flags,
        "headroom_stops": None if exposure is None else exposure.headroom_stops,
        "advice_stops": None if exposure is None else exposure.advice_stops,
        "movement_px": None if moved is None else moved.movement_px,
        "trend": now.trend.name,
        "best_file": None if now.best is None else now.best.file,
        "keepers": now.keepers,
        "next_shot": None
        if following is None
        else {
            "magnification": following.magnification,
            "marked_stop": following.marked_stop,
            "frame": following.number,
        },
        "took_s": look.took_s,
    }


def _update(said: Words) -> Update:
    from lab.cli.watch_page import main_html
    from lab.cli.watch_server import Update

    title = f"{said.arrow} {said.trend} {said.sharpness}"
    return Update(html=main_html(said), title=title, spoken=said.spoken)
