"""The kinds of part a drawing may name: how many nets, which keys, what must be said."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Kind:
    """``nets`` names the nets in their order; ``more_nets`` allows further ones (a selector's contacts)."""

    nets: tuple[str, ...]
    keys: tuple[str, ...] = ()
    needs: tuple[str, ...] = ()
    more_nets: bool = False
    needs_one_of: tuple[str, ...] = ()


_TWO = ("one end", "other end")
_JUNCTION = ("anode", "cathode")
_TRANSISTOR = ("collector", "base", "emitter")
_CONTACTS = ("one contact", "other contact")

KINDS: dict[str, Kind] = {
    "source": Kind(("+", "-"), ("value", "inner_ohm", "follows_mains"), ("value",)),
    "resistor": Kind(_TWO, ("value",), ("value",)),
    "inductor": Kind(_TWO, ("value", "dc_ohm")),
    "capacitor": Kind(_TWO, ("value",), ("value",)),
    "fuse": Kind(_TWO, ("value",)),
    "jumper": Kind(_TWO),
    "connector": Kind(_TWO),
    "joint": Kind(_TWO),
    "switch": Kind(_CONTACTS, ("closed_in",), ("closed_in",)),
    "selector": Kind(("common", "contact"), ("contact_in",), ("contact_in",), more_nets=True),
    "relay": Kind(_CONTACTS, ("closed_in",), ("closed_in",)),
    "diode": Kind(_JUNCTION, ("value",)),
    "led": Kind(_JUNCTION, ("value",)),
    "zener": Kind(_JUNCTION, ("value",), ("value",)),
    "regulator": Kind(("in", "out", "common"), ("value", "dropout_v"), ("value",)),
    "npn": Kind(_TRANSISTOR),
    "pnp": Kind(_TRANSISTOR),
    "load": Kind(_TWO, ("current_a", "ohm"), needs_one_of=("current_a", "ohm")),
}
COMMON_KEYS = ("name", "kind", "nets", "tolerance_percent", "weight")
