"""Words for what can be done with a part itself: a bypass as a proof, a test by itself."""

from collections.abc import Sequence

from daemon.drawing import Part

BYPASS = {
    "capacitor": "a like capacitor held across it, the same way round",
    "regulator": "its output fed from a bench supply that is limited to what it has to give",
    "source": "another supply in its place",
    "fuse": "another fuse of the same value, never a link, and the lamp in the feed: it blew for a reason",
    "resistor": "a like resistor across it",
    "inductor": "a resistor of its own few ohms across it",
    "diode": "a like diode across it, the same way round",
    "led": "a like one across it, the same way round",
    "zener": "a like one across it, the same way round",
    "npn": "a like one across it, leg to leg",
    "pnp": "a like one across it, leg to leg",
    "load": "a resistor in its place that draws what it has to draw",
}
LINK = "a link across it"
TEST = {
    "capacitor": "its value, its series resistance and its leakage at working volts",
    "diode": "the diode function, both ways round",
    "led": "the diode function: it lights faintly one way round",
    "zener": "the diode function one way, its zener volts through a resistor from a bench supply the other way",
    "npn": "the diode function from base to emitter and collector, and ohms from collector to emitter",
    "pnp": "the diode function from emitter and collector to base, and ohms from collector to emitter",
    "inductor": "its ohms and its inductance",
    "regulator": "its output on a bench supply, with a load",
    "load": "what it draws from a bench supply with a current limit",
    "source": "its volts without a load and with one",
}
OHMS = "its ohms"


def bypass_words(name: str, part: Part | None) -> str:
    """How to lead past it, and that all three readings are wanted."""
    how = BYPASS.get(part.kind, LINK) if part is not None else "a feed of its own"
    three = "the faulty point read before, with it, and after"
    return f"{name} led past with {how}, fitted with the power off; {three}: only all three prove it."


def test_words(part: Part, fault: str) -> str:
    """How to test it out of circuit."""
    return f"{part.name} ({fault}) with one end lifted: {TEST.get(part.kind, OHMS)}."


def listed(names: Sequence[str]) -> str:
    """Names as they are said."""
    return " or ".join(names[:3]) if names else "what feeds and filters it"
