"""Fuzz the readers for some minutes and say what was found.

Findings are saved in a folder outside the project, each with the input that shows it.

Run: ``python -m tests.fuzz [--minutes N] [--seed S] [--only NAME]``
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

from tests.fuzz.campaign import Campaign, Finding, Worker
from tests.fuzz.readers import READERS

# Shares of the time: frames come from anywhere and their decoders are others' work.
_SHARE = {"frame": 8.0, "look": 2.0, "bundle": 2.0, "store": 2.0, "looks": 0.5, "slate": 0.5}
_ROUNDS = 6


def main() -> None:
    """Exit code 1 if anything was found."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--minutes", type=float, default=5.0)
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", choices=tuple(READERS), help="one reader")
    options.add_argument("--findings", type=Path, help="folder to save them in")
    options.add_argument("--input", type=Path, help="read this file once with --only's reader")
    given = options.parse_args()
    names = [given.only] if given.only else list(READERS)
    with Worker() as worker:
        if given.input is not None:
            answer = worker.read(names[0], given.input.read_bytes())
            print({key: value for key, value in answer.items() if key != "lines"})
            return
        campaigns = [Campaign(reader=name, seed=given.seed, worker=worker) for name in names]
        whole = sum(_SHARE.get(name, 1.0) for name in names)
        end = time.monotonic() + 60 * given.minutes
        for left in range(_ROUNDS, 0, -1):
            seconds = max(0.0, end - time.monotonic()) / left
            for one in campaigns:
                one.run(seconds=seconds * _SHARE.get(one.reader, 1.0) / whole)
    found = [finding for one in campaigns for finding in one.findings.values()]
    for one in campaigns:
        told = ", ".join(f"{n} {outcome}" for outcome, n in one.outcomes.most_common())
        rate = one.cases / max(one.seconds, 1e-9)
        print(f"{one.reader:8} {one.cases:7} cases {rate:6.0f} /s {len(one.lines):5} lines  {told}")
    for one in campaigns:
        told = sum(one.words.values())
        if told:
            (first, count) = one.words.most_common(1)[0]
            print(
                f"{one.reader}: C libraries wrote to the terminal {told} times, {count} x {first!r}"
            )
    if found:
        _save(found, given.findings or Path(tempfile.mkdtemp(prefix="stopwise-fuzz-")))
    print(f"{sum(one.cases for one in campaigns)} cases, {len(found)} findings")
    sys.exit(1 if found else 0)


def _save(found: list[Finding], folder: Path) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    lines = []
    for number, finding in enumerate(found):
        name = f"{finding.reader}-{number:03}"
        (folder / name).write_bytes(finding.content)
        lines.append(f"{name}  seed and case {finding.case}  {finding.line}")
    (folder / "findings.txt").write_text("\n".join(lines) + "\n", encoding="utf-8")
    print("\n".join(lines))
    print(f"Inputs: {folder}")


if __name__ == "__main__":
    main()
