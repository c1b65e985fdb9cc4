"""The cautions that a bench shows, and when each is due.

``kind`` says what the screens do with it: show, warn, confirm (once a session), answer (cannot
be left open), red (a red frame on the reading), stop.
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: where it belongs, its words and what they ask for."""

    id: str
    where: str
    text: str
    kind: str


CAUTIONS = (
    Caution(
        "class",
        "opening a job",
        "Is this unit earthed (3 wires) or double-insulated (2 wires)? Limits follow from this.",
        "answer",
    ),
    Caution(
        "first power",
        "first switch-on",
        "One hand. Cover off: mains inside. Isolation transformer feeds the unit, never the scope. "
        "Someone knows you are working.",
        "confirm",
    ),
    Caution(
        "scope clip",
        "scope added to a unit",
        "The scope clip is earth. Only on 0 V of a unit that is isolated or earthed there. Never on a hot chassis. "
        "Never remove the scope's earth.",
        "confirm",
    ),
    Caution(
        "two earths",
        "two earthed instruments on",
        "Both clips are the same earth: put them on the same 0 V.",
        "warn",
    ),
    Caution(
        "isolation",
        "isolation transformer in line",
        "Isolation does not make it safe to touch two points. An RCD does not help behind it.",
        "show",
    ),
    Caution(
        "touch limit",
        "a point above 60 V DC or 30 V AC",
        "Above the touch limit. Clip on with power off.",
        "red",
    ),
    Caution(
        "rail to rail",
        "two rails that are more than 60 V apart",
        "Two rails of opposite sign make more than the touch limit between them.",
        "red",
    ),
    Caution("unit is on", "ohms, continuity or diode on a live unit", "Unit is on. This is not a resistance.", "warn"),
    Caution(
        "discharge",
        "before any ohm reading or soldering",
        "Discharge first: through a resistor, not a screwdriver. Measure again after a minute: it can come back.",
        "show",
    ),
    Caution(
        "lamp",
        "lamp or low mains in line",
        "Fed through the lamp: bias and power are not valid.",
        "warn",
    ),
    Caution(
        "generator",
        "generator connected",
        "Into the input or the dummy aerial, never to an aerial: at -47 dBm into an aerial you are already at the US "
        "limit for unlicensed use, and it may be an emergency frequency.",
        "show",
    ),
    Caution(
        "in place",
        "a part led past or lifted",
        "What is noted as temporary stays noted until it is noted as taken away or refitted.",
        "warn",
    ),
    Caution(
        "closing",
        "before a soak, the last checks, handing back",
        "Something temporary is noted as in place: take it away or refit it, and note that; or say why it stays.",
        "answer",
    ),
    Caution(
        "always",
        "always",
        "The program does not know whether the point is safe. Believe the meter only after trying it on a known "
        "voltage, before and after. Local rules may require a licensed person for this work.",
        "show",
    ),
)
BY_ID = {caution.id: caution for caution in CAUTIONS}


@dataclass(frozen=True, slots=True)
class Situation:
    """What the cautions depend on."""

    protection: str
    rated_mains_v: float | None
    condition: str
    unit_on: bool | None
    scope_on: bool
    generator_on: bool
    dead_function_on_live_unit: bool
    dead_function: bool
    above_touch_limit: bool
    rails_apart: bool
    in_place: bool
    closing: bool
    confirmed: frozenset[str]


def due(situation: Situation) -> frozenset[str]:
    """The ids of the cautions that have to be on the screen now."""
    condition = situation.condition.lower()
    rules = {
        "class": not situation.protection or situation.rated_mains_v is None,
        "first power": "first power" not in situation.confirmed,
        "scope clip": situation.scope_on and "scope clip" not in situation.confirmed,
        "two earths": situation.scope_on and (situation.generator_on or situation.protection == "earthed"),
        "isolation": "isolat" in condition,
        "touch limit": situation.above_touch_limit,
        "rail to rail": situation.rails_apart,
        "unit is on": situation.dead_function_on_live_unit,
        "discharge": situation.dead_function and not situation.dead_function_on_live_unit,
        "lamp": "lamp" in condition or "variable" in condition,
        "generator": situation.generator_on,
        "in place": situation.in_place and not situation.closing,
        "closing": situation.closing,
        "always": True,
    }
    return frozenset(key for key, is_due in rules.items() if is_due)
