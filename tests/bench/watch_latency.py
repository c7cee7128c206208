"""How long after a raw file is closed does the watch page show its figures?

A 24-megapixel session is simulated, then its frames are copied into a watched folder one
by one, as a camera's tether would, and a real headless Chromium holds the page open. The
clock runs from the file's close to the page's next picture after the update.

``--files`` counts the frames; ``--lossless`` packs them as lossless JPEG, as most cameras
do, which takes longer to decode.

Run: ``python -m tests.bench.watch_latency``
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import statistics
import subprocess
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from lab.frames import read_frame
from lab.simulate.demo import DemoPlan, DemoSeries, write_demo_session
from lab.simulate.rig import SimulatedRig
from tests.bench.lossless_dng import write_lossless_dng
from tests.live_browser import LiveBrowser

_ROWS, _COLS = 4000, 6000
_PIECES = 8

# In the page: when was the picture that shows a file first drawn? Date.now() and time.time()
# are the same clock on one machine.
_OBSERVE = """
window.shownAt = {};
new MutationObserver(() => {
  const file = document.querySelector('.head .quiet').textContent;
  requestAnimationFrame(() => {
    for (const name of file.match(/IMG_[0-9]+/g) || [])
      window.shownAt[name] ??= performance.timeOrigin + performance.now();
  });
}).observe(document.getElementById('now'), {childList: true});
"""


def main() -> None:
    """Print the figures."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--files", type=int, default=50)
    options.add_argument("--lossless", action="store_true")
    given = options.parse_args()
    count = given.files
    with TemporaryDirectory() as name:
        folder = Path(name)
        frames = _simulated(folder / "made", lossless=given.lossless)
        waits = _waits(folder, frames, count)
    megapixels = _ROWS * _COLS / 1e6
    load = os.getloadavg()[0]
    packing = "packed as lossless JPEG" if given.lossless else "not packed"
    print(f"{count} raw files of {megapixels:.0f} megapixels, {packing}")
    print(f"{os.cpu_count()} cores, load of the last minute {load:.1f} (ours included)")
    whole = sorted(shown - closed for closed, shown, _ in waits)
    looks = [took for _, _, took in waits]
    for name, times in (("file closed to page drawn", whole), ("reading and looking", looks)):
        print(f"{name}: median {statistics.median(times):.2f} s, worst {max(times):.2f} s")
    print(f"within one second: {sum(t < 1 for t in whole)} of {count}")


def _simulated(folder: Path, *, lossless: bool) -> list[bytes]:
    """Contents of three frames through focus."""
    rig = SimulatedRig(n_rows=_ROWS, n_cols=_COLS)
    plan = DemoPlan(
        rig=rig,
        stops=(5.6,),
        frames_per_stop=3,
        series=(DemoSeries(magnification=2.0, true_magnification=1.991, focus_step_um=30.0),),
    )
    write_demo_session(folder, seed=3, workers=1, plan=plan)
    paths = sorted((folder / "frames").rglob("*.dng"))
    for path in paths if lossless else ():
        frame = read_frame(path)
        write_lossless_dng(
            path,
            np.rint(frame.pixels + rig.black_dn).astype(np.uint16),
            black_dn=rig.black_dn,
            white_dn=rig.white_dn,
            metadata=frame.metadata,
        )
    return [path.read_bytes() for path in paths]


def _waits(folder: Path, frames: list[bytes], count: int) -> list[tuple[float, float, float]]:
    """Wall clock of each file's close and of its picture, and the look's own time; in s."""
    made, live = folder / "made", folder / "live"
    place = live / "frames" / "2x"
    place.mkdir(parents=True)
    (live / "target.json").write_bytes((made / "target.json").read_bytes())
    toml = (made / "session.toml").read_text("utf-8")
    (live / "session.toml").write_text(toml.replace("frames_per_stop = 3", "frames_per_stop = 100"))
    command = [str(Path(sys.executable).with_name("stopwise")), "watch", "--json", str(live)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stderr.readline()
    url = process.stderr.readline().strip()
    waits = []
    try:
        with LiveBrowser(folder) as browser:
            browser.open(url)
            browser.evaluate(_OBSERVE)
            time.sleep(8)  # the worker warms up while the tripod is set up
            for i in range(count):
                file = f"IMG_{i + 1:04d}"
                contents = frames[i % len(frames)]
                piece = -(-len(contents) // _PIECES)
                with (place / f"{file}.dng").open("wb") as writing:
                    for at in range(0, len(contents), piece):
                        writing.write(contents[at : at + piece])
                        writing.flush()
                        time.sleep(0.03)  # a card or cable is no faster
                closed = time.time()
                document = json.loads(process.stdout.readline())
                assert document["status"] == "measured", document
                browser.wait_for(f"window.shownAt['{file}'] !== undefined")
                shown = browser.evaluate(f"window.shownAt['{file}']") / 1e3
                waits.append((closed, shown, document["took_s"]))
                (place / f"{file}.dng").unlink()
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(20)
    return waits


if __name__ == "__main__":
    main()
