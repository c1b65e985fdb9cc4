"""Two generators older than SCPI, invented: one answers in letters and numbers, one hardly answers at all.

Neither knows ``*IDN?``, an error queue or a status byte. What they do not understand they pass over in silence.
"""

import re
from collections.abc import Callable

from simulated_instruments.language.speaker import Answer

Rule = tuple[re.Pattern[str], Callable[[re.Match[str]], str | None]]


class OldGenerator:
    """Settings that commands change and nothing else; ``heard`` is what came, as it came."""

    def __init__(self) -> None:
        self.heard: list[str] = []
        self.settings: dict[str, float] = {"hz": 1e6, "level": self.first_level, "on": 0.0, "am": 0.0, "fm": 0.0}
        self._rules: list[Rule] = [(re.compile(pattern), method) for pattern, method in self.words().items()]

    first_level = -60.0

    def words(self) -> dict[str, Callable[[re.Match[str]], str | None]]:
        """Patterns of whole messages, and what each does."""
        return {}

    def answer(self, message: bytes | None) -> Answer:
        """Carry out one message."""
        text = (message or b"").decode("latin-1").strip()
        self.heard.append(text)
        for pattern, method in self._rules:
            found = pattern.fullmatch(text)
            if found:
                said = method(found)
                return Answer(f"{said}\n".encode("latin-1") if said else b"")
        return Answer()

    def count_sent(self, series: dict[str, int]) -> None:
        """It is not counted."""

    def _keep(self, name: str, factor: float = 1.0) -> Callable[[re.Match[str]], None]:
        def keep(found: re.Match[str]) -> None:
            self.settings[name] = float(found[1]) * factor

        return keep


class LettersGenerator(OldGenerator):
    """Two letters and a number; level in dBm; every setting can be asked for."""

    def words(self) -> dict[str, Callable[[re.Match[str]], str | None]]:
        """See ``OldGenerator``."""
        return {
            r"FR([0-9.]+)MZ": self._keep("hz", 1e6),
            r"AP(-?[0-9.]+)DM": self._keep("level"),
            r"RF([01])": self._keep("on"),
            r"AM([0-9.]+)PC": self._modulate("am", "fm"),
            r"FM([0-9.]+)KZ": self._modulate("fm", "am"),
            r"MO0": self._modulate("", "am", "fm"),
            r"ID": lambda found: "SIGNAL SOURCE 3 TYPE B",
            r"QF": lambda found: f"FR{self.settings['hz'] / 1e6:09.4f}MZ",
            r"QA": lambda found: f"AP{self.settings['level']:.1f}DM",
            r"QR": lambda found: f"RF{self.settings['on']:.0f}",
            r"QM": lambda found: self._modulation(),
        }

    def _modulate(self, kind: str, *others: str) -> Callable[[re.Match[str]], None]:
        def modulate(found: re.Match[str]) -> None:
            self.settings |= dict.fromkeys(others, 0.0)
            if kind:
                self.settings[kind] = float(found[1])

        return modulate

    def _modulation(self) -> str:
        if self.settings["am"]:
            return f"AM{self.settings['am']:02.0f}PC"
        return f"FM{self.settings['fm']:05.1f}KZ" if self.settings["fm"] else "MO0"


class DeafGenerator(OldGenerator):
    """Level in microvolts at the open socket; only its frequency can be asked for."""

    first_level = 100.0

    def words(self) -> dict[str, Callable[[re.Match[str]], str | None]]:
        """See ``OldGenerator``."""
        return {
            r"F ([0-9.]+);": self._keep("hz", 1e3),
            r"L ([0-9.]+);": self._keep("level"),
            r"E ([01]);": self._keep("on"),
            r"A ([0-9]+);": self._keep("am"),
            r"S;": lambda found: f"F{self.settings['hz'] / 1e3:.1f};",
        }
