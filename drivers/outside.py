"""Drivers from other packages: each an entry point of the group ``probetrail.drivers``.

An entry point names a function ``build(conversation, options, spec, clock)`` that returns an ``Instrument``
of the kind that ``spec.kind`` says; ``options`` holds the bench file's ``driver_options`` table.
"""

from collections.abc import Callable, Mapping
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from drivers.clock import Clock
from drivers.conversation import Conversation
from drivers.errors import DriverError
from drivers.protocols import Instrument, InstrumentSpec

GROUP = "probetrail.drivers"

Build = Callable[[Conversation, Mapping[str, Any], InstrumentSpec, Clock], Instrument]


def outside_drivers() -> dict[str, EntryPoint]:
    """Every driver that an installed package offers, by name; none is loaded."""
    return {point.name: point for point in entry_points(group=GROUP)}


def outside_driver(name: str) -> Build:
    """The function that builds driver ``name``. Raises ``DriverError`` where there is none or it does not load."""
    known = outside_drivers()
    if name not in known:
        there = ", ".join(sorted(known)) or "none is installed"
        raise DriverError(f"{name!r}: no package offers a driver of that name; there are: {there}.")
    point = known[name]
    try:
        build: Build = point.load()
    except Exception as error:  # whatever a package of somebody else raises while it is imported
        raise DriverError(
            f"{name!r}: {point.value} does not load ({error!r}): mend or reinstall its package."
        ) from error
    if not callable(build):
        raise DriverError(f"{name!r}: {point.value} is no function that builds a driver.")
    return build
