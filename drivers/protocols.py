"""What the daemon asks of a driver. A new driver fills in one of these and nothing else."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from drivers.readings import Accuracy, Identity, Poll, Trace

NO_ACCURACY = Accuracy()  # the bench file says nothing: taken as exact, and said so on the screen


@dataclass(frozen=True, slots=True)
class InstrumentSpec:
    """One ``[[instrument]]`` table of a bench file, validated.

    ``kind`` is meter, scope, generator or supply; ``resource`` a VISA resource name; ``link``
    forces tcp, serial, vxi11, hislip or visa; ``options`` are the kind's own settings (see ``registry.OPTIONS``).
    """

    name: str
    kind: str
    resource: str
    link: str | None = None
    timeout_s: float = 1.0
    accuracy: Accuracy = NO_ACCURACY
    options: Mapping[str, Any] = field(default_factory=dict)
    known: Identity | None = None  # who answered there before: another one is neither set nor read


class Instrument(Protocol):
    """What every kind has. Methods raise only ``DriverError``."""

    @property
    def identity(self) -> Identity:
        """Who answered ``*IDN?`` when the link was opened."""

    def poll(self) -> Poll:
        """Ask once for what the instrument is there for. Changes no setting."""

    def to_local(self) -> None:
        """Give the front panel back to the person, where the instrument knows how."""

    def close(self) -> None:
        """Let go of the instrument; safe to call twice, never raises."""

    def let_go(self) -> None:
        """As ``close``, but leave all as it is: a source that is on stays on."""

    @property
    def abilities(self) -> Sequence[str]:
        """What was learnt of it since the opening, in words for a check of the bench."""

    @property
    def gives_panel_back(self) -> bool:
        """Whether ``to_local`` does anything."""


class Meter(Instrument, Protocol):
    """Follows the function and range that the technician has turned to."""


class Scope(Instrument, Protocol):
    """Gives what is on its screen, or a record of all channels that belong together."""

    def record(self) -> Sequence[Trace]:
        """Stop, read every channel of one and the same record, and run again."""

    def arm(self) -> None:
        """Wait for one trigger; returns at once. Polls bring nothing until it has come, then its record."""

    def disarm(self) -> None:
        """Wait no more; a scope that ran before runs again."""

    def get_ready(self) -> str:
        """Roll slowly, so that a switch-on lies whole in one record; what was set, in words. Twice is once.

        Raises ``DriverError`` where that cannot be: then it stands as before.
        """

    def as_before(self) -> str:
        """Put back what ``get_ready`` changed, in words; empty where there is nothing to put back."""

    def doing(self) -> str:
        """What it says that it does now: running, waiting, stopped, else its own word; empty where it is silent."""


class Generator(Instrument, Protocol):
    """A signal source with a ceiling that no command can lift, off whenever it is let go or was lost."""

    def set_output(self, on: bool, frequency_hz: float | None = None, level_dbm: float | None = None) -> Poll:
        """Set, read back and return what was read. Above the ceiling: ``CommandError``, nothing changed."""


    def set_modulation(self, kind: str, amount: float = 0.0, source: str = "internal") -> Poll:
        """``kind`` am (``amount`` in per cent), fm (hertz) or none; ``source`` internal or external."""

    def switch_off(self) -> Poll:
        """Output off and made sure of; what was read back. Never raises: a doubt is a remark."""


class Supply(Instrument, Protocol):
    """Reads volts and amperes of what feeds the unit (``mains_v``, ``current_a``)."""

    def output_off(self) -> Poll:
        """Switch the output off, read back and return what was read; ``CommandError`` where it has none."""
