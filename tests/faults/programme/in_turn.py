"""Commands that share a child, where a class of faults does not need a process per case."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from programme.limits import CPU_SECONDS, MEMORY_BYTES, SECONDS
from programme.server import Ended, Server


def in_turn(
    server: Server, orders: Sequence[Sequence[str]], *, memory_bytes: int | None = MEMORY_BYTES,
    site_is_known: bool = False,
) -> Iterator[Ended]:  # fmt: skip
    """
    Run commands one after another in one child; where it does not end well, each in its own.

    Parameters
    ----------
    server
        Runs them.
    orders
        Arguments of each command.
    memory_bytes
        Limit of all of them; none where None.
    site_is_known
        Whether the layers are known to the server.

    Yields
    ------
    ended
        Of each in turn, as `programme.cases:check` leaves it; but for the memory, which is that
        of all of them at its peak.
    """
    ended = server.run("programme.cases:in_turn", list(map(list, orders)), site_is_known,
                       seconds=SECONDS + CPU_SECONDS * len(orders),
                       memory_bytes=memory_bytes)  # fmt: skip
    if ended.value is not None:
        for case in ended.value:
            yield Ended(code=case["value"]["code"], hang=False, peak_bytes=ended.peak_bytes, **case)
    elif len(orders) == 1:
        yield ended
    else:
        for order in orders:
            yield from in_turn(server, [order], memory_bytes=memory_bytes,
                               site_is_known=site_is_known)  # fmt: skip
