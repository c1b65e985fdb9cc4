"""``probetrail mark``: says one thing to the running daemon."""

import argparse
from typing import Any

from daemon.commands import COMMANDS, NOTE_KINDS, say
from daemon.running import the_running_door

HELP = {
    "point": "what the probe touches next or now (no name: it is lifted)",
    "mode": "what the unit's controls select",
    "condition": "how the unit is fed: off, series lamp 60 W, isolation, direct ...",
    "hypothesis": "the suspicion that is tested (no words: none)",
    "power": "the unit goes on or off just now",
    "note": "a remark for the time line",
    "strike": "the last placement (or --placement N) does not count",
}


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``mark`` and its kinds."""
    mark = groups.add_parser("mark", help="say something to the running daemon")
    kinds = mark.add_subparsers(dest="kind", required=True, metavar="|".join(HELP))
    parsers = {name: kinds.add_parser(name, help=text, description=text) for name, text in HELP.items()}
    for name, parser in parsers.items():
        if name != "strike":
            parser.add_argument("words", nargs="*", metavar="WORDS")
        parser.add_argument("--probe", metavar="NAME", help="which probe; else the first of the bench file")
        parser.set_defaults(carry_out=_say)
    parsers["point"].add_argument("--leg", help="which leg of the part")
    parsers["hypothesis"].add_argument("--kill", metavar="READING", help="the reading that would kill it")
    parsers["hypothesis"].add_argument("--state", choices=COMMANDS["hypothesis"]["state"].choices)
    parsers["note"].add_argument("--kind", dest="note_kind", choices=NOTE_KINDS, help="what kind of remark it is")
    strike = parsers["strike"]
    strike.add_argument("--placement", type=int, metavar="N", help="its number; else the probe's last")
    strike.add_argument("--undo", action="store_true", help="take it back in")
    strike.add_argument("--why", metavar="WORDS")


def _say(options: argparse.Namespace) -> int:
    answer = say(the_running_door(), command_of(options))
    print(answer["done"])
    return 0


def command_of(options: argparse.Namespace) -> dict[str, Any]:
    """The command that the words on the line mean."""
    name = options.kind
    words = " ".join(getattr(options, "words", []))
    body: dict[str, Any] = {"command": name}
    if name == "power":
        body["state"] = words
    elif name == "note":
        body |= {"text": words, "kind": options.note_kind}
    elif name != "strike":
        body[name] = words
    for key in ("leg", "kill", "state", "placement", "why", "probe"):
        value = getattr(options, key, None)
        if value is not None and key in COMMANDS[name]:
            body[key] = value
    if getattr(options, "undo", False):
        body["undo"] = True
    return {key: value for key, value in body.items() if value is not None}
