"""ONC remote procedure calls, the server's half (RFC 1057; XDR: RFC 1014; from memory): bytes to values and back."""

import struct
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from simulated_instruments.serving.reading import Reader
from simulated_instruments.wire import Spoken

LONGEST_RECORD = 1 << 21
_CALL, _REPLY, _RPC_VERSION = 0, 1, 2
_ACCEPTED, _DENIED = 0, 1
_SUCCESS, _NO_PROGRAM, _WRONG_VERSION, _NO_PROCEDURE, _GARBAGE = range(5)
_LAST_FRAGMENT = 0x8000_0000


class Garbage(Exception):
    """Arguments that cannot be read."""


class Arguments:
    """XDR values read one after the other. Raises ``Garbage``."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def uint(self) -> int:
        """Unsigned, 32 bits."""
        if self._at + 4 > len(self._data):
            raise Garbage
        (value,) = struct.unpack_from("!I", self._data, self._at)
        self._at += 4
        return int(value)

    def signed(self) -> int:
        """Signed, 32 bits."""
        value = self.uint()
        return value - (1 << 32) if value & 0x8000_0000 else value

    def opaque(self, longest: int | None = None) -> bytes:
        """Bytes with their length, padded to four."""
        length = self.uint()
        data = self._data[self._at : self._at + length]
        if len(data) < length or (longest is not None and length > longest):
            raise Garbage
        self._at += length + -length % 4
        return data


def uints(*values: int) -> bytes:
    """XDR of 32-bit numbers."""
    return b"".join(struct.pack("!I", value & 0xFFFF_FFFF) for value in values)


def opaque(data: bytes) -> bytes:
    """XDR of bytes with their length."""
    return uints(len(data)) + data + bytes(-len(data) % 4)


def prefixed(prefix: bytes, data: bytes) -> bytes:
    """``data`` after ``prefix``; an answer inside it stays marked."""
    if not isinstance(data, Spoken):
        return prefix + data
    return Spoken.framed(prefix + data, slice(data.body.start + len(prefix), data.body.stop + len(prefix)))


Procedure = Callable[[Arguments], bytes | None]


@dataclass(frozen=True, slots=True)
class Program:
    """One version of a program; procedure 0, which does nothing, is always there."""

    version: int
    procedures: Mapping[int, Procedure]


def reply_to(call: bytes, programs: Mapping[int, Program]) -> bytes | None:
    """Carry out one call and give its reply; None for what deserves none."""
    arguments = Arguments(call)
    try:
        xid, kind = arguments.uint(), arguments.uint()
        if kind != _CALL:
            return None
        if arguments.uint() != _RPC_VERSION:
            return uints(xid, _REPLY, _DENIED, 0, _RPC_VERSION, _RPC_VERSION)
        return prefixed(uints(xid, _REPLY, _ACCEPTED, 0, 0), _outcome(arguments, programs))
    except Garbage:
        return None


def _outcome(arguments: Arguments, programs: Mapping[int, Program]) -> bytes:
    number, version, procedure = arguments.uint(), arguments.uint(), arguments.uint()
    for _ in ("credentials", "verifier"):
        arguments.uint()
        arguments.opaque(400)
    program = programs.get(number)
    if program is None:
        return uints(_NO_PROGRAM)
    if program.version != version:
        return uints(_WRONG_VERSION, program.version, program.version)
    if procedure == 0:
        return uints(_SUCCESS)
    if procedure not in program.procedures:
        return uints(_NO_PROCEDURE)
    try:
        result = program.procedures[procedure](arguments)
    except Garbage:
        return uints(_GARBAGE)
    return prefixed(uints(_SUCCESS), result or b"")


def call(xid: int, program: int, version: int, procedure: int, arguments: bytes) -> bytes:
    """A call without credentials."""
    return uints(xid, _CALL, _RPC_VERSION, program, version, procedure, 0, 0, 0, 0) + arguments


def record(data: bytes) -> bytes:
    """``data`` as one record of one fragment (RFC 1057, section 10)."""
    return prefixed(uints(_LAST_FRAGMENT | len(data)), data)


def read_record(reader: Reader) -> bytes:
    """The next record, of any number of fragments. Raises ``ConnectionError``."""
    whole = bytearray()
    while True:
        mark = int.from_bytes(reader.exactly(4), "big")
        length = mark & ~_LAST_FRAGMENT
        if len(whole) + length > LONGEST_RECORD:
            raise ConnectionAbortedError(f"a record is at most {LONGEST_RECORD} bytes here")
        whole += reader.exactly(length)
        if mark & _LAST_FRAGMENT:
            return bytes(whole)
