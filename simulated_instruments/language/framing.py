"""A stream of bytes cut into program messages: a newline ends one, except inside a definite block."""

LONGEST_MESSAGE = 1 << 20


class MessageSplitter:
    """Feed it what arrives; it gives back whole messages without their newline.

    A message longer than ``LONGEST_MESSAGE`` is thrown away up to its newline and given back as None,
    so that the instrument can say -363.
    """

    def __init__(self) -> None:
        self._held = bytearray()
        self._overrun = False

    def feed(self, data: bytes) -> list[bytes | None]:
        """Add ``data``; returns the messages that it completes."""
        self._held += data
        messages: list[bytes | None] = []
        while (end := self._end()) is not None:
            message = bytes(self._held[:end])
            del self._held[: end + 1]
            messages.append(None if self._overrun else message)
            self._overrun = False
        if len(self._held) > LONGEST_MESSAGE:
            self._held.clear()
            self._overrun = True
        return messages

    def finish(self) -> list[bytes | None]:
        """What is held, ended by the END of a bus instead of a newline (IEEE 488.2, 7.5)."""
        held, self._held = bytes(self._held), bytearray()
        overrun, self._overrun = self._overrun, False
        if overrun:
            return [None]
        return [held] if held else []

    def clear(self) -> None:
        """Forget what is held."""
        self._held.clear()
        self._overrun = False

    def _end(self) -> int | None:
        """Index of the newline that ends the first message; None while it is not there."""
        at, quote = 0, 0
        while at < len(self._held):
            byte = self._held[at]
            if byte == 0x0A:
                return at
            if quote or byte in b"\"'":
                quote = 0 if byte == quote else (quote or byte)
                at += 1
            elif byte == 0x23:
                at = self._after_block(at)
            else:
                at += 1
        return None

    def _after_block(self, at: int) -> int:
        width = self._held[at + 1 : at + 2]
        if not width.isdigit() or width == b"0":
            return at + 1
        count = self._held[at + 2 : at + 2 + int(width)]
        if len(count) < int(width):
            return at + 1 if b"\n" in count else len(self._held)
        return at + 2 + int(width) + int(count) if count.isdigit() else at + 1
