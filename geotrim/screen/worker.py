"""A worker process: takes numbers of partitions, does them, answers. It never outlives its parent.

Started as a plain Python program rather than by ``multiprocessing``, so that the program that asks
for it is not imported anew in it, whether that is a command, a notebook or a script.
"""

from __future__ import annotations

import gc
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from typing import Any, BinaryIO

from geotrim.screen.attempt import Reply, attempt

#: Libraries that would otherwise start threads of their own in each worker.
ONE_THREAD = dict.fromkeys(
    (
        "NUMBA_NUM_THREADS",
        "OMP_NUM_THREADS",
        "OPENBLAS_NUM_THREADS",
        "MKL_NUM_THREADS",
        "VECLIB_MAXIMUM_THREADS",
        "GDAL_NUM_THREADS",
    ),
    "1",
)
#: Signals in words, where they tell more than their number.
SIGNALS = {9: "killed, as the system does when memory is short", 11: "crashed", 15: "ended"}
#: How long a worker may take to end by itself. [s]
PATIENCE_S = 5.0


class Worker:
    """A worker process as its parent holds it; a lost one is replaced at the next partition."""

    def __init__(self, task: str, folder: str) -> None:
        self._task, self._folder = task, folder
        self._process: subprocess.Popen[bytes] | None = None
        self._guard = threading.Lock()
        self._is_closed = False

    def ask(self, number: int) -> Reply:
        """Have one partition done; a reply of kind ``lost`` if the process ends over it."""
        try:
            process = self._started()
        except OSError as error:
            return Reply(number, "lost", words=f"could not be started ({error.strerror})")
        if process is None:
            return Reply(number, "lost", words="stopped")
        assert process.stdin is not None and process.stdout is not None
        try:
            process.stdin.write(b"%d\n" % number)
            process.stdin.flush()
            reply: Reply = pickle.load(process.stdout)
        except (OSError, EOFError, ValueError, pickle.UnpicklingError):
            return Reply(number, "lost", words=ending(self._end(process)))
        return reply

    def close(self, *, is_now: bool = False) -> None:
        """End the process: by itself, or at once."""
        with self._guard:
            self._is_closed, process = True, self._process
            if process is not None and is_now:
                process.kill()
        if process is not None and not is_now:
            self._end(process, PATIENCE_S)

    def _started(self) -> subprocess.Popen[bytes] | None:
        with self._guard:
            if self._is_closed:
                return None
            if self._process is None:
                self._process = start(self._task, self._folder)
            return self._process

    def _end(self, process: subprocess.Popen[bytes], patience_s: float = 0.2) -> int:
        """Wait for the end of a process, which closing its input asks for; its exit code."""
        assert process.stdin is not None and process.stdout is not None
        with suppress(OSError):
            process.stdin.close()
        try:
            code = process.wait(patience_s)
        except subprocess.TimeoutExpired:
            process.kill()
            code = process.wait()
        process.stdout.close()
        with self._guard:
            self._process = None
        return code


def start(task: str, folder: str) -> subprocess.Popen[bytes]:
    """A new worker process, out of reach of the terminal's Ctrl-C: its parent ends it."""
    code = f"import sys; sys.path[:] = {sys.path!r}; from geotrim.screen.worker import main; main()"
    return subprocess.Popen(
        [sys.executable, "-c", code, task, folder],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, **ONE_THREAD},
        start_new_session=True,
    )


def ending(code: int) -> str:
    """How a process ended, in words.

    Examples
    --------
    >>> ending(-9)
    'killed, as the system does when memory is short (signal 9)'
    >>> ending(1)
    'ended by itself (exit code 1)'
    """
    if code < 0:
        return f"{SIGNALS.get(-code, 'ended')} (signal {-code})"
    return f"ended by itself (exit code {code})"


def main() -> None:
    """Do partitions as their numbers come in; end when the parent ends or closes the pipe."""
    task, folder = sys.argv[1:]
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    asked: queue.SimpleQueue[int] = queue.SimpleQueue()
    threading.Thread(target=_listen, args=(sys.stdin.buffer, asked), daemon=True).start()
    is_warm = False
    with _answers() as answers:
        while True:
            reply = attempt(task, folder, asked.get())
            pickle.dump(reply, answers, protocol=5)
            answers.flush()
            if not is_warm:  # libraries stay; looking through them for garbage takes its time
                is_warm = True
                gc.collect()
                gc.freeze()


def _listen(numbers: BinaryIO, asked: Any) -> None:
    """Hand numbers on; where no more can come, end the process in the midst of what it does."""
    for line in numbers:
        asked.put(int(line))
    os._exit(0)


def _answers() -> BinaryIO:
    """The way back to the parent; what a library prints must not fall among the answers."""
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    return answers
