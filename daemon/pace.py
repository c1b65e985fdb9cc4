"""How long an instrument's polls usually take, so that one that was held up can be said so."""

from collections import deque
from statistics import median

HELD_UP = 3.0  # so many times the usual, and longer than a plain question may take
LOOKED_AT = 15


class Pace:
    """Knows one instrument's last polls."""

    def __init__(self, timeout_s: float) -> None:
        self._timeout_s = timeout_s
        self._took_s: deque[float] = deque(maxlen=LOOKED_AT)

    def remark(self, took_s: float) -> str | None:
        """A word for the time line where a poll of ``took_s`` seconds was held up, which leaves a gap in the series.

        A value that comes late but within what its question may take is right, and no loss of step.
        """
        usual_s = median(self._took_s) if self._took_s and took_s > self._timeout_s else took_s
        self._took_s.append(took_s)
        if took_s > HELD_UP * usual_s:
            return f"held up: it took {took_s:.2f} s where {usual_s:.2g} s is usual"
        return None
