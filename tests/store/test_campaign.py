"""A seeded part of the campaign: kill -9, power cuts, a full disk; and that it would find what is lost."""

import random
import sqlite3

import pytest

from daemon.store import connection
from tests.store import campaign
from tests.store.disk import Disk, after_a_power_cut


def test_kills_power_cuts_and_full_disks_lose_nothing():
    assert campaign.run(kills=6, cuts=40, fills=5, seed=7) > 10


@pytest.mark.parametrize("pragma", ["PRAGMA synchronous = OFF", "PRAGMA synchronous = NORMAL"])
def test_the_power_cuts_find_what_a_writer_that_does_not_sync_loses(pragma, monkeypatch):
    """NORMAL syncs before checkpoints only: the file stays sound, and acknowledged commits go."""
    harden = connection._harden

    def soft(sql):
        harden(sql)
        sql.execute(pragma)

    monkeypatch.setattr(connection, "_harden", soft)
    with pytest.raises(campaign.Lost, match=r"cut, seed \d+: .*operation"):
        campaign.run(kills=0, cuts=40, fills=0, seed=7)


def test_what_was_synced_is_there_after_a_cut_and_other_sectors_may_be():
    operations = [
        ("a", "write", 0, b"x" * 1024),
        ("a", "sync", 0, b""),
        ("a", "write", 512, b"y" * 1024),
        ("a", "truncate", 100, b""),
    ]
    operations.insert(2, ("a-wal", "write", 0, b"w"))
    operations.insert(3, ("a-wal", "sync", 0, b""))
    found = {after_a_power_cut(operations, random.Random(seed)).get("a") for seed in range(300)}
    assert b"x" * 1024 in found and b"x" * 100 in found and b"x" * 512 + b"y" * 1024 in found
    assert b"x" * 512 + b"y" * 512 in found and all(content[:100] == b"x" * 100 for content in found)


def test_a_disk_lets_files_grow_by_its_room_and_no_more(tmp_path):
    with Disk() as disk:
        sql = sqlite3.connect(tmp_path / "a.db", isolation_level=None)
        sql.execute("CREATE TABLE t(x)")
        with disk.full_after(50_000), pytest.raises(sqlite3.OperationalError, match="full"):
            for _ in range(100):
                sql.execute("INSERT INTO t VALUES(randomblob(3000))")
        (count,) = sql.execute("SELECT count(*) FROM t").fetchone()
        assert 0 < count < 20 and disk.refused >= 1
        sql.execute("INSERT INTO t VALUES(1)")
        sql.close()
