"""What can be saved of a damaged session is saved, what is lost is counted, and the original is only read."""

import gzip
import math
import re
from pathlib import Path

import numpy as np
import pytest

from daemon.command_line import main
from daemon.records import list_sessions, open_session
from daemon.store import pages
from daemon.store.lock import lock_path
from daemon.store.mend import mend
from daemon.store.writer import SessionWriter
from drivers.errors import NewerSession, NotASession, SessionBusy, SessionError
from tests.store import damage, plain_twin
from tests.store.conftest import stay

HIGHEST = 9.999


@pytest.fixture
def sound(path, clock):
    return damage.closed_session(path, clock)


@pytest.fixture
def target(tmp_path):
    (tmp_path / "out").mkdir()
    return tmp_path / "out" / "saved.session"


def lost_readings(mended):
    return sum(int(n.replace(",", "")) for n in re.findall(r"([\d,]+) readings lost", " ".join(mended.lost)))


def test_of_a_sound_session_everything_comes_over_bit_for_bit(sound, path, target, clock):
    mended = mend(path, target, clock)
    assert mended.lost == []
    assert mended.saved[0] == "meter dc_v: 10,000 readings from 2023-11-14T22:13:20.020Z to 2023-11-14T22:16:40.000Z."
    assert plain_twin.readings(target) == plain_twin.readings(path)
    assert plain_twin.codes(target, 1) == plain_twin.codes(path, 1)
    with open_session(path) as old, open_session(target) as new:
        assert old.placements().equals(new.placements()) and old.captures().equals(new.captures())
        assert new.events("mended")["text"].tolist() == ["Mended from mixer.session. Nothing was lost."]
        assert len(new.losses()) == 0 and new.meta["unit"] == "mixer"
    assert [each.state for each in list_sessions(target.parent)] == ["closed"]
    assert list(target.parent.iterdir()) == [target]


def test_whatever_page_is_torn_the_rest_is_saved_and_the_lost_are_counted(sound, path, target, clock):
    """Every other page, the first with its head and the schema too; saved and lost make the whole."""
    whole = path.read_bytes()
    saved = []
    for page in [0, *range(1, len(whole) // damage.PAGE, 2)]:
        path.write_bytes(whole)
        damage.smear(path, page)
        damaged = path.read_bytes()
        target.unlink(missing_ok=True)
        mended = mend(path, target, clock)
        assert path.read_bytes() == damaged
        with open_session(target) as records:
            frame = records.readings()
        assert len(frame) + lost_readings(mended) == 10_000, (page, mended.lost)
        assert frame["time"].is_unique and set(frame["value"]) <= {i / 1000 for i in range(10_000)}
        saved.append(len(frame))
    assert sum(count == 10_000 for count in saved) > 8 and saved.count(0) <= 1


@pytest.mark.parametrize(("share", "count"), [(0.3, 0), (0.6, 0), (0.97, 8192), (0.9999, 10_000)])
def test_of_a_file_that_is_cut_off_all_that_is_there_is_saved(share, count, sound, path, target, clock):
    """The readings lie at the end of this one, and nothing but the rest of a page behind its last bytes."""
    damage.cut(path, share)
    mended = mend(path, target, clock)
    with open_session(target) as records:
        assert len(records.readings()) == count == 10_000 - lost_readings(mended)
    assert bool(mended.lost) == (count < 10_000)


def test_of_a_file_with_nothing_but_its_head_there_is_nothing_to_save(sound, path, target, clock):
    damage.cut(path, 0.01)
    with pytest.raises(NotASession, match="nothing to save"):
        mend(path, target, clock)
    assert list(target.parent.iterdir()) == []


@pytest.mark.parametrize("name", damage.PARTIAL)
def test_of_named_corruptions_of_readings_exactly_those_are_lost(name, sound, path, target, clock):
    statement, left = damage.PARTIAL[name]
    damage.say(path, statement)
    mended = mend(path, target, clock)
    with open_session(target) as records:
        assert len(records.readings()) == left == 10_000 - lost_readings(mended)
        assert len(records.placements()) == 1 and mended.lost[0] in records.events("mended")["text"][0]


def test_a_session_that_was_not_closed_is_saved_with_what_is_in_its_log(path, target, clock):
    damage.open_session_files(path, clock)
    log = path.with_name(path.name + "-wal")
    before = path.read_bytes(), log.read_bytes()
    assert mend(path, target, clock).lost == []
    with open_session(target) as records:
        assert len(records.readings()) == 150
    assert (path.read_bytes(), log.read_bytes()) == before


def test_behind_a_tear_of_the_log_commits_are_lost_and_said(path, target, clock):
    damage.open_session_files(path, clock)
    damage.flip_in_log(path, 0.6)
    mended = mend(path, target, clock)
    with open_session(target) as records:
        left = len(records.readings())
    assert 0 < left < 150 and f"the {(150 - left) // 5} commits behind the tear are lost." in mended.lost[-1]


def test_where_both_the_file_and_its_log_are_torn_the_pages_of_both_are_looked_at(path, target, clock):
    """The log holds whole pages too: with the schema gone they are all there is."""
    damage.open_session_files(path, clock)
    damage.smear(path, 0)
    mended = mend(path, target, clock)
    with open_session(target) as records:
        assert len(records.readings()) == 150
    assert lost_readings(mended) == 0


def test_a_torn_page_of_the_tail_costs_only_its_own_rows(path, target, clock):
    damage.open_session_files(path, clock, commits=60)
    damage.settled_into_one_file(path)
    whole = path.read_bytes()
    damaged = 0
    for page in range(1, len(whole) // damage.PAGE):
        path.write_bytes(whole)
        damage.smear(path, page)
        target.unlink(missing_ok=True)
        mended = mend(path, target, clock)
        with open_session(target) as records:
            count = len(records.readings())
            assert len(records.events("mended")) == 1
        damaged += count < 300
        assert count >= 300 - 5 * 40 and count + lost_readings(mended) == 300
    assert damaged > 1


def test_of_a_capture_with_a_torn_part_each_run_of_whole_parts_is_kept(path, target, clock):
    damage.closed_session(path, clock)
    damage.say(path, damage.CAPTURES["a torn part of a capture"].replace("part = 1", "part = 0"))
    mended = mend(path, target, clock)
    assert mended.lost == [
        "Capture 1: 262,144 of 300,000 samples lost; kept are 37,856 samples from number 262,144 on."
    ]
    with open_session(target) as records, open_session(path) as old:
        (row,) = records.captures().to_dict("records")
        assert (row["n"], row["t_us"] - old.captures()["t_us"][0]) == (37_856, 2_621_440)
        assert "samples 262144 to 299999 of 300000" in row["note"]
        assert np.array_equal(records.trace(1).codes, (np.arange(262_144, 300_000) % 1000).astype(np.int16))


def test_missing_rows_of_small_tables_are_named_by_number(path, target, clock):
    with SessionWriter.create(path, clock, {}) as writer:
        for number in range(6):
            stay(writer, number, number, point="A")
            writer.add_event(number, "note", str(number))
    damage.say(path, "DELETE FROM placement WHERE id IN (2, 4)")
    damage.say(path, "DELETE FROM event WHERE id = 3")
    assert mend(path, target, clock).lost == [
        "Placements: 2 of 6 lost (number 2, 4).",
        "Events: 1 of 6 lost (number 3).",
    ]


@pytest.mark.parametrize("version", [1, 2])
def test_a_file_of_an_earlier_version_is_mended_into_one_of_this(version, path, target, clock):
    old = Path(__file__).parent / "old_files" / f"version_{version}.session.gz"
    path.write_bytes(gzip.decompress(old.read_bytes()))
    mended = mend(path, target, clock)
    with open_session(path) as before, open_session(target) as after:
        assert after.readings()["value"].equals(before.readings()["value"])
        assert after.changes()["why"].tolist() == ["wrong leg"]
        assert math.isnan(after.placements()["limits"][0]) == (version == 1)
    assert mended.lost == []


def test_nothing_is_overwritten_and_foreign_newer_and_busy_files_are_refused(sound, path, target, clock):
    target.write_text("mine")
    with pytest.raises(SessionError, match="exists already"):
        mend(path, target, clock)
    assert target.read_text() == "mine"
    target.unlink()
    with SessionWriter.resume(path, clock):
        assert lock_path(path).exists()
        with pytest.raises(SessionBusy, match="Stop that one first"):
            mend(path, target, clock)
    for name, error in (
        *(("a newer version", NewerSession), ("another program's database", NotASession)),
        *(("no database", NotASession), ("an empty file", NotASession), ("no file", NotASession)),
    ):
        whole = path.read_bytes()
        damage.REFUSED[name](path)
        with pytest.raises(error, match=path.name):
            mend(path, target, clock)
        path.write_bytes(whole)
    assert list(target.parent.iterdir()) == []


def test_the_command_says_in_words_what_was_saved_and_ends_with_what_it_means(sound, path, target, capsys):
    assert main(["mend", str(path), "--to", str(target)]) == 0
    assert "Nothing is lost." in capsys.readouterr().out
    assert main(["mend", str(path), "--to", str(target)]) == 1
    assert "exists already" in capsys.readouterr().err
    damage.say(path, "DELETE FROM chunk WHERE id = 1")
    assert main(["mend", str(path)]) == 3
    out = capsys.readouterr().out
    assert "Placements: 1." in out and "8,192 readings lost from" in out
    assert path.with_name("mixer-mended.session").exists()


def test_bytes_that_only_look_like_a_page_give_rows_or_nothing_and_no_error():
    """Seeded junk behind the mark of a table's leaf, and of an index's: never an exception."""
    rng = np.random.default_rng(7)
    for kind in (0x0D, 0x0A, 0x02):
        for _ in range(100):
            junk = bytearray(rng.integers(0, 256, 3 * 512, dtype=np.uint8).tobytes())
            junk[512] = kind
            found = pages.Pages(bytes(junk), 512)
            assert list(pages.table_rows(found)) is not None and list(pages.index_rows(found)) is not None
