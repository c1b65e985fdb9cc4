"""The mains at the bench and what the unit draws from it."""

import math
import random
from dataclasses import dataclass

MAINS_HZ = 50.0


@dataclass(frozen=True, slots=True)
class Mains:
    """Mains volts that wander slowly by some hundredths of a per cent, the same for the same seed."""

    bench_v: float
    seed: int

    def factor(self, t_s: float) -> float:
        """Mains volts at ``t_s`` divided by the bench's usual ones."""
        draw = random.Random(f"mains {self.seed}")
        waves = ((2.0e-4, 67.0), (1.2e-4, 23.0))
        return 1 + sum(a * math.sin(2 * math.pi * (t_s / period + draw.random())) for a, period in waves)

    def volts(self, t_s: float) -> float:
        """Mains volts, rms."""
        return self.bench_v * self.factor(t_s)


def supply_current_a(steady_a: float, inrush: float, since_on_s: float) -> float:
    """What a unit draws ``since_on_s`` after switch-on: an inrush of so many times, gone in half a second."""
    return steady_a * (1 + (inrush - 1) * math.exp(-since_on_s / 0.12))
