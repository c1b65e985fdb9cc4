"""The one question that finds VXI-11 instruments: on which port is your core channel? Pure, no I/O.

ONC RPC call and reply messages: RFC 1057, section 8. Port mapper, version 2, procedure GETPORT: RFC 1057,
appendix A (again as RFC 1833, section 3). Program number of the core channel: VXI-11, appendix B (from memory;
the tests hold it against another library's).
"""

import struct

PORTMAPPER_PORT = 111
PORTMAPPER, PORTMAPPER_VERSION, GETPORT = 100_000, 2, 3
CORE_CHANNEL, CORE_VERSION = 0x0607AF, 1
OVER_TCP = 6  # IPPROTO_TCP

_CALL, _REPLY, _RPC_VERSION, _ACCEPTED, _SUCCESS = 0, 1, 2, 0, 0
_NO_CREDENTIALS = (0, 0)
_HEAD = struct.Struct("!5I")  # xid, message type, reply state, verifier's flavour and length
_TAIL = struct.Struct("!2I")  # accept state, port
_LONGEST_VERIFIER = 400  # RFC 1057, section 7.2


def getport_call(xid: int) -> bytes:
    """The datagram that asks for the TCP port of the VXI-11 core channel; ``xid`` comes back in the reply."""
    call = (xid, _CALL, _RPC_VERSION, PORTMAPPER, PORTMAPPER_VERSION, GETPORT, *_NO_CREDENTIALS, *_NO_CREDENTIALS)
    return struct.pack("!14I", *call, CORE_CHANNEL, CORE_VERSION, OVER_TCP, 0)


def read_getport_reply(datagram: bytes, xid: int) -> int | None:
    """The port in a reply to ``xid``; None for anything else, and where no VXI-11 is registered (port 0)."""
    if len(datagram) < _HEAD.size:
        return None
    answered, kind, state, _flavour, length = _HEAD.unpack_from(datagram)
    padded = (length + 3) // 4 * 4
    if (answered, kind, state) != (xid, _REPLY, _ACCEPTED) or length > _LONGEST_VERIFIER:
        return None
    if len(datagram) < _HEAD.size + padded + _TAIL.size:
        return None
    accepted, port = _TAIL.unpack_from(datagram, _HEAD.size + padded)
    return port if accepted == _SUCCESS and 1 <= port <= 65535 else None
