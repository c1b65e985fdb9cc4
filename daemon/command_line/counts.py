"""Did every value that the simulated instruments sent arrive in the session, once?"""

import json
from collections import Counter
from pathlib import Path

from daemon.records import open_session


def compare_counts(counts_file: Path, session: Path) -> bool:
    """Print a line for each series whose counts differ, or one for all; True where none differs."""
    sent = {
        (instrument, series): count
        for instrument, of_instrument in json.loads(counts_file.read_text()).items()
        for series, count in of_instrument.items()
        if count
    }
    with open_session(session) as records:
        stored = Counter(zip(*(records.readings()[name] for name in ("instrument", "series")), strict=True))
    differing = {key for key in sent.keys() | stored.keys() if sent.get(key, 0) != stored.get(key, 0)}
    for instrument, series in sorted(differing):
        key = (instrument, series)
        print(f"{instrument}, {series}: sent {sent.get(key, 0)} readings, stored {stored.get(key, 0)}.")
    if not differing:
        print(f"All {sum(sent.values())} readings that the instruments sent are stored, each once.")
    return not differing
