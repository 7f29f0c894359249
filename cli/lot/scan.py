"""Which photos a folder holds, here or at any address that fsspec knows; and their bytes."""

import errno
import hashlib
import os
import re
import stat
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath

#: Endings of the picture formats that can be read.
ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".webp", ".tif", ".tiff", ".heic", ".heif"})

#: A larger file is not read: no camera makes one, and a worker's memory is finite. Our choice.
MAX_BYTES = 200_000_000


class FolderError(Exception):
    """A folder of photos that cannot be listed: which one, what is wrong, what mends it."""

    def __init__(self, folder: str, problem: str, remedy: str) -> None:
        self.folder, self.problem, self.remedy = folder, problem, remedy
        super().__init__(f"{folder}: {problem}. {remedy}")


@dataclass(frozen=True)
class Found:
    """One photo file as it lies there."""

    root: str
    path: str  # below `root`, "/" between its parts, as the system writes it
    size_bytes: int
    mtime_ns: int  # 0 where the place keeps no times

    @property
    def shown(self) -> str:
        """The path as text that any program can store, also where the name is not valid UTF-8."""
        return self.path.encode("utf-8", "backslashreplace").decode()

    @property
    def written_at(self) -> datetime | None:
        """The file's time, UTC, without a zone; None where there is none, or one that no calendar has."""
        if not self.mtime_ns:
            return None
        try:
            return datetime.fromtimestamp(self.mtime_ns / 1e9, UTC).replace(tzinfo=None)
        except (ValueError, OverflowError, OSError):
            return None


@dataclass(frozen=True)
class Scan:
    """What was found below a folder."""

    photos: tuple[Found, ...]  # sorted by path
    outside: tuple[str, ...]  # links that lead out of the folder, or to folders; not followed
    left_out: tuple[str, ...]  # files that are taken for no photos, and why
    unlisted: tuple[str, ...]  # folders that could not be opened


def without_password(address: str) -> str:
    """The same address as it may be kept and shown; a path stays as it is."""
    return re.sub(r"(://[^/?#:@]*):[^/?#]*@", r"\1@", address)


def scan_folder(root: str) -> Scan:
    """List the photos below a folder.

    Links to files inside the folder are read as files; links to folders and links that lead outside are not
    followed, and named. At an address no link is followed, for where it leads is not said.

    Parameters
    ----------
    root : str
        A folder, or an address with "://" that fsspec knows.

    Raises
    ------
    FolderError
        If there is no such folder, or it cannot be listed.
    """
    return _scan_address(root) if "://" in root else _scan_here(Path(root))


def read_bytes(found: Found) -> bytes:
    """The bytes of one photo file.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    if "://" in found.root:
        import fsspec

        system, base = fsspec.core.url_to_fs(found.root)  # it may be a chain: zip://::file:///a.zip
        with system.open(f"{base.rstrip('/')}/{found.path}" if base else found.path, "rb") as file:
            return file.read(MAX_BYTES)
    with open(os.path.join(found.root, found.path), "rb", opener=_open_at_once) as file:
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            raise OSError(errno.EINVAL, "it is no regular file")
        return file.read(MAX_BYTES)


def _open_at_once(path: str, flags: int) -> int:
    """Open without waiting: a pipe that nobody writes to would hold its reader for ever."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def find_copies(photos: tuple[Found, ...]) -> dict[str, str]:
    """Path -> path of the first file with the same bytes; only files of one size are read for it."""
    by_size: dict[int, list[Found]] = {}
    for found in photos:
        by_size.setdefault(found.size_bytes, []).append(found)
    copies = {}
    for alike in by_size.values():
        first_by_hash: dict[str, str] = {}
        for found in alike if len(alike) > 1 else ():
            try:
                digest = hashlib.sha256(read_bytes(found)).hexdigest()
            except OSError:
                continue  # said when its turn comes
            first = first_by_hash.setdefault(digest, found.path)
            if first != found.path:
                copies[found.path] = first
    return copies


def _scan_here(root: Path) -> Scan:
    if not root.is_dir():
        problem = "it is not a folder" if root.exists() else "there is no such folder"
        raise FolderError(str(root), problem, "Name the folder that holds the photos")
    try:
        os.scandir(root).close()
    except OSError as error:
        raise FolderError(str(root), _reason(error), "Give permission to read it") from None
    real_root = os.path.realpath(root)
    photos: list[Found] = []
    outside: list[str] = []
    unlisted: list[str] = []
    left_out: list[str] = []
    for entry, path in _walk(str(root), "", unlisted):
        if entry.is_symlink():
            target = os.path.realpath(entry.path)
            inside = os.path.commonpath([real_root, target]) == real_root
            if not inside or os.path.isdir(target):
                outside.append(path.encode("utf-8", "backslashreplace").decode())
                continue
        if why := _why_no_photo(path):
            left_out.append(_left_out(path, why))
            continue
        try:
            status = entry.stat()
        except OSError:
            status = entry.stat(follow_symlinks=False)  # a link to nothing; said when it is read
        if not (stat.S_ISREG(status.st_mode) or stat.S_ISLNK(status.st_mode)):
            left_out.append(_left_out(path, "a pipe, a socket or a device"))  # whatever its name says
            continue
        photos.append(Found(str(root), path, status.st_size, status.st_mtime_ns))
    found = tuple(sorted(photos, key=lambda f: f.path))
    return Scan(found, tuple(sorted(outside)), tuple(left_out), tuple(unlisted))


def _why_no_photo(path: str) -> str:
    """Why a file is no photo by its name, or nothing; "._" begins what a Mac writes beside one."""
    name = PurePosixPath(path)
    if name.name.startswith("._"):
        return '"._" begins no photo\'s name'
    if name.suffix.lower() in ENDINGS:
        return ""
    return f"{name.suffix} is no photo's ending" if name.suffix else "no ending"


def _left_out(path: str, why: str) -> str:
    return f"{path} ({why})".encode("utf-8", "backslashreplace").decode()


def _walk(root: str, below: str, unlisted: list[str]) -> Iterator[tuple[os.DirEntry, str]]:
    try:
        entries = sorted(os.scandir(os.path.join(root, below)), key=lambda entry: entry.name)
    except OSError as error:
        unlisted.append(f"{below} ({_reason(error)})")
        return
    for entry in entries:
        path = f"{below}/{entry.name}" if below else entry.name
        if entry.is_dir(follow_symlinks=False):
            if not entry.name.startswith("."):
                yield from _walk(root, path, unlisted)
        else:
            yield entry, path


def _scan_address(root: str) -> Scan:
    try:
        import fsspec
    except ImportError as error:
        raise FolderError(
            root, f"a package is missing ({error})", 'Run: uv pip install "plugface[cluster]"'
        ) from None
    try:
        system, base = fsspec.core.url_to_fs(root)
        listed = system.find(base, detail=True)
    except ImportError as error:  # each kind of address has packages of its own, and fsspec names them
        raise FolderError(
            root, f"fsspec cannot reach this kind of address ({error})", "Install what it names with uv pip"
        ) from None
    except (OSError, ValueError) as error:
        raise FolderError(root, f"it cannot be listed ({error})", "Check the address") from None
    if not listed:
        raise FolderError(root, "nothing is there", "Check the address")
    photos, outside, left_out = [], [], []
    for full, info in sorted(listed.items()):
        path = full.removeprefix(base.rstrip("/")).lstrip("/")
        if any(folder.startswith(".") for folder in PurePosixPath(path).parts[:-1]):
            continue
        if info.get("islink") or info.get("type") == "link":
            outside.append(path)
        elif why := _why_no_photo(path):
            left_out.append(_left_out(path, why))
        else:
            photos.append(Found(root, path, int(info.get("size") or 0), _mtime_ns(info)))
    return Scan(tuple(photos), tuple(outside), tuple(left_out), ())


def _mtime_ns(info: dict) -> int:
    """Time of a remote file, under whichever name its file system gives it; 0 where it has none."""
    value = info.get("mtime") or info.get("LastModified") or info.get("last_modified") or info.get("created")
    if isinstance(value, datetime):
        value = value.timestamp()
    return int(value * 1e9) if isinstance(value, int | float) else 0


def _reason(error: OSError) -> str:
    return (error.strerror or "it cannot be read").lower()
