"""Tiny byte servers around a ``Scripted`` instrument: TCP, a pty, HiSLIP (IVI-6.1) and VXI-11."""

import contextlib
import os
import select
import socket
import struct
import threading
import tty
from abc import ABC, abstractmethod

from tests.drivers.scripted import CLOSE, Scripted


class Server(ABC):
    """Serves until ``stop``; ``resource`` is the VISA name to reach it by, with ``options`` where it needs some."""

    options: dict[str, str] = {}  # noqa: RUF012 because nobody changes it

    def __init__(self, instrument: Scripted) -> None:
        self.instrument = instrument
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def start(self) -> "Server":
        self._thread.start()
        return self

    @property
    @abstractmethod
    def resource(self) -> str: ...

    @abstractmethod
    def _serve(self) -> None: ...

    def stop(self) -> None:
        self._ending.set()
        self._thread.join(5)


class LanServer(Server):
    """Accepts one connection after another, each in a thread."""

    def __init__(self, instrument: Scripted, port: int = 0) -> None:
        super().__init__(instrument)
        self._listener = socket.create_server(("127.0.0.1", port))
        self.port: int = self._listener.getsockname()[1]
        self._connections: list[socket.socket] = []
        self._threads: list[threading.Thread] = []

    def _serve(self) -> None:
        while not self._ending.is_set():
            if not select.select([self._listener], [], [], 0.02)[0]:
                continue
            connection, _ = self._listener.accept()
            connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            connection.settimeout(5)
            self._connections.append(connection)
            thread = threading.Thread(target=self._attend, args=(connection,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _attend(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError, EOFError):
            self.attend(connection)
        connection.close()

    @abstractmethod
    def attend(self, connection: socket.socket) -> None: ...

    def hang_up(self) -> None:
        """Close every connection; new ones are accepted."""
        for connection in self._connections:
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        self._connections.clear()

    def stop(self) -> None:
        super().stop()
        self.hang_up()
        self._listener.close()
        for thread in self._threads:
            thread.join(5)

    @staticmethod
    def exactly(connection: socket.socket, count: int) -> bytes:
        data = b""
        while len(data) < count:
            piece = connection.recv(count - len(data))
            if not piece:
                raise EOFError
            data += piece
        return data


class TcpServer(LanServer):
    """Lines over plain TCP. What an instrument held for a connection is lost with it."""

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::{self.port}::SOCKET"

    def attend(self, connection: socket.socket) -> None:
        self.instrument.held.clear()
        buffer = b""
        while not self._ending.is_set():
            if not select.select([connection], [], [], 0.02)[0]:
                continue
            piece = connection.recv(65536)
            if not piece:
                return
            buffer += piece
            while b"\n" in buffer:
                line, _, buffer = buffer.partition(b"\n")
                for answer in self.instrument.hear(line):
                    if answer == CLOSE:
                        return
                    connection.sendall(answer)

    def say(self, data: bytes) -> None:
        """Send something that nobody asked for."""
        self._connections[-1].sendall(data)


class PtyServer(Server):
    """Lines over a pseudo terminal; the driver opens the other end as a serial port."""

    def __init__(self, instrument: Scripted) -> None:
        super().__init__(instrument)
        self._near, self._far = os.openpty()
        tty.setraw(self._near)
        tty.setraw(self._far)
        self._path = os.ttyname(self._far)

    @property
    def resource(self) -> str:
        return f"ASRL{self._path}::INSTR"

    def _serve(self) -> None:
        buffer = b""
        while not self._ending.is_set():
            if not select.select([self._near], [], [], 0.02)[0]:
                continue
            try:
                buffer += os.read(self._near, 65536)
            except OSError:
                return
            while b"\n" in buffer:
                line, _, buffer = buffer.partition(b"\n")
                for answer in self.instrument.hear(line):
                    if answer != CLOSE:
                        self.say(answer)

    def say(self, data: bytes) -> None:
        """Send something that nobody asked for."""
        while data and not self._ending.is_set():
            if select.select([], [self._near], [], 0.02)[1]:
                data = data[os.write(self._near, data[:1024]) :]

    def unplug(self) -> None:
        """Pull the cable."""
        self.stop()

    def stop(self) -> None:
        super().stop()
        for descriptor in (self._near, self._far):
            with contextlib.suppress(OSError):
                os.close(descriptor)


class HislipServer(LanServer):
    """The synchronised mode of HiSLIP 1.0 (IVI-6.1): Initialize, AsyncInitialize, Data, DataEnd."""

    HEADER = struct.Struct("!2sBBIQ")
    INITIALIZE, INITIALIZE_RESPONSE, DATA, DATA_END, ASYNC_INITIALIZE, ASYNC_INITIALIZE_RESPONSE = 0, 1, 6, 7, 17, 18
    CLEAR_COMPLETE, CLEAR_ACKNOWLEDGE, SIZE, SIZE_RESPONSE, ASYNC_CLEAR, ASYNC_CLEAR_ACKNOWLEDGE = 8, 9, 15, 16, 19, 23

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1::hislip0,{self.port}::INSTR"

    def attend(self, connection: socket.socket) -> None:
        message = b""
        while not self._ending.is_set():
            if not select.select([connection], [], [], 0.02)[0]:
                continue
            _, kind, _control, parameter, size = self.HEADER.unpack(self.exactly(connection, self.HEADER.size))
            payload = self.exactly(connection, size)
            if kind == self.INITIALIZE:
                connection.sendall(self.HEADER.pack(b"HS", self.INITIALIZE_RESPONSE, 0, 0x0100_0001, 0))
            elif kind == self.ASYNC_INITIALIZE:
                connection.sendall(self.HEADER.pack(b"HS", self.ASYNC_INITIALIZE_RESPONSE, 0, 0, 0))
            elif kind == self.SIZE:
                connection.sendall(self.HEADER.pack(b"HS", self.SIZE_RESPONSE, 0, 0, 8) + payload)
            elif kind == self.ASYNC_CLEAR:
                self.instrument.held.clear()
                connection.sendall(self.HEADER.pack(b"HS", self.ASYNC_CLEAR_ACKNOWLEDGE, 0, 0, 0))
            elif kind == self.CLEAR_COMPLETE:
                message = b""
                connection.sendall(self.HEADER.pack(b"HS", self.CLEAR_ACKNOWLEDGE, 0, 0, 0))
            elif kind in (self.DATA, self.DATA_END):
                message += payload
                if kind == self.DATA_END:
                    self._reply(connection, message, parameter)
                    message = b""

    def _reply(self, connection: socket.socket, message: bytes, number: int) -> None:
        pieces = self.instrument.hear(message)
        closing = CLOSE in pieces
        answer = b"".join(piece for piece in pieces if piece != CLOSE)
        if closing:
            connection.sendall(self.HEADER.pack(b"HS", self.DATA_END, 0, number, len(answer) * 2) + answer)
            raise EOFError
        if answer:
            connection.sendall(self.HEADER.pack(b"HS", self.DATA_END, 0, number, len(answer)) + answer)


class Vxi11Server(LanServer):
    """Create link, write, read, clear and destroy link of the VXI-11 core channel over ONC RPC (RFC 1057)."""

    CREATE, WRITE, READ, CLEAR, DESTROY = 10, 11, 12, 15, 23
    END, REQUEST_COUNT, TIMEOUT = 4, 1, 15

    def __init__(self, instrument: Scripted, port: int = 0) -> None:
        super().__init__(instrument, port)
        self._output = b""

    @property
    def resource(self) -> str:
        return f"TCPIP::127.0.0.1,{self.port}::inst0::INSTR"

    def attend(self, connection: socket.socket) -> None:
        while not self._ending.is_set():
            if not select.select([connection], [], [], 0.02)[0]:
                continue
            (mark,) = struct.unpack("!I", self.exactly(connection, 4))
            record = self.exactly(connection, mark & 0x7FFF_FFFF)
            xid, _, _, _, _, procedure = struct.unpack("!6I", record[:24])
            body = self._call(procedure, self._arguments(record))
            if body is None:
                return
            reply = struct.pack("!6I", xid, 1, 0, 0, 0, 0) + body
            connection.sendall(struct.pack("!I", 0x8000_0000 | len(reply)) + reply)

    @staticmethod
    def _arguments(record: bytes) -> bytes:
        place = 24
        for _ in range(2):  # credentials and verifier
            _, size = struct.unpack("!2I", record[place : place + 8])
            place += 8 + size
        return record[place:]

    def _call(self, procedure: int, arguments: bytes) -> bytes | None:
        if procedure == self.CREATE:
            return struct.pack("!4I", 0, 7, 0, 1 << 20)
        if procedure == self.WRITE:
            (size,) = struct.unpack("!I", arguments[16:20])
            pieces = self.instrument.hear(arguments[20 : 20 + size])
            self._output = b"".join(piece for piece in pieces if piece != CLOSE)
            return None if CLOSE in pieces else struct.pack("!2I", 0, size)
        if procedure == self.READ:
            return self._read(struct.unpack("!I", arguments[4:8])[0])
        if procedure == self.CLEAR:
            self._output = b""
            self.instrument.held.clear()
        return struct.pack("!I", 0)

    def _read(self, count: int) -> bytes:
        if not self._output:
            return struct.pack("!3I", self.TIMEOUT, 0, 0)
        piece, self._output = self._output[:count], self._output[count:]
        reason = self.REQUEST_COUNT if self._output else self.END
        return struct.pack("!3I", 0, reason, len(piece)) + piece + bytes(-len(piece) % 4)


class AdapterServer(LanServer):
    """An adapter with one instrument at GPIB address 9, which keeps its answer until it is asked to talk."""

    @property
    def resource(self) -> str:
        return "GPIB0::9::INSTR"

    @property
    def options(self) -> dict[str, str]:
        return {"adapter": f"PRLGX-TCPIP::127.0.0.1::{self.port}::INTFC"}

    def __init__(self, instrument: Scripted, port: int = 0) -> None:
        super().__init__(instrument, port)
        self.others: dict[str, Scripted] = {}
        self._answers: dict[str, list[bytes]] = {}
        self.told: list[str] = []

    def attend(self, connection: socket.socket) -> None:
        held, address = b"", ""
        while not self._ending.is_set():
            if not select.select([connection], [], [], 0.02)[0]:
                continue
            if not (piece := connection.recv(65536)):
                return
            held += piece
            while (end := self._end(held)) is not None:
                line, held = held[:end], held[end + 1 :]
                if line.startswith(b"++addr "):
                    address = line[7:].decode()
                elif not self._one(connection, line, address):
                    return

    def _one(self, connection: socket.socket, line: bytes, address: str) -> bool:
        instrument = self.instrument if address == "9" else self.others.get(address)
        if line.startswith(b"++"):
            self.told.append(line.decode())
            if line == b"++clr" and instrument is not None:
                instrument.held.clear()
                self._answers[address] = []
            if line == b"++read eoi":
                for piece in self._answers.pop(address, []):
                    if piece == CLOSE:
                        return False
                    connection.sendall(piece)
        elif instrument is not None:
            plain = line.replace(b"\x1b", b"")
            self._answers[address] = instrument.hear(plain)
        return True

    @staticmethod
    def _end(data: bytes) -> int | None:
        """Where the first line ends: a line feed that is not escaped."""
        at = data.find(b"\n")
        while at > 0 and data[at - 1 : at] == b"\x1b":
            at = data.find(b"\n", at + 1)
        return None if at < 0 else at
