"""``probetrail arm``, ``generator`` and ``supply``: tells one instrument of the running daemon what to do."""

import argparse
from typing import Any

from daemon.commands import AMOUNTS, say
from daemon.running import the_running_door

_PREFIXES = {"k": 1e3, "M": 1e6, "G": 1e9}


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the three."""
    text = "have the scope wait for one trigger, and keep what it catches"
    arm = groups.add_parser("arm", help=text, description=text)
    arm.add_argument("--scope", metavar="NAME", help="which scope; not needed where there is only one")
    arm.add_argument("--undo", action="store_true", help="wait no more; a scope that ran before runs again")

    text = "set the generator; nothing counts as set until it reads back so"
    generator = groups.add_parser(
        "generator", help=text, description=f"{text}. Never above the ceiling; off when the daemon or the session ends."
    )
    generator.add_argument("output", nargs="?", choices=("on", "off"), help="without it the output stays as it is")
    generator.add_argument("--frequency", type=_hertz, metavar="HZ", help="such as 455k or 10.7M")
    generator.add_argument("--level", type=float, metavar="DBM", help="such as --level=-60")
    kinds = generator.add_mutually_exclusive_group()
    kinds.add_argument("--am", type=float, metavar="PERCENT", help="amplitude modulation of this depth")
    kinds.add_argument("--fm", type=_hertz, metavar="HZ", help="frequency modulation of this deviation, such as 22.5k")
    kinds.add_argument("--plain", action="store_true", help="no modulation")
    generator.add_argument("--source", choices=("internal", "external"), help="where the modulation comes from")
    generator.add_argument("--generator", metavar="NAME", help="which one; not needed where there is only one")

    text = "switch the output of a programmable supply off (no command switches one on)"
    supply = groups.add_parser("supply", help=text, description=text)
    supply.add_argument("output", choices=("off",))
    supply.add_argument("--supply", metavar="NAME", help="which one; not needed where there is only one")
    for parser in (arm, generator, supply):
        parser.set_defaults(carry_out=_say)


def _hertz(text: str) -> float:
    factor = _PREFIXES.get(text[-1:], 1.0)
    try:
        return float(text[:-1] if factor != 1.0 else text) * factor
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: write hertz, such as 455k or 10.7M") from None


def _say(options: argparse.Namespace) -> int:
    print(say(the_running_door(), command_of(options))["done"])
    return 0


def command_of(options: argparse.Namespace) -> dict[str, Any]:
    """The command that the words on the line mean."""
    name = options.command
    body: dict[str, Any] = {"command": name, name: getattr(options, name, None)}
    if name == "arm":
        body = {"command": name, "scope": options.scope, "undo": options.undo or None}
    else:
        body["output"] = options.output
    if name == "generator":
        body |= {"frequency_hz": options.frequency, "level_dbm": options.level, "source": options.source}
        body |= _modulation(options)
    return {key: value for key, value in body.items() if value is not None}


def _modulation(options: argparse.Namespace) -> dict[str, Any]:
    if options.plain:
        return {"modulation": "none"}
    for kind, key in AMOUNTS.items():
        if (amount := getattr(options, kind)) is not None:
            return {"modulation": kind, key: amount}
    return {}
