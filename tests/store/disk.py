"""A disk that can lose what was not synced, or be full: it stands between SQLite and the operating system.

SQLite's own library, the one that Python uses, lets a program put a file system of its own in front (its "VFS",
described in "The OS Backend" of SQLite's documentation). This one passes everything on, writes down every write, sync,
truncation and deletion, and answers "full" when there is no room. The structures are those of ``sqlite3.h``, on a
64-bit machine.
"""

import _sqlite3
import contextlib
import ctypes
from ctypes import CFUNCTYPE, c_char_p, c_int, c_int64, c_void_p
from pathlib import Path

SECTOR = 512
FULL = 13  # SQLITE_FULL
_OK = 0

_Open = CFUNCTYPE(c_int, c_void_p, c_void_p, c_void_p, c_int, c_void_p)
_Delete = CFUNCTYPE(c_int, c_void_p, c_char_p, c_int)
_Close = CFUNCTYPE(c_int, c_void_p)
_Write = CFUNCTYPE(c_int, c_void_p, c_void_p, c_int, c_int64)
_Truncate = CFUNCTYPE(c_int, c_void_p, c_int64)
_Sync = CFUNCTYPE(c_int, c_void_p, c_int)


class _Vfs(ctypes.Structure):
    _fields_ = [
        *(("version", c_int), ("file_size", c_int), ("longest_path", c_int)),
        *(("next", c_void_p), ("name", c_char_p), ("data", c_void_p)),
        *(("open", c_void_p), ("delete", c_void_p), ("others", c_void_p * 14)),
    ]


class _Methods(ctypes.Structure):
    _fields_ = [
        *(("version", c_int), ("close", c_void_p), ("read", c_void_p), ("write", c_void_p)),
        *(("truncate", c_void_p), ("sync", c_void_p), ("others", c_void_p * 13)),
    ]


class Disk:
    """``operations`` are (file, kind, offset or length, bytes); ``room`` is how many bytes files may still grow by."""

    def __init__(self):
        self.operations = []
        self.room = None
        self.refused = 0
        self._names, self._sizes, self._methods = {}, {}, {}
        self._library = ctypes.CDLL(_sqlite3.__file__)
        self._library.sqlite3_vfs_find.restype = c_void_p
        self._library.sqlite3_vfs_find.argtypes = [c_char_p]
        self._library.sqlite3_vfs_register.argtypes = [c_void_p, c_int]
        self._library.sqlite3_vfs_unregister.argtypes = [c_void_p]
        self._address = self._library.sqlite3_vfs_find(None)
        self._below = _Vfs.from_address(self._address)
        self._vfs = _Vfs.from_buffer_copy(self._below)
        self._vfs.name = b"disk"
        self._keep = [_Open(self._open), _Delete(self._delete)]
        self._vfs.open, self._vfs.delete = (ctypes.cast(each, c_void_p).value for each in self._keep)

    def __enter__(self):
        self._library.sqlite3_vfs_register(ctypes.addressof(self._vfs), 1)
        return self

    def __exit__(self, *error):
        self._library.sqlite3_vfs_register(self._address, 1)
        self._library.sqlite3_vfs_unregister(ctypes.addressof(self._vfs))

    @contextlib.contextmanager
    def full_after(self, room):
        """While inside, files may grow by so many bytes and no more."""
        self.room = room
        try:
            yield
        finally:
            self.room = None

    def _open(self, vfs, name, file, flags, out_flags):
        result = _Open(self._below.open)(self._address, name, file, flags, out_flags)
        methods = c_void_p.from_address(file).value
        if result == _OK and methods and name:
            path = ctypes.string_at(name).decode()
            self._names[file] = path
            self._sizes[path] = Path(path).stat().st_size if Path(path).exists() else 0
            c_void_p.from_address(file).value = self._own(methods)
        return result

    def _own(self, address):
        """A table of methods like the one at ``address``, with ours in it."""
        if address not in self._methods:
            below = _Methods.from_address(address)
            own = _Methods.from_buffer_copy(below)
            calls = [
                _Close(lambda file: self._close(below, file)),
                _Write(lambda file, data, length, offset: self._write(below, file, data, length, offset)),
                _Truncate(lambda file, length: self._truncate(below, file, length)),
                _Sync(lambda file, flags: self._sync(below, file, flags)),
            ]
            own.close, own.write, own.truncate, own.sync = (ctypes.cast(each, c_void_p).value for each in calls)
            self._methods[address] = own, calls
        return ctypes.addressof(self._methods[address][0])

    def _close(self, below, file):
        self._names.pop(file, None)
        return _Close(below.close)(file)

    def _write(self, below, file, data, length, offset):
        path = self._names[file]
        growth = offset + length - self._sizes[path]
        if growth > 0 and self.room is not None:
            if growth > self.room:
                self.refused += 1
                return FULL
            self.room -= growth
        result = _Write(below.write)(file, data, length, offset)
        if result == _OK:
            self._sizes[path] = max(self._sizes[path], offset + length)
            self.operations.append((path, "write", offset, ctypes.string_at(data, length)))
        return result

    def _truncate(self, below, file, length):
        self._sizes[self._names[file]] = length
        self.operations.append((self._names[file], "truncate", length, b""))
        return _Truncate(below.truncate)(file, length)

    def _sync(self, below, file, flags):
        self.operations.append((self._names[file], "sync", 0, b""))
        return _Sync(below.sync)(file, flags)

    def _delete(self, vfs, name, sync_folder):
        self.operations.append((name.decode(), "delete", sync_folder, b""))
        return _Delete(self._below.delete)(self._address, name, sync_folder)


class _Folder:
    """Names and contents, each as the program sees it and as it is on the disk."""

    def __init__(self):
        self.seen, self.durable = {}, {}  # path: number of the file that has this name
        self.content, self.waiting = {}, {}  # by number of the file

    def take(self, path, kind, number, data):
        """One operation."""
        if kind == "delete":
            self.seen.pop(path, None)
            if number:
                self.durable = dict(self.seen)
            return
        if path not in self.seen:
            self.seen[path] = len(self.content)
            self.content[self.seen[path]] = bytearray()
        file = self.seen[path]
        if kind != "sync":
            self.waiting.setdefault(file, []).append((kind, number, data))
            return
        for each in self.waiting.pop(file, []):
            _apply(self.content[file], *each)
        if self.durable.get(path) != file and path.endswith(("-wal", "-journal")):
            # The first sync of a new log or journal syncs the folder too (unixSync, UNIXFILE_DIRSYNC).
            self.durable = dict(self.seen)


def after_a_power_cut(operations, chance):
    """What is on the disk when the power goes after these operations: what was synced, and of the rest any sectors.

    By file: its bytes. ``chance`` is a ``random.Random``: each sector of 512 bytes that was written and not synced is
    there or not, each truncation, new name and deletion whose folder was not synced has come about or not.
    """
    share = chance.choice([0.0, 0.1, 0.5, 0.9, 1.0])
    folder, found = _Folder(), {}
    for operation in operations:
        folder.take(*operation)
    for path in sorted({*folder.seen, *folder.durable}):
        file = chance.choice([folder.seen.get(path), folder.durable.get(path)])
        if file is None:
            continue
        content = folder.content[file]
        for each in folder.waiting.get(file, []):
            for piece in _sectors(*each):
                if chance.random() < share:
                    _apply(content, *piece)
        found[path] = bytes(content)
    return found


def _sectors(kind, offset, data):
    if kind == "truncate":
        return [(kind, offset, data)]
    pieces, at = [], 0
    while at < len(data):
        length = SECTOR - (offset + at) % SECTOR
        pieces.append((kind, offset + at, data[at : at + length]))
        at += length
    return pieces


def _apply(content, kind, number, data):
    if kind == "truncate":
        del content[number:]
        return
    if len(content) < number:
        content.extend(bytes(number - len(content)))
    content[number : number + len(data)] = data
