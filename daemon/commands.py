"""The write door: what may be said to a running daemon, checked here, and how to say it.

``COMMANDS`` is the whole language; nothing in it carries a raw instrument command. ``checked``
is pure and used by the daemon; ``say``, ``fetch_state`` and ``feed`` are for callers.
"""

import base64
import ssl
from collections.abc import AsyncGenerator, Mapping
from dataclasses import dataclass
from typing import Any

import httpx
import websockets

from drivers.errors import CommandError, DoorError

LONGEST_TEXT = 2000
LONGEST_DRAWING = 400_000
LONGEST_PHOTO = 2_000_000  # bytes; as base64 a third more
AMOUNTS = {"am": "depth_percent", "fm": "deviation_hz"}  # by modulation
WALK_ACTS = ("start", "next", "back", "hold", "go on", "here", "then", "end")
MOST_WORDS = 500  # in a list
NOTE_KINDS = ("note", "proof", "part replaced", "part lifted", "bypassed", "adjusted", "cleaned")


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a command: its type, whether it must be there, and what it may be."""

    type: type = str
    needed: bool = False
    may_be_empty: bool = True
    choices: tuple[str, ...] = ()
    lowest: float = 0.0  # of a number; this one itself only where it is below 0
    highest: float = 1e6
    longest: int = LONGEST_TEXT
    meaning: str = ""


_UNIT = {
    "unit": Field(meaning="what is being repaired"),
    "serial": Field(meaning="its serial number"),
    "protection": Field(choices=("earthed", "double-insulated"), meaning="3 wires or 2 wires"),
    "rated_mains_v": Field(type=float, meaning="the mains volts on its label"),
    "drawing": Field(meaning="path of a drawing file"),
}
COMMANDS: dict[str, dict[str, Field]] = {
    "point": {
        "point": Field(needed=True, meaning='what the probe touches; "" when it is lifted'),
        "leg": Field(meaning="which leg of the part"),
        "probe": Field(meaning="which probe; else the first of the bench file"),
    },
    "mode": {"mode": Field(needed=True, may_be_empty=False, meaning="what the controls select")},
    "condition": {"condition": Field(needed=True, may_be_empty=False, meaning="how the unit is fed")},
    "hypothesis": {
        "hypothesis": Field(needed=True, meaning='the suspicion in words; "" when none is tested'),
        "kill": Field(meaning="the reading that would kill it"),
        "state": Field(choices=("open", "proved", "dropped")),
    },
    "power": {"state": Field(needed=True, choices=("on", "off"))},
    "note": {"text": Field(needed=True, may_be_empty=False), "kind": Field(choices=NOTE_KINDS)},
    "strike": {
        "placement": Field(type=int, meaning="its number; else the probe's last"),
        "probe": Field(),
        "undo": Field(type=bool),
        "why": Field(),
    },
    "move": {
        "placement": Field(type=int, meaning="its number; else the probe's last"),
        "probe": Field(),
        "point": Field(),
        "leg": Field(),
        "mode": Field(may_be_empty=False),
        "condition": Field(may_be_empty=False),
        "hypothesis": Field(),
        "why": Field(),
    },
    "split": {
        "placement": Field(type=int, needed=True),
        "at_us": Field(type=int, needed=True, meaning="from this moment on it is another placement"),
        "point": Field(meaning="what the later one was; else as before"),
        "leg": Field(),
        "mode": Field(may_be_empty=False),
        "condition": Field(may_be_empty=False),
        "hypothesis": Field(),
        "why": Field(),
    },
    "relabel": {
        "kind": Field(needed=True, choices=("mode", "condition", "hypothesis"), may_be_empty=False),
        "value": Field(needed=True, meaning="what held; empty only for no hypothesis"),
        "from_us": Field(type=int, needed=True),
        "until_us": Field(type=int, meaning="else it holds from then on"),
        "why": Field(),
    },
    "undo": {
        "act": Field(type=int, meaning="the number of a correction; else the last one"),
        "why": Field(),
    },
    "session": {
        "do": Field(needed=True, choices=("start", "resume")),
        "file": Field(meaning="the session file"),
        **_UNIT,
    },
    "walk": {
        "do": Field(needed=True, choices=WALK_ACTS, may_be_empty=False),
        "points": Field(type=list, meaning='points in order, each "name" or "name, leg"; else the drawing\'s'),
        "mode": Field(meaning="the mode in which these points are wanted"),
        "probe": Field(meaning="which probe; else the first of the bench file"),
    },
    "unit": _UNIT,
    "drawing": {
        "text": Field(needed=True, may_be_empty=False, longest=LONGEST_DRAWING, meaning="a drawing as TOML"),
    },
    "photo": {
        "unit": Field(needed=True, may_be_empty=False, meaning="the model whose board it shows"),
        "name": Field(needed=True, may_be_empty=False, meaning="its file name"),
        "data": Field(type=bytes, needed=True, longest=LONGEST_PHOTO, meaning="a JPEG or PNG picture as base64"),
    },
    "confirm": {"caution": Field(needed=True, may_be_empty=False), "answer": Field()},
    "reference": {"capture": Field(type=int, needed=True), "point": Field(may_be_empty=False)},
    "judged": {"capture": Field(type=int, needed=True), "verdict": Field(type=dict, needed=True)},
    "suspected": {"ranking": Field(type=dict, needed=True)},
    "arm": {
        "scope": Field(may_be_empty=False, meaning="which scope; else the only one"),
        "undo": Field(type=bool, meaning="wait no more"),
    },
    "generator": {
        "generator": Field(may_be_empty=False, meaning="which generator; else the only one"),
        "output": Field(choices=("on", "off"), may_be_empty=False, meaning="else it is left as it is"),
        "frequency_hz": Field(type=float, highest=1e12),
        "level_dbm": Field(type=float, lowest=-200.0, highest=100.0, meaning="never above the ceiling"),
        "modulation": Field(choices=("none", "am", "fm"), may_be_empty=False),
        "depth_percent": Field(type=float, highest=100.0, meaning="of AM"),
        "deviation_hz": Field(type=float, highest=1e9, meaning="of FM"),
        "source": Field(choices=("internal", "external"), may_be_empty=False, meaning="of the modulation"),
    },
    "supply": {
        "supply": Field(may_be_empty=False, meaning="which supply; else the only one"),
        "output": Field(needed=True, choices=("off",), may_be_empty=False, meaning="no command switches one on"),
    },
    "stop": {},
}


def checked(body: object) -> dict[str, Any]:
    """The command as a dict with known, well-typed fields only. Raises ``CommandError``."""
    if not isinstance(body, Mapping):
        raise CommandError("command", 'A command is a JSON object such as {"command": "mode", "mode": "PLAY"}.')
    name = body.get("command")
    if not isinstance(name, str) or name not in COMMANDS:
        raise CommandError("command", f"{name!r} is not a command; there are: {', '.join(COMMANDS)}.")
    fields = COMMANDS[name]
    unknown = sorted(str(key) for key in body if key != "command" and key not in fields)
    if unknown:
        allowed = ", ".join(fields) or "no fields"
        raise CommandError(unknown[0], f"{name} has no field {unknown[0]!r}; it takes {allowed}.")
    result = {"command": name}
    for key, field in fields.items():
        if body.get(key) is not None:
            result[key] = _checked_value(name, key, field, body[key])
        elif field.needed:
            raise CommandError(key, f"{name} needs the field {key!r}.")
    _check_together(result)
    return result


def _check_together(body: Mapping[str, Any]) -> None:
    """Fields that mean something only with, or not with, each other."""
    if body["command"] != "generator":
        return
    if not body.keys() - {"command", "generator"}:
        raise CommandError("output", "generator: say what it is to do: output, frequency_hz, level_dbm or modulation.")
    kind = body.get("modulation", "")
    for of, key in AMOUNTS.items():
        if key in body and kind != of:
            raise CommandError(key, f"generator: {key} goes with modulation {of}.")
        if kind == of and key not in body:
            raise CommandError(key, f"generator: modulation {of} needs {key}.")
    if "source" in body and kind not in AMOUNTS:
        raise CommandError("source", "generator: source goes with modulation am or fm.")


def _checked_value(command: str, key: str, field: Field, value: object) -> Any:
    if field.type is bytes:
        return _checked_bytes(command, key, field, value)
    if field.type is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value)
    if not isinstance(value, field.type) or (field.type is int and isinstance(value, bool)):
        raise CommandError(key, f"{command}: {key} must be {_TYPE_WORDS[field.type]}, not {value!r}.")
    if isinstance(value, float) and not (field.lowest < value or field.lowest == value < 0):
        raise CommandError(key, f"{command}: {key} must be a number above {field.lowest:g}, not {value!r}.")
    if isinstance(value, float) and not value <= field.highest:
        raise CommandError(key, f"{command}: {key} must be a number up to {field.highest:g}, not {value!r}.")
    if isinstance(value, int) and not -(2**53) < value < 2**53:
        raise CommandError(key, f"{command}: {key} is out of any range: {value!r}.")
    if isinstance(value, list):
        return _checked_list(command, key, value)
    return _checked_text(command, key, field, value) if isinstance(value, str) else value


def _checked_bytes(command: str, key: str, field: Field, value: object) -> bytes:
    try:
        content = base64.b64decode(value if isinstance(value, str) else "-", validate=True)
    except ValueError as error:
        raise CommandError(key, f"{command}: {key} must be base64 text.") from error
    if not 0 < len(content) <= field.longest:
        raise CommandError(key, f"{command}: {key} must hold 1 to {field.longest} bytes: make the picture smaller.")
    return content


def _checked_list(command: str, key: str, values: list[Any]) -> list[str]:
    if len(values) > MOST_WORDS or not all(isinstance(each, str) for each in values):
        raise CommandError(key, f"{command}: {key} must be a list of at most {MOST_WORDS} texts.")
    each_of_them = Field(may_be_empty=False)
    return [_checked_text(command, key, each_of_them, each) for each in values]


def _checked_text(command: str, key: str, field: Field, value: str) -> str:
    text = value.strip()
    if len(text) > field.longest:
        raise CommandError(key, f"{command}: {key} is longer than {field.longest} characters: shorten it.")
    if any(not character.isprintable() and character not in "\n\t" for character in text):
        raise CommandError(key, f"{command}: {key} holds control characters: leave them out.")
    if not text and not field.may_be_empty:
        raise CommandError(key, f"{command}: {key} cannot be empty. {_EMPTY_CURE.get(key, 'Say what it is.')}")
    if field.choices and text not in field.choices:
        raise CommandError(key, f"{command}: {key} is one of {', '.join(field.choices)}; not {text!r}.")
    return text


_TYPE_WORDS = {
    str: "text",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
    dict: "an object",
    list: "a list of texts",
}
_EMPTY_CURE = {"condition": "Say how the unit is fed: off, series lamp 60 W, isolation, direct ..."}


CLIENT = "probetrail-client"  # the header in which a caller says what it is
A_SCRIPT = "a script"  # whoever does not say so
COMMAND_LINE = "the command line"
PAGES = {
    "/": "the bench page",
    "/phone": "the phone page",
    "/timeline": "the timeline page",
    "/sessions": "the sessions page",
    "/drawing": "the drawing page",
}
A_PAGE = "a page"


def who_says(given: str | None) -> str:
    """What a caller says of itself, where it is one of the words for it: it is kept with each correction."""
    return given if given in (*PAGES.values(), A_PAGE, COMMAND_LINE) else A_SCRIPT


@dataclass(frozen=True, slots=True)
class Door:
    """Where a running daemon listens on this machine, the token it asks for, and who goes through it."""

    port: int
    token: str
    by: str = A_SCRIPT

    @property
    def headers(self) -> dict[str, str]:
        """The header that opens it, and the one that says who opens it."""
        return {"Authorization": f"Bearer {self.token}", CLIENT: self.by}


# Nothing here is said over TLS: a client that reads the machine's certificates first takes 40 ms for each command.
_NO_TLS = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)


def say(door: Door, body: Mapping[str, Any], timeout_s: float = 10.0) -> dict[str, Any]:
    """Say one command. Returns ``{"done": sentence, "id": number or None}``.

    Raises ``CommandError`` where the daemon cannot take it and ``DoorError`` where none answers.
    """
    answer = _request(door, "POST", "/commands", timeout_s, json=dict(body))
    content: dict[str, Any] = answer.json()
    if answer.status_code == 422:
        raise CommandError(str(content.get("field", "")), str(content.get("error", "")))
    return content


def fetch_state(door: Door, timeout_s: float = 10.0) -> dict[str, Any]:
    """The daemon's state as DEVELOPERS.md lists it. Raises ``DoorError``."""
    state: dict[str, Any] = _request(door, "GET", "/state", timeout_s).json()
    return state


def _request(door: Door, method: str, path: str, timeout_s: float, **more: Any) -> httpx.Response:
    try:
        # trust_env off: a proxy set for the web must not see what is said on this machine.
        with httpx.Client(trust_env=False, timeout=timeout_s, verify=_NO_TLS) as client:
            answer = client.request(method, f"http://127.0.0.1:{door.port}{path}", headers=door.headers, **more)
    except httpx.HTTPError as error:
        raise DoorError(f"The daemon on port {door.port} does not answer ({error}). Is it still running?") from error
    if answer.status_code not in (200, 422):
        raise DoorError(f"The daemon on port {door.port} refuses: {answer.status_code} {answer.text}")
    return answer


async def feed(door: Door) -> AsyncGenerator[str | bytes, None]:
    """Frames of what just happened, until the daemon goes. Raises ``DoorError`` where none answers."""
    address = f"ws://127.0.0.1:{door.port}/feed"
    try:
        async with websockets.connect(
            address, additional_headers=door.headers, max_size=None, compression=None, proxy=None
        ) as socket:
            async for frame in socket:
                yield frame
    except (OSError, websockets.WebSocketException) as error:
        raise DoorError(f"The daemon on port {door.port} does not answer ({error}).") from error
