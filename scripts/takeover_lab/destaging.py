"""The write-back caches of controllers that lose data: a target acknowledges, this moves its cache somewhere else.

For every destage the target is stopped whole for as long as the cache is looked through, so that what is moved is the
cache as it stood at one moment. How much of it is moved makes the difference between the pairs:
`lagging-cache` moves everything, `shuffled-cache` a random half of the blocks that differ. With `split-caches` the
cache is moved to the other controller, once, as the link between them is cut.
"""

from __future__ import annotations

import fcntl
import json
import os
import random
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

from scripts.takeover_lab.controller import Controller
from scripts.takeover_lab.layout import Kind, Layout
from scripts.takeover_lab.processes import stopped_whole, wait_until
from scripts.takeover_lab.truth import differing_blocks

BLOCK_BYTES = 4096
LOCK_NAME = "destaging.lock"
"""Held while a destage is under way: who kills the controller takes it first, so no destage is left half done."""


def everything(dirty: list[int]) -> list[int]:
    """The choice of a destage that moves all blocks that differ."""
    return dirty


def move_cache(
    layout: Layout, controller: Controller, to: Path, choose: Callable[[list[int]], list[int]] = everything
) -> dict[str, int]:
    """Move what a controller's cache holds and another image does not, and tell when the cache stood still.

    Args:
        layout: the lab's.
        controller: whose cache.
        to: the image to bring up to date.
        choose: which of the blocks that differ are moved, by offset.
    """
    cache = controller.own.image
    target = controller.target
    target.send(signal.SIGSTOP)
    try:
        wait_until(lambda: stopped_whole(target.pid) or not target.alive, "the target to stand still")
        frozen_ns = time.monotonic_ns()
        dirty = sorted(differing_blocks(cache, to, BLOCK_BYTES, layout.total_bytes))
        chosen = choose(dirty)
        with open(cache, "rb") as reader:
            contents = [os.pread(reader.fileno(), BLOCK_BYTES, offset) for offset in chosen]
        resumed_ns = time.monotonic_ns()
    finally:
        target.send(signal.SIGCONT)
    with open(to, "r+b") as writer:
        for offset, content in zip(chosen, contents, strict=True):
            os.pwrite(writer.fileno(), content, offset)
        os.fsync(writer.fileno())
    return {
        "frozen_ns": frozen_ns,
        "resumed_ns": resumed_ns,
        "moved": len(chosen),
        "left": len(dirty) - len(chosen),
    }


def main(folder: str) -> None:
    """Destage every few seconds until ended."""
    layout = Layout.load(Path(folder))
    if layout is None:
        raise SystemExit(f"there is no lab in {folder}")
    controller = Controller(layout, "a")
    chooser = random.Random(layout.settings.seed)

    def half(dirty: list[int]) -> list[int]:
        return sorted(chooser.sample(dirty, len(dirty) // 2))

    choose = half if layout.settings.kind is Kind.SHUFFLED else everything
    lock_path = controller.own.folder / LOCK_NAME
    with open(lock_path, "ab") as lock, open(controller.destage_log, "a", encoding="ascii") as log:
        while controller.target.alive:
            time.sleep(layout.settings.destage_every_s)
            fcntl.flock(lock, fcntl.LOCK_EX)
            record = move_cache(layout, controller, layout.disk, choose)
            log.write(json.dumps(record) + "\n")
            log.flush()
            fcntl.flock(lock, fcntl.LOCK_UN)


if __name__ == "__main__":
    main(sys.argv[1])
