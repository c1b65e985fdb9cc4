"""A bare HiSLIP client that follows IVI-6.1 (sections from memory)."""

import socket

from simulated_instruments.serving.hislip_messages import FIRST_ID, HEADER, Type

PATIENCE_S = 10


class Channel:
    """Whole messages on one connection."""

    def __init__(self, server):
        self.socket = socket.create_connection((server.host, server.port), PATIENCE_S)
        self.file = self.socket.makefile("rb")

    def send(self, kind, control=0, parameter=0, payload=b""):
        self.socket.sendall(HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)

    def receive(self):
        header = self.file.read(HEADER.size)
        if not header:
            return None
        prologue, kind, control, parameter, length = HEADER.unpack(header)
        assert prologue == b"HS"
        return kind, control, parameter, self.file.read(length)

    def close(self):
        self.file.close()
        self.socket.close()


class Client:
    """A client with both channels open, which numbers its messages."""

    def __init__(self, server):
        self.sync = self.later = Channel(server)
        try:
            self.later = Channel(server)
            self._open()
        except BaseException:
            self.close()
            raise

    def _open(self):
        self.sync.send(Type.INITIALIZE, 0, 0x0100 << 16 | 0x7878, b"hislip0")
        self.opened = self.sync.receive()
        self.session = self.opened[2] & 0xFFFF
        self.later.send(Type.ASYNC_INITIALIZE, 0, self.session)
        assert self.later.receive()[0] == Type.ASYNC_INITIALIZE_RESPONSE
        self.next_id = FIRST_ID

    def write(self, data, rmt=0, kind=Type.DATA_END):
        sent, self.next_id = self.next_id, self.next_id + 2
        self.sync.send(kind, rmt, sent, data)
        return sent

    def query(self, data, rmt=0):
        sent = self.write(data, rmt)
        kind, _, number, payload = self.sync.receive()
        assert (kind, number) == (Type.DATA_END, sent)
        return payload

    def status(self, rmt=0, number=None):
        self.later.send(Type.ASYNC_STATUS_QUERY, rmt, self.next_id - 2 if number is None else number)
        kind, status, _, _ = self.later.receive()
        assert kind == Type.ASYNC_STATUS_RESPONSE
        return status

    def clear(self, features=0):
        self.later.send(Type.ASYNC_DEVICE_CLEAR)
        assert self.later.receive()[0] == Type.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE
        self.sync.send(Type.DEVICE_CLEAR_COMPLETE, features)
        while (received := self.sync.receive())[0] != Type.DEVICE_CLEAR_ACKNOWLEDGE:
            pass
        self.next_id = FIRST_ID
        return received[1]

    def close(self):
        self.sync.close()
        self.later.close()
