"""``probetrail mark``: says one thing to the running daemon."""

import argparse
import re
from collections.abc import Mapping
from typing import Any

from daemon.commands import COMMANDS, NOTE_KINDS, WALK_ACTS, say
from daemon.running import the_running_door
from daemon.store.tags import TAGS
from drivers.clock import SystemClock, from_iso_utc, iso_utc

_TIME_HELP = "in UTC, as in the time line: 03-01 10:00:00.2"

HELP = {
    "point": "what the probe touches next or now (no name: it is lifted)",
    "mode": "what the unit's controls select",
    "condition": "how the unit is fed: off, series lamp 60 W, isolation, direct ...",
    "hypothesis": "the suspicion that is tested (no words: none)",
    "power": "the unit goes on or off just now",
    "note": "a remark for the time line",
    "strike": "the last placement (or --placement N) does not count",
    "move": "a placement was another point, leg, mode, condition or hypothesis",
    "split": "from a moment on a placement is another one",
    "relabel": "mode, condition or hypothesis was another one for a time",
    "confirm": "a caution was read, by its id; with --answer where it wants a reason",
    "walk": "points in order: " + ", ".join(WALK_ACTS),
    "undo": "take back the last step of a walk or correction, or --act N",
}
_WITHOUT_WORDS = {"strike", "move", "split", "undo"}
_NO_PROBE = {"split", "relabel", "undo", "confirm"}


def add_commands(groups: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add ``mark`` and its kinds."""
    mark = groups.add_parser("mark", help="say something to the running daemon")
    kinds = mark.add_subparsers(dest="kind", required=True, metavar="|".join(HELP))
    parsers = {name: kinds.add_parser(name, help=text, description=text) for name, text in HELP.items()}
    for name, parser in parsers.items():
        if name not in _WITHOUT_WORDS:
            parser.add_argument("words", nargs="*", metavar="WORDS")
        if name not in _NO_PROBE:
            parser.add_argument("--probe", metavar="NAME", help="which probe; else the first of the bench file")
        parser.set_defaults(carry_out=_say)
    parsers["point"].add_argument("--leg", help="which leg of the part")
    parsers["hypothesis"].add_argument("--kill", metavar="READING", help="the reading that would kill it")
    parsers["hypothesis"].add_argument("--state", choices=COMMANDS["hypothesis"]["state"].choices)
    parsers["note"].add_argument("--kind", dest="note_kind", choices=NOTE_KINDS, help="what kind of remark it is")
    parsers["confirm"].add_argument("--answer", metavar="WORDS", help="why what is in place stays")
    walk = parsers["walk"]
    walk.add_argument("--points", nargs="+", metavar="POINT", help='in this order ("Q302, C"); else the drawing\'s')
    walk.add_argument("--mode", metavar="MODE", help="the mode in which these points are wanted")
    strike = parsers["strike"]
    strike.add_argument("--placement", type=int, metavar="N", help="its number; else the probe's last")
    strike.add_argument("--undo", action="store_true", help="take it back in")
    _add_corrections(parsers)


def _add_corrections(parsers: Mapping[str, argparse.ArgumentParser]) -> None:
    for name in ("move", "split"):
        number = parsers[name].add_argument("--placement", type=int, metavar="N", required=name == "split")
        number.help = "its number in the time line" + ("; else the probe's last" if name == "move" else "")
        for tag in TAGS:
            parsers[name].add_argument(f"--{tag}", metavar="WORDS", help=f"the {tag} it was")
    parsers["split"].add_argument("--at", dest="at_us", type=moment, required=True, metavar="TIME", help=_TIME_HELP)
    relabel = parsers["relabel"]
    relabel.add_argument("--from", dest="from_us", type=moment, required=True, metavar="TIME", help=_TIME_HELP)
    relabel.add_argument("--until", dest="until_us", type=moment, metavar="TIME", help="else it holds from then on")
    parsers["undo"].add_argument("--act", type=int, metavar="N", help="its number in the history")
    for name in ("strike", "move", "split", "relabel", "undo"):
        parsers[name].add_argument("--why", metavar="WORDS")


def moment(text: str, year: str = "") -> int:
    """Session time of ``2026-03-01T10:00:00.2Z``, or of the time line's ``03-01 10:00:00.2`` of this ``year`` (UTC)."""
    try:
        if re.match(r"\d\d-\d\d ", text):
            year = year or iso_utc(SystemClock().now_us())[:4]
            text = f"{year}-{text.replace(' ', 'T')}Z"
        return from_iso_utc(_six_digits(text))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r}: write a time {_TIME_HELP}") from None


def _six_digits(text: str) -> str:
    """Seconds with any number of decimals, as ``datetime`` reads them before Python 3.11 learnt more."""
    return re.sub(r"\.(\d+)", lambda match: f".{match[1][:6]:0<6}", text)


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
    elif name == "confirm":
        body |= {"caution": words, "answer": options.answer}
    elif name == "walk":
        body["do"] = words
    elif name == "relabel":
        body["kind"], _, body["value"] = words.partition(" ")
    elif name not in _WITHOUT_WORDS:
        body[name] = words
    for key in ("kill", "state", "placement", "why", "probe", "at_us", "from_us", "until_us", "act", "points", *TAGS):
        value = getattr(options, key, None)
        if value is not None and key in COMMANDS[name] and key not in body:
            body[key] = value
    if getattr(options, "undo", False):
        body["undo"] = True
    return {key: value for key, value in body.items() if value is not None}
