"""Child processes of a running bench: started, waited for and ended without anything left running."""

import contextlib
import json
import os
import queue
import subprocess
import sys
import threading
from collections.abc import Iterator, Sequence
from typing import Any

from drivers.errors import ProbetrailError

READY_S = 60.0
END_S = 5.0
ONE_THREAD = "OPENBLAS_NUM_THREADS"  # sums of one child must not hold every core up: polls have to be in time


class Child:
    """One child process of our own that tells on its first line of output (JSON) that it is ready."""

    def __init__(self, name: str, module: str, arguments: Sequence[str]) -> None:
        self.name = name
        # Its standard input stays open as long as we live: a child may end when it closes.
        self._process = subprocess.Popen(
            [sys.executable, "-m", module, *arguments],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={ONE_THREAD: "1"} | os.environ,
            start_new_session=True,  # Ctrl-C in the terminal is ours to pass on, in our order
        )
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        threading.Thread(target=self._read, name=f"output of {name}", daemon=True).start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self._lines.put(line)
        self._lines.put(None)

    def ready(self) -> dict[str, Any]:
        """The JSON object of its first line. Raises ``ProbetrailError`` where there comes none."""
        try:
            line = self._lines.get(timeout=READY_S)
        except queue.Empty:
            line = None
        try:
            content = json.loads(line or "")
        except ValueError as error:
            raise ProbetrailError(f"{self.name} did not start; its own words stand above.") from error
        return dict(content)

    @property
    def exit_code(self) -> int | None:
        """None while it runs."""
        return self._process.poll()

    def wait(self, seconds: float) -> int | None:
        """Its exit code, or None where it still runs after ``seconds``."""
        try:
            return self._process.wait(timeout=seconds)
        except subprocess.TimeoutExpired:
            return None

    def end(self) -> None:
        """Ask it to end, and make it end."""
        if self._process.poll() is None:
            self._process.terminate()
            if self.wait(END_S) is None:
                self._process.kill()
                self._process.wait()
        for pipe in (self._process.stdin, self._process.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()


@contextlib.contextmanager
def child(name: str, module: str, arguments: Sequence[str]) -> Iterator[Child]:
    """A child that lives no longer than the block."""
    process = Child(name, module, arguments)
    try:
        yield process
    finally:
        process.end()
