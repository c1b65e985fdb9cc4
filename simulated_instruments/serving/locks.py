"""Who may speak to an instrument: one exclusive holder, or all who share a word (IVI-6.1, 6.5; VXI-11, B.4.3)."""

import threading
from collections.abc import Callable, Hashable


class Locks:
    """The locks on one instrument. Waiting ends early when ``given_up`` says so after a ``wake``."""

    def __init__(self) -> None:
        self._changed = threading.Condition()
        self._exclusive: Hashable | None = None
        self._sharing: dict[Hashable, str] = {}

    def is_free_for(self, holder: Hashable) -> bool:
        """Whether ``holder`` may speak now."""
        if self._exclusive is not None:
            return self._exclusive == holder
        return not self._sharing or holder in self._sharing

    def wait_free(self, holder: Hashable, timeout_s: float | None, given_up: Callable[[], bool]) -> bool:
        """Wait until ``holder`` may speak; False when it may not in time."""
        with self._changed:
            self._changed.wait_for(lambda: self.is_free_for(holder) or given_up(), timeout_s)
            return self.is_free_for(holder)

    def take(self, holder: Hashable, word: str, timeout_s: float, given_up: Callable[[], bool]) -> bool:
        """Lock, exclusively when ``word`` is empty; False when it was not to be had in time."""
        with self._changed:
            if not self._changed.wait_for(lambda: self._can(holder, word) or given_up(), timeout_s):
                return False
            if not self._can(holder, word):
                return False
            if word:
                self._sharing[holder] = word
            else:
                self._exclusive = holder
            return True

    def _can(self, holder: Hashable, word: str) -> bool:
        if self._exclusive is not None:
            return False
        others = [shared for owner, shared in self._sharing.items() if owner != holder]
        if not word:
            return not self._sharing or holder in self._sharing
        return holder not in self._sharing and all(shared == word for shared in others)

    def holds(self, holder: Hashable, exclusive: bool) -> bool:
        """Whether it holds the exclusive lock, or a shared one."""
        return self._exclusive == holder if exclusive else holder in self._sharing

    def release(self, holder: Hashable) -> str:
        """Give back one lock, the exclusive one first: "exclusive", "shared" or "" when it held none."""
        with self._changed:
            self._changed.notify_all()
            if self._exclusive is not None and self._exclusive == holder:
                self._exclusive = None
                return "exclusive"
            return "shared" if self._sharing.pop(holder, None) is not None else ""

    def wake(self) -> None:
        """Let everybody who waits look again."""
        with self._changed:
            self._changed.notify_all()

    @property
    def info(self) -> tuple[bool, int]:
        """Whether somebody holds it exclusively, and how many hold a lock."""
        holders = set(self._sharing) | ({self._exclusive} if self._exclusive is not None else set())
        return self._exclusive is not None, len(holders)
