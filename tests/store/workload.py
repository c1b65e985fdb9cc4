"""A session as a bench makes one, from a seed: readings, placements, corrections, captures, seals, closes."""

import random

import numpy as np

from daemon.records import open_session
from daemon.store import schema
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.readings import Quantity, Trace
from tests.store.conftest import stay

TAGS = {"point": "OUT", "leg": "", "mode": "PLAY", "condition": "direct"}


def state_of(path):
    """All that a session holds, in a form that can be compared."""
    with open_session(path) as records:
        frame = records.readings()
        return (
            tuple(zip(frame["time"].astype("int64").tolist(), frame["value"].tolist(), strict=True)),
            tuple(records.events("note")["text"]),
            tuple(records.placements()[["id", "point"]].itertuples(index=False, name=None)),
            tuple(int(records.trace(number).codes.sum()) for number in records.captures()["id"]),
        )


class Workload:
    """``said`` is what has been given to the writer, as ``state_of`` tells it."""

    def __init__(self, path, seed):
        self.path, self.clock, self.chance = path, HandClock(), random.Random(seed)
        self.writer = SessionWriter.create(path, self.clock, {"unit": "mixer"})
        self.readings, self.notes, self.points, self.sums = [], [], {}, []

    def said(self):
        return tuple(self.readings), tuple(self.notes), tuple(self.points.items()), tuple(self.sums)

    def step(self):
        """Something of what a commit may have to bring."""
        chance, writer, now_us = self.chance, self.writer, self.clock.now_us()
        many = schema.CHUNK_READINGS + 5 if chance.random() < 0.08 else chance.randint(0, 60)
        series = writer.series("meter", "", Quantity.DC_V)
        for _ in range(many):
            self.clock.turn(0.02)
            value = round(chance.gauss(6.5, 0.3), 5)
            self.readings.append((writer.append(series, self.clock.now_us(), value, 0), value))
        if chance.random() < 0.5:
            self.notes.append(f"note {len(self.notes)}")
            writer.add_event(now_us, "note", self.notes[-1])
        if chance.random() < 0.3:
            self.points[stay(writer, now_us, self.clock.now_us(), point="A")] = "A"
        if self.points and chance.random() < 0.3:
            number = chance.choice(sorted(self.points))
            self.points[number] = chance.choice("BCD")
            writer.correct_placement(number, now_us, "moved", point=self.points[number])
        if chance.random() < 0.1:
            codes = np.array([chance.randint(-128, 127) for _ in range(3000)], np.int16)
            writer.add_capture(Trace(now_us, 1e-5, codes, 0.01, 0.0, "1"), role="kept", **TAGS)
            self.sums.append(int(codes.sum()))

    def close_and_resume(self):
        self.writer.close()
        self.writer = SessionWriter.resume(self.path, self.clock)
