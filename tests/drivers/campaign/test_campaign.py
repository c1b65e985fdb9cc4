"""A seeded part of the campaign; all of it: ``python -m tests.drivers.campaign --full``."""

from tests.drivers.campaign.running import campaign, station_names

SEED = 20260301
FAULTS = 270
LONGEST_S = 30.0


# Known gap, cause not found: in the whole campaign (10,012 faults) 5 left no word, and on a busy machine 3 in 271 of
# this part did. None of them brought a wrong value. The goal is none: ``--full`` fails on the first.
MOST_UNSEEN_SHARE = 0.02


def test_no_fault_brings_a_wrong_value_a_hang_or_a_leak_and_hardly_any_passes_unseen():
    report = campaign(SEED, FAULTS, within_s=LONGEST_S)
    assert not (report.wrong or report.hangs or report.leaks), "\n".join(report.lines())
    assert len(report.unseen) <= MOST_UNSEEN_SHARE * report.faults, "\n".join(report.lines())
    assert report.faults >= len(station_names()) and report.polls > report.faults
    assert sum(report.noticed.values()) > report.faults / 2
