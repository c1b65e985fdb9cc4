"""Messages of HiSLIP (IVI-6.1, section 6; from memory): bytes to values and back."""

import struct
from dataclasses import dataclass
from enum import IntEnum

from simulated_instruments.serving.reading import Reader
from simulated_instruments.wire import Spoken

HEADER = struct.Struct("!2sBBIQ")  # prologue, type, control code, message parameter, payload length
FIRST_ID = 0xFFFF_FF00
LAST_TYPE, FIRST_VENDOR_TYPE = 38, 128


class Type(IntEnum):
    """Message types that are understood (table 4)."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAXIMUM_SIZE = 15
    ASYNC_MAXIMUM_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_SERVICE_REQUEST = 20
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class Fatal(IntEnum):
    """Codes of FatalError: the connection ends."""

    UNIDENTIFIED = 0
    POOR_HEADER = 1
    CHANNEL_MISSING = 2
    INVALID_INITIALIZATION = 3
    TOO_MANY_CLIENTS = 4


class Wrong(IntEnum):
    """Codes of Error: the message is ignored."""

    UNIDENTIFIED = 0
    MESSAGE_TYPE = 1
    CONTROL_CODE = 2
    VENDOR_MESSAGE = 3
    TOO_LARGE = 4


class FatalError(Exception):
    """What has to be said before the connection is closed."""

    def __init__(self, code: Fatal, text: str) -> None:
        super().__init__(text)
        self.code = code


@dataclass(frozen=True, slots=True)
class Header:
    """One message without its payload."""

    type: int
    control: int
    parameter: int
    length: int


def read_header(reader: Reader) -> Header:
    """The next header. Raises ``FatalError`` where there is none."""
    prologue, kind, control, parameter, length = HEADER.unpack(reader.exactly(HEADER.size))
    if prologue != b"HS":
        raise FatalError(Fatal.POOR_HEADER, "a message begins with HS")
    return Header(kind, control, parameter, length)


def message(kind: Type, control: int = 0, parameter: int = 0, payload: bytes = b"") -> bytes:
    """One message as it is sent."""
    return HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload


def answer_messages(data: bytes, message_id: int, largest: int) -> Spoken:
    """An answer as Data messages of at most ``largest`` bytes each, the last of them a DataEnd."""
    step = max(largest - HEADER.size, 1)
    last = max(len(data) - 1, 0) // step * step
    sent = b"".join(message(Type.DATA, 0, message_id, data[at : at + step]) for at in range(0, last, step))
    sent += message(Type.DATA_END, 0, message_id, data[last:])
    return Spoken.framed(sent, slice(len(sent) - (len(data) - last), len(sent)))


def is_newer(one: int, other: int) -> bool:
    """Whether message id ``one`` comes after ``other``, ids being 32 bits that wrap around."""
    return 0 < (one - other) % (1 << 32) < 1 << 31
