"""A backup on disk: a folder or a tar file of files, with a list of their hashes that is written last.

A backup without its list is one that was cut off, and is refused.
"""

import hashlib
import io
import json
import os
import shutil
import stat
import tarfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path, PurePosixPath
from typing import IO, cast

from plugface.cli.errors import named

LIST = "manifest.json"
FORMAT = 1
_PIECE = 1 << 20


class BackupError(Exception):
    """A backup that cannot be written or used: which one, what is wrong, what mends it."""

    def __init__(self, backup: str, problem: str, remedy: str) -> None:
        self.backup, self.problem, self.remedy = backup, problem, remedy
        super().__init__(f"{backup}: {problem}. {remedy}")


class ParcelWriter:
    """Writes files one after the other and keeps their hashes.

    Parameters
    ----------
    place : Path
        An empty folder.
    tar : tarfile.TarFile or None
        Where the files go instead, except for what a caller puts into `place` itself.
    becomes : Path
        Where all of it is in the end.
    """

    def __init__(self, place: Path, tar: tarfile.TarFile | None, becomes: Path) -> None:
        self._place, self._tar, self.becomes = place, tar, becomes
        self.files: dict[str, str] = {}

    def add(self, name: str, source: Path) -> str:
        """Copy a file in under a name; gives its SHA-256.

        Raises
        ------
        FileNotFoundError
        """
        with source.open("rb") as file:
            if self._tar is None:
                digest = _copy(file, self._place / name)
            else:
                size = os.fstat(file.fileno()).st_size  # a ledger's copy, or a photo: neither grows
                digest = self._add_to_tar(name, file, size)
        self.files[name] = digest
        return digest

    def scratch(self, name: str) -> Path:
        """Where a copy may be made that is added from there; it does not come along by itself."""
        return self._place / f"{name}.copy"

    def add_text(self, name: str, text: str) -> None:
        """Write a text in under a name."""
        data = text.encode("utf-8", "backslashreplace")
        if self._tar is None:
            _copy(io.BytesIO(data), self._place / name)
        else:
            self._add_to_tar(name, io.BytesIO(data), len(data))
        self.files[name] = hashlib.sha256(data).hexdigest()

    def _add_to_tar(self, name: str, source: IO[bytes], size: int) -> str:
        entry = tarfile.TarInfo(name)
        entry.size, entry.mode = size, 0o600
        assert self._tar is not None  # else the callers write files
        hashed = _Hashed(source)
        self._tar.addfile(entry, cast(IO[bytes], hashed))
        return hashed.digest.hexdigest()


class _Hashed:
    """A file whose bytes are hashed as they are read, so that a large one is never in memory as a whole."""

    def __init__(self, file: IO[bytes]) -> None:
        self._file, self.digest = file, hashlib.sha256()

    def read(self, size: int) -> bytes:
        """The next bytes."""
        piece = self._file.read(size)
        self.digest.update(piece)
        return piece


@contextmanager
def write_parcel(place: Path, about: Mapping[str, object]) -> Iterator[tuple[ParcelWriter, dict]]:
    """Write a backup that is there completely or not at all.

    Parameters
    ----------
    place : Path
        A file that ends in .tar, or a folder that is not there yet.
    about : mapping
        What the list says beside the hashes; the block may add to the dictionary it is given.

    Raises
    ------
    BackupError
        If there is something in that place already.
    """
    if place.exists():
        raise BackupError(str(place), "there is something there already", "Name another place")
    part = place.with_name(f".{place.name}.part")
    folder = part.with_name(f".{place.name}.folder.part")
    _remove(part)
    _remove(folder)
    try:
        with named(place):
            place.parent.mkdir(parents=True, exist_ok=True)
            folder.mkdir(mode=0o700)
            said = {"format": FORMAT, **about}
            if place.suffix == ".tar":
                with part.open("xb") as file:
                    os.chmod(part, 0o600)
                    with tarfile.open(fileobj=file, mode="w", format=tarfile.PAX_FORMAT) as tar:
                        writer = ParcelWriter(folder, tar, place)
                        yield writer, said
                        writer.add_text(LIST, _listed(said, writer))
                    file.flush()
                    os.fsync(file.fileno())
                part.replace(place)
            else:
                writer = ParcelWriter(folder, None, place)
                yield writer, said
                writer.add_text(LIST, _listed(said, writer))
                folder.replace(place)
    finally:
        _remove(part)
        _remove(folder)


class ParcelReader:
    """An opened backup.

    Parameters
    ----------
    place : Path

    Raises
    ------
    BackupError
        If it is not there, is none, was cut off, or was written by a later plugface.
    """

    def __init__(self, place: Path) -> None:
        self.place = place
        self._tar: tarfile.TarFile | None = None
        if not place.exists():
            raise BackupError(str(place), "there is no such file or folder", "Name a backup that is there")
        try:
            if place.is_file():
                self._tar = tarfile.open(place, "r:")  # noqa: SIM115
                self._members = {entry.name: entry for entry in self._tar if entry.isreg()}
            with self.open(LIST) as file:
                self.about = json.load(file)
            self.files = dict(self.about["files"])
            head = self.about["head"]
            told = all(isinstance(one, str) for one in (head, *self.files, *self.files.values()))
            later = int(self.about.get("format", 0)) > FORMAT
        except (OSError, KeyError, ValueError, TypeError, AttributeError, RecursionError, tarfile.TarError):
            told = later = False
        if later:
            raise BackupError(str(place), "it was written by a newer plugface", "Update plugface")
        if not told:
            raise BackupError(
                str(place), "this is no backup of plugface, or one that was cut off", "Name another one"
            )
        for name in self.files:
            path = PurePosixPath(name)
            outside = path.is_absolute() or ".." in path.parts or "\0" in name
            if outside or not name or path.name != name.rpartition("/")[2]:
                raise BackupError(str(place), f'its list names "{name}", outside of it', "Name another one")

    def open(self, name: str) -> IO[bytes]:
        """A file of the backup."""
        if self._tar is not None:
            file = self._tar.extractfile(self._members[name])
            assert file is not None  # the members are regular files
            return file
        file = open(self.place / name, "rb", opener=_open_at_once)  # noqa: SIM115
        if not stat.S_ISREG(os.fstat(file.fileno()).st_mode):
            file.close()
            raise KeyError(name)
        return file

    def read(self, name: str) -> bytes:
        """The bytes of a file, compared with the list.

        Raises
        ------
        BackupError
        """
        out = io.BytesIO()
        self._copied(name, out)
        return out.getvalue()

    def copy(self, name: str, target: Path) -> None:
        """Copy a file out of the backup, compared with the list.

        Raises
        ------
        BackupError
        """
        target.parent.mkdir(parents=True, exist_ok=True)
        with named(target), target.open("xb") as out:
            os.chmod(target, 0o600)
            self._copied(name, out)
            out.flush()
            os.fsync(out.fileno())

    def check(self) -> None:
        """Compare every file with the list, before anything of it is used.

        Raises
        ------
        BackupError
        """
        for name in self.files:
            self._copied(name, None)

    def close(self) -> None:
        """Let go of the file."""
        if self._tar is not None:
            self._tar.close()

    def _copied(self, name: str, out: IO[bytes] | None) -> None:
        digest = hashlib.sha256()
        try:
            with self.open(name) as file:
                while piece := file.read(_PIECE):
                    digest.update(piece)
                    if out is not None:
                        out.write(piece)
        except (KeyError, FileNotFoundError, IsADirectoryError, tarfile.TarError):
            raise BackupError(str(self.place), f"{name} is missing in it", "Use another backup") from None
        if digest.hexdigest() != self.files[name]:
            raise BackupError(str(self.place), f"{name} is not as it was written there", "Use another backup")


def _open_at_once(path: str, flags: int) -> int:
    """Open without waiting: a pipe among the files would hold its reader for ever."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def _listed(said: dict, writer: ParcelWriter) -> str:
    return json.dumps(said | {"files": dict(writer.files)}, ensure_ascii=False, indent=1)


def _copy(source: IO[bytes], target: Path) -> str:
    target.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    digest = hashlib.sha256()
    with target.open("xb") as out:
        os.chmod(target, 0o600)
        while piece := source.read(_PIECE):
            digest.update(piece)
            out.write(piece)
        out.flush()
        os.fsync(out.fileno())
    return digest.hexdigest()


def _remove(path: Path) -> None:
    if path.is_dir():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
