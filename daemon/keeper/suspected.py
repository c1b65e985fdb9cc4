"""What the judging process says may be broken: an opinion of the moment, shown and not stored.

It follows from the readings and marks that are stored, and is worked out again from them whenever it is asked for.
"""

import math
from typing import Any

from daemon.keeper.desk import Desk
from drivers.errors import CommandError

LISTS = ("parts", "suspects", "credible_set", "next", "no_dc_trace")


def take_ranking(desk: Desk, body: dict[str, Any]) -> dict[str, Any]:
    """Put the ranking into the state. Raises ``CommandError`` where it is none, or of another session."""
    ranking = body["ranking"]
    if not all(isinstance(ranking.get(key), list) for key in LISTS) or not _is_finite(ranking):
        raise CommandError("ranking", f"A ranking is an object with the lists {', '.join(LISTS)} and finite numbers.")
    if ranking.get("session") != str(desk.writer.path):
        raise CommandError("ranking", "This ranking belongs to another session.")
    desk.suspects = ranking
    desk.state_is_old = True
    return {"done": "Suspects taken.", "id": None}


def _is_finite(value: object) -> bool:
    if isinstance(value, dict):
        return all(_is_finite(part) for part in value.values())
    if isinstance(value, list):
        return all(_is_finite(part) for part in value)
    return not isinstance(value, float) or math.isfinite(value)
