"""The syntax of IEEE 488.2 and SCPI-99, bytes to values and back: pure, no I/O.

Every reader gives a value or raises ``AnswerError``, never another exception. They take a little
more than the standards permit (a missing exponent sign, lower case, a mode word without quotes),
because instruments send it, and never so much that two meanings would be possible.
"""

import math
import re
from dataclasses import dataclass
from functools import lru_cache

from drivers.errors import AnswerError
from drivers.readings import Flag, Identity, Quantity

INFINITY = 9.9e37  # SCPI-99 vol. 1, 7.2.1.4
NOT_A_NUMBER = 9.91e37  # SCPI-99 vol. 1, 7.2.1.5
PLAIN = 9e37  # below this a number is a number
LONGEST_BLOCK = 999_999_999  # nine digits are the most that a block header can hold

# IEEE 488.2: NR1 8.7.2, NR2 8.7.3, NR3 8.7.4.
_NR1 = re.compile(r"[+-]?[0-9]{1,18}")
_DECIMAL = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[Ee][+-]?[0-9]{1,4})?")
# A response header in front of a block (IEEE 488.2, 8.4); some families put a comma into it.
_HEADER = re.compile(rb":?(?:[A-Za-z][A-Za-z0-9_:, ]{0,62})?")
_OVER = re.compile(r"[+-]?(?:O\.?L|OVLD|OVER|OVERLOAD|OFL|OVERFLOW)", re.IGNORECASE)
_SPECIAL = {"INF": INFINITY, "+INF": INFINITY, "-INF": -INFINITY, "NINF": -INFINITY, "NAN": NOT_A_NUMBER}
_NODE = re.compile(r"([A-Z]+)[0-9]*")
_ERROR = re.compile(r"([+-]?[0-9]{1,6})\s*,\s*(.*)", re.DOTALL)

_NO_FLAG = Flag.NONE

_SHORT_FORMS = {
    "VOLTAGE": "VOLT",
    "CURRENT": "CURR",
    "RESISTANCE": "RES",
    "FRESISTANCE": "FRES",
    "FREQUENCY": "FREQ",
    "PERIOD": "PER",
    "CONTINUITY": "CONT",
    "DIODE": "DIOD",
    "CAPACITANCE": "CAP",
    "TEMPERATURE": "TEMP",
}
_FUNCTIONS = {
    "VOLT": Quantity.DC_V,
    "VOLT:DC": Quantity.DC_V,
    "VOLT:AC": Quantity.AC_V,
    "CURR": Quantity.DC_A,
    "CURR:DC": Quantity.DC_A,
    "CURR:AC": Quantity.AC_A,
    "RES": Quantity.OHM,
    "FRES": Quantity.OHM_4W,
    "FREQ": Quantity.FREQUENCY,
    "FREQ:VOLT": Quantity.FREQUENCY,
    "FREQ:CURR": Quantity.FREQUENCY,
    "PER": Quantity.PERIOD,
    "PER:VOLT": Quantity.PERIOD,
    "PER:CURR": Quantity.PERIOD,
    "CONT": Quantity.CONTINUITY,
    "DIOD": Quantity.DIODE,
    "CAP": Quantity.CAPACITANCE,
    "TEMP": Quantity.TEMPERATURE,
}


@dataclass(frozen=True, slots=True)
class Configuration:
    """What a meter is set to: ``function`` as it was answered, ``quantity`` None where it is not one
    that is kept; ``range`` and ``resolution`` in the quantity's unit, None where the meter is silent."""

    function: str
    quantity: Quantity | None
    range: float | None = None
    resolution: float | None = None


@dataclass(frozen=True, slots=True)
class BlockHeader:
    """Where a block's data begin and how many bytes they are (None: until the end of the message)."""

    start: int
    size: int | None


def decode(line: bytes) -> str:
    """The text of an answer without its white space (IEEE 488.2, 8.5: responses are ASCII)."""
    try:
        return line.decode("ascii").strip()
    except UnicodeDecodeError as error:
        raise AnswerError(f"{_shown(line)}: not ASCII. Check the bit rate and parity of the link.") from error


def read_integer(text: str) -> int:
    """NR1 (IEEE 488.2, 8.7.2)."""
    if not _NR1.fullmatch(text.strip()):
        raise AnswerError(f"{_shown(text)}: not a whole number (IEEE 488.2, 8.7.2).")
    return int(text)


def read_number(text: str) -> tuple[float, Flag]:
    """NR1, NR2 or NR3 with its flag; NaN where a flag says that there is no value.

    9.9E37 and more is overload, either sign, and 9.91E37 not-a-number (SCPI-99 vol. 1, 7.2.1.4/5).
    """
    try:
        value = float(text)
    except ValueError:
        value = INFINITY  # looked at below
    # What Python takes and the standard does not are underscores, words and digits beyond ASCII.
    if -PLAIN < value < PLAIN and "_" not in text and text.isascii():
        return value, _NO_FLAG  # as nearly always
    value = _plain_number(text)
    if math.isclose(value, NOT_A_NUMBER, rel_tol=1e-5):
        return math.nan, Flag.NOT_A_NUMBER
    if abs(value) >= INFINITY * (1 - 1e-5):
        return math.nan, Flag.OVERLOAD
    return value, _NO_FLAG


def read_finite(text: str) -> float:
    """NR1, NR2 or NR3 where overload makes no sense, such as a setting."""
    value, flag = read_number(text)
    if flag:
        raise AnswerError(f"{_shown(text)}: overload or not-a-number where a setting was asked for.")
    return value


def _plain_number(text: str) -> float:
    word = text.strip()
    if not _DECIMAL.fullmatch(word):
        return _special_number(text, word)
    value = float(word)
    if math.isinf(value):
        raise AnswerError(f"{_shown(text)}: a number beyond every instrument.")
    return value


def _special_number(text: str, word: str) -> float:
    if word.upper() in _SPECIAL:
        return _SPECIAL[word.upper()]
    if _OVER.fullmatch(word):  # common practice of meters older than SCPI, no source
        return -INFINITY if word.startswith("-") else INFINITY
    raise AnswerError(f"{_shown(text)}: not a number (IEEE 488.2, 8.7.2 to 8.7.4).")


def read_boolean(text: str) -> bool:
    """0 or 1 (SCPI-99 vol. 1, 7.3: boolean responses are NR1); ON and OFF are taken too."""
    word = text.strip().upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    value = read_integer(word)
    if value not in (0, 1):
        raise AnswerError(f"{_shown(text)}: neither 0 nor 1.")
    return value == 1


def read_identity(text: str) -> Identity:
    """The fields of ``*IDN?`` (IEEE 488.2, 10.14.3); those that are left out are empty."""
    fields = [part.strip() for part in unquoted(text).split(",", 3)]
    if not fields[0][:1].isalpha() or not text.isascii():
        raise AnswerError(f"{_shown(text)}: not an identity (IEEE 488.2, 10.14).")
    maker, model, serial, firmware = fields + [""] * (4 - len(fields))
    return Identity(maker, model, serial, firmware)


def read_error(text: str) -> tuple[int, str]:
    """Number and text of one entry of the error queue (SCPI-99 vol. 2, 21.8); 0 is none."""
    found = _ERROR.fullmatch(text.strip())
    if found is None:
        raise AnswerError(f"{_shown(text)}: not an entry of an error queue (SCPI-99 vol. 2, 21.8).")
    return int(found[1]), unquoted(found[2])


@lru_cache(maxsize=256)  # a meter says the same at each poll until its knob is turned
def read_configuration(text: str) -> Configuration:
    """Answer to ``CONF?`` or ``SENS:FUNC?``: function, then range and resolution where they are given.

    (SCPI-99 vol. 2, 3.1 and 18.9.) Forms: ``"VOLT +1.0E+01,+1.0E-05"``, ``VOLT:DC``, ``"RES","FREQ"``
    (the first counts).
    """
    first = split_outside_quotes(text, ",")[0].strip() if text.strip().startswith('"') else text
    function, _, parameters = unquoted(first).partition(" ")
    if not re.fullmatch(r":?[A-Za-z]+[0-9]*(:[A-Za-z]+[0-9]*)*", function):
        raise AnswerError(f"{_shown(text)}: not the name of a measuring function (SCPI-99 vol. 2, 3.1).")
    numbers = [_optional_number(part) for part in parameters.split(",")] + [None]
    return Configuration(function, _quantity(function), numbers[0], numbers[1])


def _quantity(function: str) -> Quantity | None:
    nodes = [_SHORT_FORMS.get(node, node) for node in _NODE.findall(function.upper())]
    if nodes[0] in ("SENS", "SENSE"):
        nodes = nodes[1:]
    if nodes and nodes[0] in ("XNON", "XNONE", "XTIM", "XTIME"):
        nodes = nodes[1:]  # the presentation layer of a sensor function says nothing of the quantity
    if nodes[:1] == ["TEMP"]:
        nodes = nodes[:1]  # whatever sensor it is
    return _FUNCTIONS.get(":".join(nodes))


def _optional_number(text: str) -> float | None:
    try:
        return read_finite(text)
    except AnswerError:
        return None  # DEF, AUTO, a sensor's name: the meter does not say


def split_outside_quotes(text: str, separator: str) -> list[str]:
    """Parts of an answer between separators that stand outside of strings (IEEE 488.2, 8.4)."""
    if '"' not in text and "'" not in text:
        return text.split(separator)
    parts = [""]
    inside = ""
    for character in text:
        if character in "\"'" and inside in ("", character):
            inside = "" if inside else character
        if character == separator and not inside:
            parts.append("")
        else:
            parts[-1] += character
    return parts


def unquoted(text: str) -> str:
    """The content of string data (IEEE 488.2, 8.7.8), doubled quotes made single."""
    word = text.strip()
    if len(word) >= 2 and word[0] in "\"'" and word[-1] == word[0]:
        return word[1:-1].replace(word[0] * 2, word[0]).strip()
    return word


def block_header(data: bytes | bytearray) -> BlockHeader | None:
    """Header of arbitrary block data (IEEE 488.2, 8.7.9 and 8.7.10); None while bytes are missing.

    A response header in front of it (8.4, such as ``:CURVE ``) is skipped.
    """
    found = _HEADER.match(data)
    assert found is not None  # it may be empty
    at = found.end()
    if len(data) <= at:
        return None
    if data[at : at + 1] != b"#":
        raise AnswerError(f"{_shown(data)}: a block begins with # (IEEE 488.2, 8.7.9).")
    if len(data) < at + 2:
        return None
    digits = data[at + 1] - ord("0")
    if not 0 <= digits <= 9:
        raise AnswerError(f"{_shown(data)}: the second character of a block is a digit (IEEE 488.2, 8.7.9).")
    start = at + 2 + digits
    if digits == 0:
        return BlockHeader(start, None)
    if not re.fullmatch(rb"[0-9]*", bytes(data[at + 2 : start])):
        raise AnswerError(f"{_shown(data)}: the length of a block is written in digits (IEEE 488.2, 8.7.9).")
    if len(data) < start:
        return None
    return BlockHeader(start, int(data[at + 2 : start]))


def take_block(data: bytes | bytearray) -> tuple[bytes, bytes] | None:
    """Payload of the definite-length block at the start, and what follows it; None while bytes are missing."""
    header = block_header(data)
    if header is None or header.size is None:
        return None
    end = header.start + header.size
    return (bytes(data[header.start : end]), bytes(data[end:])) if len(data) >= end else None


def check_after_block(rest: bytes | bytearray) -> None:
    """Only the terminator may follow a block that was asked for alone (IEEE 488.2, 8.5)."""
    if bytes(rest).strip(b"\r\n \t"):
        raise AnswerError(f"{_shown(rest)}: more than the terminator follows the block.")


def format_block(payload: bytes) -> bytes:
    """Definite-length arbitrary block (IEEE 488.2, 8.7.9)."""
    if len(payload) > LONGEST_BLOCK:
        raise ValueError("a block holds at most 999,999,999 bytes")
    digits = str(len(payload))
    return f"#{len(digits)}{digits}".encode() + payload


def format_number(value: float) -> str:
    """Decimal numeric program data (IEEE 488.2, 7.7.2) that reads back as the same number."""
    if not math.isfinite(value):
        raise ValueError(f"{value} cannot be sent as a number")
    return repr(float(value)).upper()


def _shown(data: str | bytes | bytearray) -> str:
    shown = repr(data[:60] if isinstance(data, str) else bytes(data[:60]))
    return shown if len(data) <= 60 else shown + "..."


def last_word(text: str) -> str:
    """An answer's value without a response header before it (IEEE 488.2, 8.4) and without quotes."""
    word = text.strip()
    header, _, value = word.rpartition(" ")
    return unquoted(value if header[:1].isalpha() or header[:1] == ":" else word)
