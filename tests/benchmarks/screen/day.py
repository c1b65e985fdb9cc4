"""The messages of a bench that nobody has to wait for: ``python -m ...day``.

The daemon's own doors and the dashboard's own process; what is said is made up. At first it says what a bench says
with four series at 50 readings a second and a trace 5 times a second: 27 messages a second. A line of standard input
``RATE SECONDS`` makes it say RATE times as many for as long, and is answered with how many it said: ``{"said"}``.
It prints the page's address as a line of JSON and ends when its standard input does.
"""

import json
import sys
import threading
import time

import numpy as np

from daemon.feed import text_frame, trace_frame
from drivers.readings import Trace
from tests.benchmarks.quick_instrument import announce
from tests.benchmarks.screen.busy_bench import METER_S, TRACE_DT_S, TRACE_POINTS
from tests.benchmarks.screen.served import dashboard, lasting, own_folder
from tests.dashboard.sample_bench import SERIES, SampleBench

FRAME_S = 0.05
FRAMES_A_TRACE, FRAMES_A_STATE = 4, 10
MESSAGES_S = 1 / FRAME_S * (1 + 1 / FRAMES_A_TRACE + 1 / FRAMES_A_STATE)
WORKING_DAY_S = 600 * 48
TURN_S = 0.004


class Speaker(threading.Thread):
    """Says what is due, ``rate`` times as much as a bench would."""

    def __init__(self, bench):
        super().__init__(daemon=True)
        self.rate, self.said = 1.0, 0
        self._bench, self._frames = bench, 0
        self._noise = np.random.default_rng(3).normal(5, 0.01, 997).tolist()
        sine = 9000 * np.sin(2 * np.pi * np.arange(TRACE_POINTS) / 2500)
        self._codes = (sine + np.random.default_rng(4).normal(0, 300, TRACE_POINTS)).astype(np.int16)

    def run(self):
        """For ever."""
        last_s, due = time.monotonic(), 0.0
        while True:
            time.sleep(TURN_S)
            now_s = time.monotonic()
            due, last_s = due + (now_s - last_s) / FRAME_S * self.rate, now_s
            while due >= 1:
                due -= 1
                self._say_frame()

    def _say_frame(self):
        now_us = self._bench.now_us()
        self._frames += 1
        rows = [
            [now_us - lag, self._noise[(self._frames * 3 + lag) % 997], 0] for lag in (round(METER_S * 1e6), 0)
        ]
        self._bench.send(text_frame({"kind": "readings", "series": {str(each[0]): rows for each in SERIES}}))
        self.said += 1
        if self._frames % FRAMES_A_TRACE == 0:
            t0_us = now_us - round(TRACE_POINTS * TRACE_DT_S * 1e6)
            self._bench.send(trace_frame("scope", Trace(t0_us, TRACE_DT_S, self._codes, 1e-4, 0.0, "1")))
            self.said += 1
        if self._frames % FRAMES_A_STATE == 0:
            self._bench.tell_state()
            self.said += 1


def main():
    with own_folder(), lasting(SampleBench()) as bench, dashboard(bench.door) as tell_address:
        speaker = Speaker(bench)
        tell_address()
        speaker.start()
        for line in sys.stdin:
            rate, seconds = map(float, line.split())
            before, speaker.rate = speaker.said, rate
            time.sleep(seconds)
            speaker.rate = 1.0
            announce(json.dumps({"said": speaker.said - before}))


if __name__ == "__main__":
    main()
