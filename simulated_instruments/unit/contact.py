"""What a tip makes of a contact that is not clean: on two legs at once, or on a capacitor that it charges."""

from dataclasses import dataclass

import numpy as np

from simulated_instruments.unit.nets import Samples, Source

_SHIFT_S = 0.05  # no bridge rests for longer
_GOLDEN = (np.sqrt(5) - 1) / 2


@dataclass(frozen=True, slots=True)
class Bridged:
    """The tip on two legs at once, more on the one than on the other and never for long; a ``Source``."""

    one: Source
    other: Source

    def slow(self, times: Samples) -> Samples:
        """See ``Source``."""
        share = 0.2 + 0.6 * ((np.floor(times / _SHIFT_S) * _GOLDEN) % 1)
        return np.asarray(self.one.slow(times) * (1 - share) + self.other.slow(times) * share)

    def fast(self, times: Samples) -> Samples:
        """See ``Source``."""
        return (self.one.fast(times) + self.other.fast(times)) / 2

    def ripple_vpp(self, t_s: float) -> float:
        """See ``Source``."""
        return max(self.one.ripple_vpp(t_s), self.other.ripple_vpp(t_s))


@dataclass(frozen=True, slots=True)
class Drifting:
    """A point that comes from ``away`` of its own value since ``t_s``, with ``tau_s``; a ``Source``."""

    source: Source
    t_s: float
    away: float
    tau_s: float

    def slow(self, times: Samples) -> Samples:
        """See ``Source``."""
        left = self.away * np.exp(-np.maximum(times - self.t_s, 0.0) / self.tau_s)
        return np.asarray(self.source.slow(times) * (1 + left))

    def fast(self, times: Samples) -> Samples:
        """See ``Source``."""
        return self.source.fast(times)

    def ripple_vpp(self, t_s: float) -> float:
        """See ``Source``."""
        return self.source.ripple_vpp(t_s)
