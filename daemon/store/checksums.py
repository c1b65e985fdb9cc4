"""CRC-32 of what the long columns hold, and of the numbers that say what it is. Pure; ``FORMAT.md`` says the same."""

import struct
import zlib

from drivers.errors import DamagedSession


def checksum(numbers: tuple[int, ...], *bodies: bytes) -> int:
    """CRC-32 (zlib's, that of ISO/IEC 13239) of ``numbers`` as int64, little-endian, and then of the bodies."""
    crc = zlib.crc32(struct.pack(f"<{len(numbers)}q", *numbers))
    for body in bodies:
        crc = zlib.crc32(body, crc)
    return crc


def check(crc: int | None, numbers: tuple[int | None, ...], *bodies: bytes) -> None:
    """Raise ``DamagedSession`` where ``crc`` is another; None, of a row that an earlier version wrote, says nothing."""
    if crc is None:
        return
    known = numbers if None not in numbers else tuple(number or 0 for number in numbers)
    if crc != checksum(known, *bodies):  # type: ignore[arg-type] # because a tuple without None is not seen as one
        raise DamagedSession("its checksum does not fit")
