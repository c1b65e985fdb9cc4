"""The session file against a plain model in memory, through any order of what can happen to it."""

import math
import tempfile
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from daemon.records import open_session
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.errors import StoreFull
from drivers.readings import Quantity
from tests.store import plain_twin
from tests.store.conftest import full_disk, stay

VALUES = st.one_of(st.floats(), st.integers(-(10**6), 10**6).map(lambda k: k / 1000))
KEYS = [("meter", "", Quantity.DC_V), ("meter", "", Quantity.OHM), ("scope", "1", Quantity.RIPPLE)]


def bits(value):
    return "nan" if math.isnan(value) else (value, math.copysign(1, value))


class SessionFile(RuleBasedStateMachine):
    """``kept`` is what a commit acknowledged; ``waiting`` what the next one must bring."""

    @initialize()
    def start(self):
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name) / "a.session"
        self.clock = HandClock()
        self.writer = SessionWriter.create(self.path, self.clock, {})
        self.kept = {key: [] for key in KEYS}
        self.waiting = {key: [] for key in KEYS}
        self.kept_notes, self.waiting_notes = [], []
        self.placements, self.waiting_placements = {}, {}

    @rule(
        key=st.sampled_from(KEYS),
        values=st.lists(VALUES, min_size=1, max_size=40),
        again=st.sampled_from([1, 1, 1, 300]),
        step_us=st.integers(-3, 30_000),
    )
    def append(self, key, values, again, step_us):
        series = self.writer.series(*key)
        for value in values * again:
            t_us = self.writer.append(series, self.clock.now_us(), value, 2)
            self.waiting[key].append((t_us, value))
            self.clock.turn(step_us / 1e6)

    @rule(text=st.text(st.characters(codec="utf-8"), max_size=10))
    def note(self, text):
        self.writer.add_event(self.clock.now_us(), "note", text, {"text": text})
        self.waiting_notes.append(text)

    @rule(point=st.sampled_from("ABC"))
    def place(self, point):
        now_us = self.clock.now_us()
        self.waiting_placements[stay(self.writer, now_us, now_us, point=point)] = point

    @precondition(lambda self: self.placements or self.waiting_placements)
    @rule(data=st.data(), point=st.sampled_from("XYZ"))
    def move(self, data, point):
        number = data.draw(st.sampled_from(sorted(self.placements | self.waiting_placements)))
        self.writer.correct_placement(number, self.clock.now_us(), "moved", point=point)
        self.waiting_placements[number] = point

    @rule()
    def commit(self):
        self.writer.commit()
        self.acknowledged()

    @rule()
    def commit_on_a_full_disk(self):
        with full_disk(self.writer):
            try:
                self.writer.commit()
            except StoreFull:
                return
        self.acknowledged()

    @rule()
    def wait_an_hour(self):
        self.clock.turn(3600)

    @rule()
    def hard_end_and_resume(self):
        """As after kill -9: what no commit acknowledged is gone, all else is there."""
        self.writer.abandon()
        self.forget_waiting()
        self.writer = SessionWriter.resume(self.path, self.clock)

    @rule()
    def close_and_resume(self):
        self.writer.close()
        self.acknowledged()
        assert [each.name for each in self.path.parent.iterdir()] == [self.path.name]
        self.writer = SessionWriter.resume(self.path, self.clock)

    @invariant()
    def the_file_holds_what_was_acknowledged(self):
        found = plain_twin.readings(self.path)
        for key in KEYS:
            name = tuple(map(str, key))
            assert [(t, bits(v)) for t, v, _ in found.get(name, [])] == [(t, bits(v)) for t, v in self.kept[key]]
        with open_session(self.path) as records:
            assert len(records.readings()) == sum(map(len, self.kept.values()))
            assert records.events("note")["text"].tolist() == self.kept_notes
            frame = records.placements()
            assert dict(zip(frame["id"], frame["point"], strict=True)) == self.placements

    def acknowledged(self):
        for key in KEYS:
            self.kept[key] += self.waiting[key]
        self.kept_notes += self.waiting_notes
        self.placements |= self.waiting_placements
        self.forget_waiting()

    def forget_waiting(self):
        self.waiting = {key: [] for key in KEYS}
        self.waiting_notes, self.waiting_placements = [], {}

    def teardown(self):
        if hasattr(self, "writer"):
            self.writer.abandon()
            self.folder.cleanup()


TestSessionFile = SessionFile.TestCase
TestSessionFile.settings = settings(max_examples=25, stateful_step_count=20, deadline=None)
