"""An instrument as fast as Python allows, in a process of its own: TCP on many connections, or ttys.

``python -m tests.benchmarks.quick_instrument tcp US`` prints its port and thinks US microseconds before each
answer, ``... tty N`` prints the paths of N lines. It ends when its standard input does. Answers are made once
for each line and looked up from then on.
"""

import os
import re
import select
import socket
import sys
import threading
import time
import tty

VALUE = "+1.25000000E+01"
CONFIGURATION = '"VOLT +1.000000E+01,+1.000000E-05"'
BLOCK = b"#71000000" + bytes(range(250)) * 4000 + b"\n"
ANSWERS = {
    "*IDN?": "BENCH,QUICK,1,1.0",
    "*ESR?": "0",
    "SYST:ERR?": '0,"No error"',
    "CONF?": CONFIGURATION,
    "FETC?": VALUE,
    "READ?": VALUE,
    "SYST:LOC": "",
}


class QuickInstrument:
    """One program message in, its answer out. An unknown word is an entry in the error queue."""

    def __init__(self) -> None:
        self._made = {b"DATA?": BLOCK}
        self._enable = "0"
        self._errors = 0

    def answer(self, line: bytes) -> bytes:
        """The answer with its line feed; empty where there is none."""
        known = self._made.get(line)
        return self._make(line) if known is None else known

    def _make(self, line: bytes) -> bytes:
        units = [unit.strip().lstrip(":") for unit in line.decode("ascii", "replace").split(";")]
        answers = [self._one(unit) for unit in units]
        answer = b"" if None in answers else ";".join(part for part in answers if part).encode()
        answer = answer + b"\n" if answer else b""
        if re.fullmatch(rb"\*ESE \d+;\*ESE\?;:(CONF|FETC|READ)\?[^*]*|READ\?|FETC\?", line) and answer:
            self._made[line] = answer  # the same question has the same answer
        return answer

    def _one(self, unit: str) -> str | None:
        if unit.startswith("*ESE "):
            self._enable = unit[5:]
            return ""
        if unit == "*ESE?":
            return self._enable
        if unit == "SYST:ERR?" and self._errors:
            self._errors -= 1
            return '-113,"Undefined header"'
        if unit not in ANSWERS:
            self._errors += 1
        return ANSWERS.get(unit)


def think(seconds: float) -> None:
    """Wait without giving the processor away: sleeping is far coarser than this."""
    end_s = time.perf_counter() + seconds
    while time.perf_counter() < end_s:
        pass


def serve_connection(connection: socket.socket, think_s: float) -> None:
    """Until the caller has gone."""
    instrument = QuickInstrument()
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    rest = b""
    while data := connection.recv(65536):
        *lines, rest = (rest + data).split(b"\n")
        for line in lines:
            if answer := instrument.answer(line):
                think(think_s)
                connection.sendall(answer)


def serve_tcp(think_s: float) -> None:
    """Any number of callers, a thread each."""
    listener = socket.create_server(("127.0.0.1", 0), backlog=64)
    announce(str(listener.getsockname()[1]))
    while True:
        threading.Thread(target=serve_connection, args=(listener.accept()[0], think_s), daemon=True).start()


def serve_tty() -> str:
    """One line, in a thread; its path."""
    master, slave = os.openpty()
    tty.setraw(slave)

    def converse() -> None:
        instrument, rest = QuickInstrument(), b""
        while True:
            select.select([master], [], [])
            *lines, rest = (rest + os.read(master, 65536)).split(b"\n")
            for line in lines:
                if answer := instrument.answer(line):
                    os.write(master, answer)

    threading.Thread(target=converse, daemon=True).start()
    return os.ttyname(slave)


def announce(words: str) -> None:
    """Tell the parent where to find it."""
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


def main() -> None:
    """See the module's words."""
    if sys.argv[1] == "tcp":
        threading.Thread(target=serve_tcp, args=(float(sys.argv[2]) / 1e6,), daemon=True).start()
    else:
        announce(" ".join(serve_tty() for _ in range(int(sys.argv[2]))))
    sys.stdin.read()


if __name__ == "__main__":
    main()
