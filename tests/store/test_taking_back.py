"""What a correction said goes when it is taken back, and what was said since stays: as if it had never been said."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daemon.records import open_session
from daemon.store.replaying import standing
from daemon.store.tags import TAGS, Tagger
from daemon.store.writer import SessionWriter
from drivers.clock import HandClock
from drivers.errors import SessionError
from tests.store.conftest import stay

METER = {"instrument": "meter", "channel": "", "quantity": "dc_v"}
KINDS = ("mode", "condition", "hypothesis")
BEGIN_US = HandClock().now_us()
STEP_US = 1_000


def modes(writer, *times_us):
    """The mode that a reading of no placement carries at each of some times."""
    contexts = [{"id": number, **row} for number, row in writer._contexts.items()]
    tagger = Tagger([], contexts)
    codes = tagger.tags(METER, np.array(times_us, np.int64)).codes["mode"]
    return [list(tagger.words["mode"])[code] for code in codes]


def relabel(writer, value, from_us, until_us, t_us, kind="mode"):
    act = writer.begin_act()
    writer.relabel(kind, value, from_us, until_us, t_us, "", act)
    return act


def test_a_relabelling_without_an_end_is_taken_back_after_another_mode_was_said(writer):
    writer.set_context("mode", "STOP", 0)
    act = relabel(writer, "REC", 10, None, 20)
    under_it = stay(writer, 25, 28, mode="REC")
    writer.set_context("mode", "PLAY", 30)
    assert modes(writer, 5, 15, 25, 35) == ["STOP", "REC", "REC", "PLAY"]
    writer.undo(act, 40, "")
    assert modes(writer, 5, 15, 25, 35) == ["STOP", "STOP", "STOP", "PLAY"]
    assert writer.placement(under_it)["mode"] == "STOP" and writer.context["mode"] == "PLAY"
    writer.undo(act + 1, 50, "")
    assert modes(writer, 5, 15, 25, 35) == ["STOP", "REC", "REC", "PLAY"]
    assert writer.placement(under_it)["mode"] == "REC"


def test_a_mode_that_is_said_again_under_a_relabelling_holds_without_it(writer):
    writer.set_context("mode", "STOP", 0)
    act = relabel(writer, "REC", 10, None, 20)
    writer.set_context("mode", "REC", 30)
    writer.undo(act, 40, "")
    assert modes(writer, 15, 25, 35) == ["STOP", "STOP", "REC"]


def test_what_lies_over_a_correction_stays_when_it_is_taken_back(writer):
    number = stay(writer, 0, 100, leg="A")
    first = writer.begin_act()
    writer.correct_placement(number, 110, "", first, leg="B", point="Q1")
    writer.correct_placement(number, 120, "", first + 1, leg="C")
    assert writer.undo(first, 130, "").placements == [number]
    assert (writer.placement(number)["leg"], writer.placement(number)["point"]) == ("C", "")
    writer.undo(first + 1, 140, "")
    assert writer.placement(number)["leg"] == "A"
    writer.undo(first + 2, 150, "")
    assert (writer.placement(number)["leg"], writer.placement(number)["point"]) == ("B", "Q1")


def test_an_act_is_taken_back_once_and_its_undo_can_be(writer, path):
    number = stay(writer, 0, 100, leg="A")
    writer.correct_placement(number, 110, "", 1, leg="B")
    writer.correct_placement(number, 120, "", 2, leg="C")
    writer.undo(1, 130, "")
    with pytest.raises(SessionError, match="taken back already"):
        writer.undo(1, 140, "")
    writer.undo(3, 150, "")
    writer.commit()
    with open_session(path) as records:
        frame = records.history()
    assert frame["undone_by"].fillna(0).tolist() == [0, 0, 4, 0]
    assert "what was said since holds" in frame["text"][2] and writer.last_act() == 2


def test_a_part_that_is_gone_takes_what_was_said_of_it_along_until_it_is_there_again(writer):
    number = stay(writer, 0, 100)
    later = writer.split_placement(number, 50, 110, "", 1)
    writer.correct_placement(later, 120, "", 2, point="X")
    undone = writer.undo(1, 130, "")
    assert undone == ([number, later], [2]) and not writer.is_there(later)
    assert writer.placement(number)["t1"] == 100
    writer.undo(3, 140, "")
    assert (writer.placement(later)["point"], writer.placement(later)["t1"]) == ("X", 100)
    writer.undo(1, 150, "")
    assert writer.split_placement(number, 50, 160, "", writer.begin_act()) == later
    assert writer.placement(later)["point"] == ""


def test_a_later_relabelling_cuts_whatever_is_there_when_an_earlier_one_is_taken_back(writer):
    number = stay(writer, 0, 100, mode="STOP")
    first = relabel(writer, "REC", 30, 60, 110)
    second = relabel(writer, "PLAY", 50, 80, 120)
    assert shown(writer, 120, "mode") == [(0, "STOP"), (30, "REC"), (50, "PLAY"), (80, "STOP")]
    writer.undo(first, 130, "")
    assert shown(writer, 120, "mode") == [(0, "STOP"), (50, "PLAY"), (80, "STOP")]
    writer.undo(second, 140, "")
    assert shown(writer, 120, "mode") == [(0, "STOP")] and writer.placement(number)["t1"] == 100


def test_a_cut_that_two_relabellings_share_stays_as_long_as_one_of_them_stands(writer):
    stay(writer, 0, 100, mode="STOP")
    first = relabel(writer, "REC", 30, 60, 110)
    relabel(writer, "PLAY", 30, 80, 120)
    writer.undo(first, 130, "")
    assert shown(writer, 120, "mode") == [(0, "STOP"), (30, "PLAY"), (80, "STOP")]


def test_what_began_while_a_relabelling_was_taken_back_is_its_own_again_when_it_stands(writer):
    """It would have begun under it; what began after the next word said live would not."""
    writer.set_context("mode", "STOP", 0)
    act = relabel(writer, "REC", 10, None, 20)
    writer.undo(act, 25, "")
    first = stay(writer, 30, 35, mode="STOP")
    writer.set_context("mode", "PLAY", 50)
    second = stay(writer, 60, 65, mode="PLAY")
    writer.undo(act + 1, 70, "")
    assert [writer.placement(number)["mode"] for number in (first, second)] == ["REC", "PLAY"]
    assert modes(writer, 15, 32, 62) == ["REC", "REC", "PLAY"]


def test_a_part_settles_anew_and_one_that_is_as_it_was_gets_what_was_known(writer):
    def settle(row, from_us, to_us):
        return {"value": float(to_us - from_us), "count": 7}

    number = stay(writer, 0, 100)
    writer.set_placement(number, value=3.5, count=50)
    for at_us, act in ((40, 1), (70, 2)):
        whose = next(n for n, row in writer._placements.items() if row["t0"] < at_us <= row["t1"])
        writer.split_placement(whose, at_us, 110, "", act, settle)
    writer.undo(1, 130, "", settle)
    assert writer.placement(number)["value"] == 69.0
    writer.undo(2, 140, "", settle)
    assert (writer.placement(number)["value"], writer.placement(number)["count"]) == (3.5, 50)


def shown(writer, until_us, tag):
    """Where a tag of the meter's readings changes, in steps of 1 us from 0."""
    placements = [{"id": number, **row} for number, row in writer._placements.items()]
    contexts = [{"id": number, **row} for number, row in writer._contexts.items()]
    tagger = Tagger(placements, contexts)
    times = np.arange(0, 101)
    tags = tagger.tags(METER, times)
    words = [list(tagger.words[tag])[code] for code in tags.codes[tag]]
    return [(int(t), words[t]) for t in times if t == 0 or words[t] != words[t - 1]]


# A story: what was said live, and corrections, at moments a step apart.
SHARE = st.floats(0, 1, exclude_max=True)
LIVE = st.tuples(st.just("live"), st.sampled_from(KINDS), st.sampled_from("UVW"))
PLACE = st.tuples(st.just("place"), st.sampled_from("AB"), st.integers(1, 4))
MOVE = st.tuples(st.just("move"), SHARE, st.sampled_from(TAGS), st.sampled_from("UX"))
STRIKE = st.tuples(st.just("strike"), SHARE, st.booleans())
SPLIT = st.tuples(st.just("split"), SHARE, SHARE)
RELABEL = st.tuples(st.just("relabel"), st.sampled_from(KINDS), st.sampled_from("UR"), SHARE, st.none() | SHARE)
UNDO = st.tuples(st.just("undo"), SHARE)
STORY = st.lists(st.one_of(LIVE, PLACE, MOVE, STRIKE, SPLIT, RELABEL, UNDO, UNDO), max_size=25)


def on_a_step(t_us):
    """Moments fall on each other often, as where one stay ends, another begins and a mode was another one."""
    return BEGIN_US + int(t_us - BEGIN_US) // STEP_US * STEP_US


class Told:
    """A session in which a story is told; ``did`` is what each part of it came to, to be told again elsewhere."""

    def __init__(self, folder, name):
        self.writer = SessionWriter.create(folder / name, HandClock(), {})
        self.now_us = BEGIN_US
        self.stays, self.did = [], []

    def parts(self):
        """Where each part of each stay lies: number by (stay, begin)."""
        rows = self.writer._placements
        stay_of = self.writer._spoken()._stay_of
        return {
            (stay_of.get(n, n), row["t0"]): n for n, row in sorted(rows.items(), reverse=True) if row["t1"] >= row["t0"]
        }

    def tell(self, what, *how):
        self.now_us += STEP_US
        before = len(self.writer._changes)
        done = getattr(self, what)(*how)
        changes = self.writer._changes[before:]
        own = [change for change in changes if change["t"] == self.now_us]
        self.did.append((own[0]["act"] if own else None, what, done))

    def live(self, kind, value):
        self.writer.set_context(kind, value, self.now_us)
        return (kind, value)

    def place(self, point, length):
        """As the keeper tags it: with what holds when it begins, and over before anything else is said."""
        tags = {kind: self.writer.context.get(kind, "") for kind in KINDS}
        begins_us = self.now_us
        self.now_us += length * STEP_US
        self.stays.append(stay(self.writer, begins_us, self.now_us - 1, point=point, **tags))
        return (point, length)

    def chosen(self, share):
        parts = sorted(self.parts())
        return parts[int(share * len(parts))] if parts else None

    def move(self, share, tag, word):
        return self.correct(self.chosen(share), {tag: word})

    def strike(self, share, struck):
        return self.correct(self.chosen(share), {"struck": struck})

    def correct(self, part, columns):
        number = self.parts().get(part)
        if number is not None:
            self.writer.correct_placement(number, self.now_us, "", **columns)
        return part, columns

    def split(self, share, where):
        part = self.chosen(share)
        if part is None:
            return None
        row = self.writer.placement(self.parts()[part])
        return self.split_at(part[0], on_a_step(row["t0"] + where * (row["t1"] - row["t0"])))

    def split_at(self, stay_number, at_us):
        for (whole, _), number in self.parts().items():
            row = self.writer.placement(number)
            if whole == stay_number and row["t0"] < at_us <= row["t1"]:
                self.writer.split_placement(number, at_us, self.now_us, "", self.writer.begin_act())
        return stay_number, at_us

    def relabel(self, kind, value, first, second):
        from_us = on_a_step(BEGIN_US + first * (self.now_us - BEGIN_US))
        until_us = None if second is None else on_a_step(from_us + second * (self.now_us - from_us)) + STEP_US // 2
        return self.relabel_at(kind, value, from_us, until_us)

    def relabel_at(self, kind, value, from_us, until_us):
        relabel(self.writer, value, from_us, until_us, self.now_us, kind)
        return kind, value, from_us, until_us

    def undo(self, share):
        acts = sorted(standing(self.writer._changes))
        if acts:
            self.writer.undo(acts[int(share * len(acts))], self.now_us, "")

    def seen(self):
        """Tags of the meter and of the whole bench, and what is struck, from before the first to the last moment."""
        moments = np.arange(BEGIN_US - STEP_US, self.now_us + STEP_US, STEP_US // 4)
        edges = [row[name] for row in self.writer._placements.values() for name in ("t0", "t1")]
        times = np.unique(np.concatenate([moments, np.array(edges, np.int64), np.array(edges, np.int64) + 1]))
        return times, self.seen_at(times)

    def seen_at(self, times):
        contexts = [{"id": number, **row} for number, row in self.writer._contexts.items()]
        found = []
        for placements in ([{"id": n, **row} for n, row in self.writer._placements.items()], []):
            tagger = Tagger(placements, contexts)
            tags = tagger.tags(METER, times)
            found += [[list(tagger.words[tag])[code] for code in tags.codes[tag]] for tag in TAGS]
            found.append(tags.struck.tolist())
        return found, dict(self.writer.context)


def told_again(told, folder):
    """The same story in which only the corrections that stand were ever said."""
    again = Told(folder, "again.session")
    stand = standing(told.writer._changes)
    which = dict(zip(told.stays, range(len(told.stays)), strict=True))
    for act, what, done in told.did:
        again.now_us += STEP_US
        if what in ("live", "place"):
            getattr(again, what)(*done)
        elif act in stand and what in ("move", "strike"):
            (whole, begins_us), columns = done
            again.correct((again.stays[which[whole]], begins_us), columns)
        elif act in stand and what == "split":
            again.split_at(again.stays[which[done[0]]], done[1])
        elif act in stand and what == "relabel":
            again.relabel_at(*done)
    return again


@given(STORY)
@settings(max_examples=80)
def test_any_story_of_corrections_and_undos_ends_as_if_only_those_that_stand_had_been_said(tmp_path_factory, story):
    folder = tmp_path_factory.mktemp("story")
    told = Told(folder, "told.session")
    for what, *how in story:
        told.tell(what, *how)
    again = told_again(told, folder)
    times, seen = told.seen()
    assert again.seen_at(times) == seen
    # What is stored is what the acts that stand give, however it came about.
    rows, _ = told.writer._spoken().parts(standing(told.writer._changes))
    now = told.writer._placements
    stored = {number: {name: now[number][name] for name in columns} for number, columns in rows.items()}
    assert stored == rows
    for each in (told, again):
        each.writer.close()


@given(STORY)
@settings(max_examples=20)
def test_what_is_read_back_from_the_file_is_what_was_in_memory(tmp_path_factory, story):
    folder = tmp_path_factory.mktemp("story")
    told = Told(folder, "told.session")
    for what, *how in story:
        told.tell(what, *how)
    before = told.seen()
    told.writer.close()
    told.writer = SessionWriter.resume(folder / "told.session", HandClock())
    assert told.seen_at(before[0]) == before[1]
    told.undo(0.5)
    again = told_again(told, folder)
    assert again.seen_at(before[0]) == told.seen_at(before[0])
    for each in (told, again):
        each.writer.close()
