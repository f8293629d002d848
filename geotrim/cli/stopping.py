"""A request of the system to end, answered as Ctrl-C is. Apart, so that help need not load it."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager


class Stopped(KeyboardInterrupt):
    """The system asks the program to end."""

    exit_code = 143


@contextmanager
def stop_as_interrupt() -> Iterator[None]:
    """Let a request to end clean up as Ctrl-C does; where another answers it, that one goes on."""
    is_main = threading.current_thread() is threading.main_thread()
    if not is_main or signal.getsignal(signal.SIGTERM) is not signal.SIG_DFL:
        yield
        return

    def stop(_number: int, _frame: object) -> None:
        signal.signal(signal.SIGTERM, signal.SIG_IGN)  # once: a second would break into the mending
        raise Stopped

    signal.signal(signal.SIGTERM, stop)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, signal.SIG_DFL)
