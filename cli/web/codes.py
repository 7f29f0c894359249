"""Access codes that are bound to a name, each to be taken back alone, and the file that codes are written to.

A code of a name opens the lot like the lot's own one, and what is confirmed under it names its holder. It is
made and revoked while the page serves: the page asks the queue's file anew with every request.
"""

import os
from pathlib import Path

from plugface.cli.store.ledger import now_utc
from plugface.cli.web import access
from plugface.cli.web.queue import CodeEntry, LotEntry, Queue, YardError

#: File in the yard's folder that new codes are written to.
CODES_FILE = "access-codes.txt"

_HEAD = "# Access codes of the yard page. Hand them out, then delete this file: plugface needs it no more.\n"


def same_name(one: str, other: str) -> bool:
    """Whether two names mean one person, however they were typed."""
    return " ".join(one.split()).casefold() == " ".join(other.split()).casefold()


def make_key(queue: Queue) -> str:
    """First signs of a new code, which no code of the queue has."""
    while queue.code(key := access.make_key()) is not None:
        pass
    return key


def add_code(queue: Queue, lot: LotEntry, name: str) -> str:
    """Make a code of a lot that is bound to a name; gives the code.

    Raises
    ------
    YardError
        If the lot is open without a code, or the name has a code of it already.
    """
    if lot.code is None:
        raise YardError(lot.name, "this lot is open without any code", "Start the page with --lot NAME")
    if any(same_name(name, code.name) for code in queue.codes(lot) if not code.revoked_at):
        raise YardError(
            lot.name, f'"{name}" has a code already', "Revoke that one first, or choose another name"
        )
    while True:
        code = access.make_code(make_key(queue))
        key = access.split_code(code)[0]
        try:
            queue.add_code(CodeEntry(key, lot, name, access.hash_code(code), now_utc()))
        except FileExistsError:  # a revoked one, or somebody else was making one
            continue
        return code


def revoke_code(queue: Queue, lot: LotEntry, name: str) -> CodeEntry:
    """Take a name's code back; it and every phone that came in with it are out at once.

    Raises
    ------
    YardError
        If the name has none.
    """
    valid = [code for code in queue.codes(lot) if not code.revoked_at]
    for code in valid:
        if same_name(name, code.name):
            queue.revoke_code(code.key)
            return code
    known = ", ".join(code.name for code in valid) or "none"
    raise YardError(lot.name, f'"{name}" has no code of it', f"Those who have one: {known}")


class CodeFile:
    """The file in a yard's folder that codes are written to, for its owner's eyes alone.

    Parameters
    ----------
    folder : Path
        The yard's.
    """

    def __init__(self, folder: Path) -> None:
        self.path = folder / CODES_FILE

    def add(self, lot: str, name: str, code: str, link: str = "") -> None:
        """Add a code; an older one with the same first signs goes."""
        line = "\t".join(filter(None, (code, f'lot "{lot}"', name and f'for "{name}"', link)))
        self._write([*self._others(code), line])

    def drop(self, key: str) -> None:
        """Take out the code that begins with these signs, where it is still there."""
        if self.path.exists():
            self._write(self._others(key))

    def _others(self, code: str) -> list[str]:
        key = access.split_code(code)[0]
        try:
            lines = self.path.read_text(encoding="utf-8").splitlines()
        except FileNotFoundError:
            return []
        return [line for line in lines if not line.startswith(("#", key))]

    def _write(self, lines: list[str]) -> None:
        write_private(self.path, _HEAD + "".join(f"{line}\n" for line in lines))


def write_private(path: Path, text: str) -> None:
    """Write a file that its owner alone may read, whole or not at all."""
    part = path.with_name(f".{path.name}.part")
    part.unlink(missing_ok=True)  # one that was left may be open to others
    with open(part, "x", encoding="utf-8", opener=lambda name, flags: os.open(name, flags, 0o600)) as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
