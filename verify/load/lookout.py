"""Whether short waits are better spent looking out for completions or asleep: tried by turns, what does more is kept.

Looking out saves the time that a sleeping processor takes to wake. It costs processor time, though, and where that is
scarce, because others want it or because a virtual machine's disk is served by the same processors, it costs more than
it saves. Neither can be known beforehand.
"""

from __future__ import annotations

TRY_NS = 25_000_000
"""How long one of the two is tried at a time."""
TRIES = (True, False, False, True)
"""Whether to look out in each of the tries before one is chosen; in this order a drift favours neither."""
KEEP_NS = 1_000_000_000
"""How long what was chosen is kept before both are tried again."""
MEMORY = 0.75
"""What former tries told counts so much less each time, so that several of them decide."""
WORTH = 1.03
"""Looking out has to do better than sleeping by this factor, since the processor could do something else."""


class LookOut:
    """Decides by how many operations were completed in the time that either was done.

    Attributes:
        wanted: whether to look out now.
    """

    def __init__(self, now_ns: int) -> None:
        self.wanted = TRIES[0]
        self._began_ns = now_ns
        self._until_ns = now_ns + TRY_NS
        self._operations = 0
        self._tries = 0
        self._done = [0.0, 0.0]
        self._took_ns = [0.0, 0.0]

    def count(self, operations: int, now_ns: int) -> None:
        """So many operations were completed since the last call; now it is `now_ns`, by a monotonic clock."""
        self._operations += operations
        if now_ns >= self._until_ns:
            self._next(now_ns)

    def _next(self, now_ns: int) -> None:
        if self._tries < len(TRIES):
            self._done[self.wanted] += self._operations
            self._took_ns[self.wanted] += now_ns - self._began_ns
            self._tries += 1
        else:
            self._tries = 0
            self._done = [MEMORY * done for done in self._done]
            self._took_ns = [MEMORY * took for took in self._took_ns]
        self._began_ns, self._operations, self._until_ns = now_ns, 0, now_ns + TRY_NS
        if self._tries < len(TRIES):
            self.wanted = TRIES[self._tries]
        else:
            asleep, looking = (done / took for done, took in zip(self._done, self._took_ns, strict=True))
            self.wanted = looking > asleep * WORTH
            self._until_ns = now_ns + KEEP_NS
