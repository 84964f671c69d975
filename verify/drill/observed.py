"""What a piece of the volume says of itself, before the ledger has said what it must hold."""

from __future__ import annotations

import threading
from collections import deque
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from verify.blocks.decode import DecodedBlocks, State, decode_blocks
from verify.blocks.encode import BlockMaker
from verify.blocks.layout import CHECKSUM_BYTES, StreamLayout
from verify.drill.readahead import READS_AT_ONCE, Piece, ReadAhead, Span, start_thread
from verify.interruption import WAKE_S, let_through
from verify.load.run import Run

EARLY_SLOTS_MAX = 1 << 22
"""So many slots are looked at before the ledger was gone through, at `SMALL_BYTES` each."""
SMALL_BYTES = 16


@dataclass(frozen=True)
class Observed:
    """One piece, looked at; every array has one entry per block.

    Attributes:
        piece: which blocks, read when; their bytes, unless they were given up (`give_up_bytes`).
        state: `verify.blocks.decode.State`; means nothing where a block could not be read.
        readable: whether it could.
        own: whole blocks of this run.
        at_home: those of them that stand where they belong.
        sequence: their sequence numbers, 0 for all others.
        checksums: of blocks whose bytes were given up, else empty.
    """

    piece: Piece
    state: npt.NDArray[np.uint8]
    readable: npt.NDArray[np.bool_]
    own: npt.NDArray[np.bool_]
    at_home: npt.NDArray[np.bool_]
    sequence: npt.NDArray[np.int64]
    checksums: npt.NDArray[np.uint64]

    def block(self, index: int, maker: BlockMaker) -> memoryview | None:
        """The bytes of one block; None where they were given up and cannot be made again, to the bit.

        What was given up was a whole block of this run, whose checksum covers all else. So the write that it names is
        made again, and is the one that was read if it has the same checksum.
        """
        layout = maker.layout
        if not len(self.checksums):
            return self.piece.data[index * layout.block_bytes : (index + 1) * layout.block_bytes]
        slot = self.piece.first + index
        made = memoryview(maker.block(slot, slot % layout.lanes, int(self.sequence[index])))
        checksum = int.from_bytes(made[-CHECKSUM_BYTES:], "little")
        return made if checksum == self.checksums[index] else None

    def give_up_bytes(self) -> Observed:
        """The same in `SMALL_BYTES` a block, if nothing but sequence numbers is to be said of it; else itself."""
        if not self.at_home.all():
            return self
        checksums = np.frombuffer(self.piece.data, dtype="<u8").reshape(len(self.state), -1)[:, -1].copy()
        yes = np.broadcast_to(np.True_, self.state.shape)
        whole = np.broadcast_to(np.uint8(State.WHOLE), self.state.shape)
        return Observed(self.piece, whole, yes, yes, yes, self.sequence, checksums)


def look_at(piece: Piece, layout: StreamLayout, tag: int) -> Observed:
    """Look at a piece of the stream of a run with this tag."""
    decoded: DecodedBlocks = decode_blocks(piece.data, layout)
    readable = np.ones(piece.count, dtype=np.bool_)
    readable[piece.unreadable] = False
    slots = np.arange(piece.first, piece.first + piece.count, dtype=np.int64)
    own = (decoded.state == State.WHOLE) & (decoded.tag == np.uint64(tag)) & readable
    at_home = own & (decoded.address == layout.start_bytes + slots * layout.block_bytes)
    at_home &= (decoded.stream == layout.stream) & (decoded.lane == slots % layout.lanes)
    sequence = np.where(at_home, decoded.sequence, 0).astype(np.int64)
    at_home &= sequence >= 0
    return Observed(piece, decoded.state, readable, own, at_home, sequence, np.zeros(0, dtype=np.uint64))


def spans_of(run: Run) -> tuple[Span, ...]:
    """What a check of a run reads."""
    layouts = [stream.layout for stream in run.streams]
    return tuple(Span(layout.start_bytes, layout.block_bytes, layout.slots) for layout in layouts)


class EarlyLook:
    """Looks at what is read while the ledger is gone through, so that reading need not wait for that.

    A thread takes pieces and keeps of them only what the judgement will want to know (`Observed.give_up_bytes`). It
    goes on until it is told to end (`finish`), or too many have to be kept with their bytes or altogether.
    """

    def __init__(self, ahead: ReadAhead, run: Run) -> None:
        self._ahead = ahead
        self._run = run
        self._looked_at: deque[Observed] = deque()
        self._failure: BaseException | None = None
        self._stop = False
        self._thread = threading.Thread(target=self._work, daemon=True)
        start_thread(self._thread)

    def finish(self) -> deque[Observed]:
        """End, and give what was looked at, in order; pieces that still have their bytes are to be given back.

        Raises:
            whatever reading raised that was no error of the volume's.
        """
        self._stop = True
        while self._thread.is_alive():
            self._thread.join(WAKE_S)
            let_through()
        if self._failure is not None:
            raise self._failure
        return self._looked_at

    def _work(self) -> None:
        slots = kept = 0
        try:
            while not self._stop and slots < EARLY_SLOTS_MAX and kept < self._ahead.buffers - READS_AT_ONCE:
                piece = self._ahead.take()
                if piece is None:
                    return
                layout = self._run.streams[piece.stream].layout
                observed = look_at(piece, layout, self._run.tag)
                small = observed.give_up_bytes()
                self._looked_at.append(small)
                slots += piece.count
                if small is observed:
                    kept += 1
                else:
                    self._ahead.give_back(piece)
        except BaseException as error:  # noqa: BLE001  (raised by `finish`)
            self._failure = error
