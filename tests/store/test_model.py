"""The session file against a plain model in memory, through any order of what can happen to it."""

import copy
import math
import tempfile
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from daemon.records import open_session
from daemon.store.replaying import Held
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.errors import StoreFull
from drivers.readings import Quantity
from tests.store import plain_twin
from tests.store.conftest import full_disk, stay

VALUES = st.one_of(st.floats(), st.integers(-(10**6), 10**6).map(lambda k: k / 1000))
KEYS = [("meter", "", Quantity.DC_V), ("meter", "", Quantity.OHM), ("scope", "1", Quantity.RIPPLE)]
KINDS = ("mode", "condition", "hypothesis")
TAGS = ("point", "leg", *KINDS)


def bits(value):
    return "nan" if math.isnan(value) else (value, math.copysign(1, value))


def same(pairs):
    return [(t_us, bits(value)) for t_us, value in pairs]


class SessionFile(RuleBasedStateMachine):
    """``kept`` is what a commit acknowledged, ``now`` what the next one must bring; both are plain lists and dicts.

    ``acts`` are the pictures of placements and contexts before each correction that can be taken back.
    """

    @initialize()
    def start(self):
        self.folder = tempfile.TemporaryDirectory()
        self.path = Path(self.folder.name) / "a.session"
        self.clock = HandClock()
        self.writer = SessionWriter.create(self.path, self.clock, {})
        self.now = {"readings": {key: [] for key in KEYS}, "notes": [], "placements": {}, "contexts": []}
        self.acts = []
        self.acknowledged()

    def acknowledged(self):
        self.kept = copy.deepcopy(self.now)

    # Readings and notes

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
            self.now["readings"][key].append((t_us, value))
            self.clock.turn(step_us / 1e6)

    @rule(text=st.text(st.characters(codec="utf-8"), max_size=10))
    def note(self, text):
        self.writer.add_event(self.clock.now_us(), "note", text, {"text": text})
        self.now["notes"].append(text)

    # Tags

    @rule(point=st.sampled_from("ABC"), back_us=st.integers(0, 400_000), lasts_us=st.integers(0, 400_000))
    def place(self, point, back_us, lasts_us):
        t0_us = self.clock.now_us() - back_us
        number = stay(self.writer, t0_us, t0_us + lasts_us, point=point)
        row = dict.fromkeys(TAGS, "") | {"point": point, "t0": t0_us, "t1": t0_us + lasts_us, "struck": False}
        self.now["placements"][number] = row
        self.acts = []

    @rule(kind=st.sampled_from(KINDS), value=st.sampled_from("UVW"))
    def say_what_holds(self, kind, value):
        t_us = self.clock.now_us()
        self.writer.set_context(kind, value, t_us)
        opened = [row for row in self.now["contexts"] if row["kind"] == kind and row["t1"] is None]
        if [row["value"] for row in opened] != [value]:
            for row in opened:
                t_us = max(t_us, row["t0"])
                row["t1"] = t_us
            self.now["contexts"].append({"kind": kind, "value": value, "t0": t_us, "t1": None})
        self.acts = []

    def corrected(self):
        """A picture of what an undo brings back."""
        self.acts.append(copy.deepcopy((self.now["placements"], self.now["contexts"])))
        return self.clock.now_us(), self.writer.begin_act()

    @precondition(lambda self: self.now["placements"])
    @rule(data=st.data(), tag=st.sampled_from(TAGS), word=st.sampled_from("XYZ"))
    def move(self, data, tag, word):
        number = data.draw(st.sampled_from(sorted(self.now["placements"])))
        if self.now["placements"][number][tag] != word:
            t_us, act = self.corrected()
            self.writer.correct_placement(number, t_us, "moved", act, **{tag: word})
            self.now["placements"][number][tag] = word

    @precondition(lambda self: self.now["placements"])
    @rule(data=st.data())
    def strike_or_take_in(self, data):
        number = data.draw(st.sampled_from(sorted(self.now["placements"])))
        t_us, act = self.corrected()
        row = self.now["placements"][number]
        row["struck"] = not row["struck"]
        self.writer.correct_placement(number, t_us, "", act, struck=row["struck"])

    @precondition(lambda self: any(row["t1"] > row["t0"] for row in self.now["placements"].values()))
    @rule(data=st.data(), share=st.floats(0, 1))
    def split(self, data, share):
        long = [number for number, row in self.now["placements"].items() if row["t1"] > row["t0"]]
        number = data.draw(st.sampled_from(long))
        row = self.now["placements"][number]
        at_us = row["t0"] + 1 + int(share * (row["t1"] - row["t0"] - 1))
        t_us, act = self.corrected()
        new = self.writer.split_placement(number, at_us, t_us, "", act, lambda row, from_us, to_us: {"count": 3})
        self.now["placements"][new] = row | {"t0": at_us}
        row["t1"] = at_us - 1

    @rule(kind=st.sampled_from(KINDS), value=st.sampled_from("RST"), first=st.floats(0, 1), second=st.floats(0, 1))
    def relabel(self, kind, value, first, second):
        """Between placements; the plain model cuts every interval by hand."""
        begin_us, now_us = 1_700_000_000_000_000, self.clock.now_us()
        from_us, until_us = sorted(begin_us + int(share * (now_us - begin_us)) for share in (first, second))
        if from_us >= until_us:
            return
        t_us, act = self.corrected()
        self.writer._relabel_context(kind, Held(None, value, from_us, until_us), t_us, act)
        rest = [row for row in self.now["contexts"] if row["kind"] != kind]
        for row in (row for row in self.now["contexts"] if row["kind"] == kind):
            ends_us = math.inf if row["t1"] is None else row["t1"]
            if row["t0"] >= until_us or ends_us <= max(from_us, row["t0"] - 1):
                rest.append(row)
                continue
            if row["t0"] < from_us:
                rest.append(row | {"t1": from_us})
            if ends_us > until_us:
                rest.append(row | {"t0": until_us})
        self.now["contexts"] = [*rest, {"kind": kind, "value": value, "t0": from_us, "t1": until_us}]

    @precondition(lambda self: self.acts)
    @rule()
    def take_back(self):
        self.writer.undo(self.writer.last_act(), self.clock.now_us(), "")
        placements, contexts = self.acts.pop()
        gone = {number: self.now["placements"][number] for number in set(self.now["placements"]) - set(placements)}
        never = {number: row | {"t1": row["t0"] - 1, "struck": True} for number, row in gone.items()}
        self.now["placements"], self.now["contexts"] = placements | never, contexts

    # The file

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
        self.now, self.acts = copy.deepcopy(self.kept), []
        self.writer = SessionWriter.resume(self.path, self.clock)

    @rule()
    def close_and_resume(self):
        self.writer.close()
        self.acknowledged()
        assert [each.name for each in self.path.parent.iterdir()] == [self.path.name]
        self.writer = SessionWriter.resume(self.path, self.clock)

    # What is seen

    @invariant()
    def the_file_holds_what_was_acknowledged(self):
        found = plain_twin.readings(self.path)
        for key in KEYS:
            name = tuple(map(str, key))
            assert same((t, v) for t, v, _ in found.get(name, [])) == same(self.kept["readings"][key])
        with open_session(self.path) as records:
            assert len(records.readings()) == sum(map(len, self.kept["readings"].values()))
            assert records.events("note")["text"].tolist() == self.kept["notes"]
            rows = records.placements().to_dict("records")
            assert len(records.losses()) == 0
        seen = {row["id"]: (*(row[tag] for tag in TAGS), row["t0_us"], row["t1_us"], row["struck"]) for row in rows}
        names = (*TAGS, "t0", "t1", "struck")
        assert seen == {number: tuple(map(row.get, names)) for number, row in self.kept["placements"].items()}

    @precondition(lambda self: any(self.kept["readings"].values()))
    @rule(data=st.data(), buckets=st.integers(1, 30), exact=st.sampled_from([None, 0, 10**9]))
    def look_at_any_zoom(self, data, buckets, exact):
        """Each point is the lowest and highest of all readings from its time to the next one's."""
        key = data.draw(st.sampled_from([key for key in KEYS if self.kept["readings"][key]]))
        kept = self.kept["readings"][key]
        ends = [data.draw(st.integers(0, len(kept) - 1)) for _ in range(2)]
        start_us, end_us = sorted(kept[place][0] for place in ends)
        with open_session(self.path) as records:
            numbers = {(row.instrument, row.channel, row.quantity): row.id for row in records.series().itertuples()}
            number = numbers[tuple(map(str, key))]
            view = records.overview(number, start_us, end_us, buckets, exact)
            frame = records.readings(number, start_us, end_us)
        inside = [(t_us, value) for t_us, value in kept if start_us <= t_us <= end_us]
        assert same(zip(frame["time"].astype("int64").tolist(), frame["value"].tolist(), strict=True)) == same(inside)
        times = view.t.tolist()
        assert len(times) <= buckets and times[0] == start_us
        for place, (low, high) in enumerate(zip(view.low.tolist(), view.high.tolist(), strict=True)):
            stop_us = times[place + 1] if place + 1 < len(times) else math.inf
            own = [value for t_us, value in inside if times[place] <= t_us < stop_us and not math.isnan(value)]
            assert (low, high) == (min(own), max(own)) if own else math.isnan(low) and math.isnan(high)

    @precondition(lambda self: self.kept["readings"][KEYS[0]])
    @rule(data=st.data())
    def look_at_the_tags_of_a_stretch(self, data):
        kept = self.kept["readings"][KEYS[0]]
        first = data.draw(st.integers(0, len(kept) - 1))
        chosen = kept[first : first + 30]
        with open_session(self.path) as records:
            frame = records.readings("dc_v", chosen[0][0], chosen[-1][0])
        for (t_us, _), row in zip(chosen, frame.to_dict("records"), strict=True):
            assert [row[tag] for tag in TAGS] == self.tags_at(t_us)

    def tags_at(self, t_us):
        """The rule of FORMAT.md, by going through everything."""
        begun = [
            (row["t0"], number, row)
            for number, row in self.kept["placements"].items()
            if row["t0"] <= t_us and row["t1"] >= row["t0"]
        ]
        if begun and max(begun)[2]["t1"] >= t_us:
            return [max(begun)[2][tag] for tag in TAGS]
        held = ["", ""]
        for kind in KINDS:
            own = [row for row in self.kept["contexts"] if row["kind"] == kind and row["t0"] <= t_us]
            last = max(own, key=lambda row: (row["t0"], row["t1"] is None, row["t1"] or 0), default=None)
            ended = last is None or (last["t1"] is not None and last["t1"] < t_us)
            held.append("" if ended else last["value"])
        return held

    def teardown(self):
        if hasattr(self, "writer"):
            self.writer.abandon()
            self.folder.cleanup()


TestSessionFile = SessionFile.TestCase
TestSessionFile.settings = settings(max_examples=20, stateful_step_count=20)
