"""How a tip comes to its point and stays there: by a steady hand, or by one that slips, bridges, lifts and waits.

Common practice, no source: a slip in one of five placements, two legs at once in one of five, off the point for a
moment in one of ten, a capacitor that takes its time in one of ten.
"""

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from simulated_instruments.technician.acting import Action, Hand, Wait

SLIP, TWO_LEGS, LIFT, DRIFT = 0.2, 0.2, 0.1, 0.1
MOMENT_S = (0.15, 0.4)  # off the point, or on another
SETTLES_S = 2.2  # filter, a change of range, and 1.5 s


@dataclass(frozen=True, slots=True)
class SteadyHand:
    """Lands once, and stays."""

    patience_s: float = 0.0  # added to how long a hold may last

    def land(self, probe: str, thing: str, beside: Sequence[str]) -> Iterator[Action]:
        """From the air onto ``thing``; ``beside`` is what lies around it."""
        yield _touch(probe, thing)

    def linger(self, probe: str, thing: str, beside: Sequence[str]) -> Iterator[Action]:
        """After the value was read, before the probe lifts."""
        yield from ()


@dataclass(frozen=True, slots=True)
class CarelessHand(SteadyHand):
    """Says by chance what goes wrong; the same seed, the same hand."""

    seed: int = 1
    patience_s: float = 10.0
    _draw: random.Random = field(init=False, repr=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_draw", random.Random(f"careless {self.seed}"))

    def land(self, probe: str, thing: str, beside: Sequence[str]) -> Iterator[Action]:
        """See ``SteadyHand``; the order is bridge, landing, slip and back."""
        if beside and self._happens(TWO_LEGS):
            yield Hand({"do": "bridge", "probe": probe, "thing": thing, "other": self._draw.choice(beside)})
            yield Wait(self._draw.uniform(0.2, 0.7))
        yield self._first_touch(probe, thing)
        if beside and self._happens(SLIP / 2):
            yield Wait(self._draw.uniform(0.2, 0.9))
            yield from self._slip(probe, thing, beside)

    def linger(self, probe: str, thing: str, beside: Sequence[str]) -> Iterator[Action]:
        """See ``SteadyHand``."""
        if beside and self._happens(SLIP / 2):
            yield from self._slip(probe, thing, beside)
            yield Wait(SETTLES_S)
        if self._happens(LIFT):
            yield Hand({"do": "lift", "probe": probe})
            yield self._moment()
            yield _touch(probe, thing)
            yield Wait(SETTLES_S)

    def _first_touch(self, probe: str, thing: str) -> Action:
        if not self._happens(DRIFT):
            return _touch(probe, thing)
        return _touch(probe, thing, away=self._draw.uniform(-0.3, 0.3), tau_s=self._draw.uniform(0.2, 1.0))

    def _slip(self, probe: str, thing: str, beside: Sequence[str]) -> Iterator[Action]:
        yield _touch(probe, self._draw.choice(beside))
        yield self._moment()
        yield _touch(probe, thing)

    def _moment(self) -> Wait:
        return Wait(self._draw.uniform(*MOMENT_S))

    def _happens(self, chance: float) -> bool:
        return self._draw.random() < chance


def _touch(probe: str, thing: str, **how: Any) -> Hand:
    return Hand({"do": "touch", "probe": probe, "thing": thing, **how})
