"""A generator's output that was switched on from here: marked on the disk, so that a killed daemon leaves word.

What a person switched on at the panel may feed a measurement under way, so it is left on and said; what a dead
daemon left on is expected by nobody, so it is switched off before the first poll, and said.
"""

import contextlib
import hashlib
import json
import os
from pathlib import Path
from typing import Any

from drivers.clock import iso_utc
from drivers.errors import CommandError, DriverError
from drivers.readings import Identity, Poll, Quantity


def reads_off(poll: Poll) -> bool:
    """True where the instrument itself says that its output is off now."""
    said = [reading.value for reading in poll.readings if reading.quantity is Quantity.OUTPUT]
    return bool(said) and said[-1] == 0.0


class OutputMark:
    """The mark of one instrument. Without a folder it lasts as long as the process."""

    def __init__(self, folder: Path | None, resource: str) -> None:
        name = hashlib.sha256(resource.encode()).hexdigest()[:16]
        self._path = None if folder is None else folder / f"{name}.json"
        self._resource = resource
        self._content: dict[str, Any] | None = self._read()

    def put(self, identity: Identity, t_us: int) -> None:
        """The output is about to go on. Raises ``CommandError`` where that cannot be noted: then it must not."""
        content = {"resource": self._resource, "identity": list(_box(identity)), "t_us": t_us, "pid": os.getpid()}
        if self._path is not None:
            try:
                self._path.parent.mkdir(parents=True, exist_ok=True)
                draft = self._path.with_suffix(".part")
                with draft.open("w") as file:
                    json.dump(content, file)
                    file.flush()
                    os.fsync(file.fileno())
                draft.replace(self._path)
            except OSError as error:
                raise CommandError(
                    "output", f"that its output is on cannot be noted in {self._path.parent} ({error}): left off."
                ) from error
        self._content = content

    def follow(self, poll: Poll) -> None:
        """Take what the instrument says; a mark goes when the output reads off."""
        if self._content is not None and reads_off(poll):
            self._content = None
            if self._path is not None:
                with contextlib.suppress(OSError):
                    self._path.unlink(missing_ok=True)

    def make_off(self, instrument: Any) -> Poll | None:
        """Before the first poll: what was left on from here goes off. What was read and is to be said, or None."""
        left = self._content
        if left is None or not hasattr(instrument, "switch_off"):
            return None
        since = f"(on since {iso_utc(int(left['t_us']))})"
        if tuple(left["identity"]) != _box(instrument.identity):
            other = ", ".join(left["identity"])
            return Poll(remarks=(f"{other} was left with its output on {since}, and another answers here: look at it",))
        found, off = _asked(instrument), instrument.switch_off()
        self.follow(off)
        words = _words(found, int(left["pid"]) == os.getpid(), since)
        return Poll((*found.readings, *off.readings), remarks=(*found.remarks, *off.remarks, *words))

    def _read(self) -> dict[str, Any] | None:
        if self._path is None:
            return None
        try:
            content = json.loads(self._path.read_text())
            whole = {"identity", "t_us", "pid"} <= content.keys() and content["resource"] == self._resource
        except (OSError, ValueError, AttributeError, KeyError):
            return None
        return content if whole else None


def _asked(instrument: Any) -> Poll:
    try:
        poll: Poll = instrument.poll()
    except DriverError as error:
        return Poll(remarks=(str(error),))
    return poll


def _words(found: Poll, by_us: bool, since: str) -> tuple[str, ...]:
    if reads_off(found):
        return ()
    says_on = any(reading.quantity is Quantity.OUTPUT for reading in found.readings)
    how = "was found on" if says_on else "was perhaps still on"
    who = "from here before it was lost" if by_us else "by a daemon that ended without switching it off"
    return (f"its output {how}, switched on {who} {since}: switched off before anything else",)


def _box(identity: Identity) -> tuple[str, str, str]:
    return identity.maker, identity.model, identity.serial
