"""Folders that are there whole or not at all: written beside under another name, then renamed.

While one run writes, others that write into the same parent folder wait, so that
two runs into one folder give the plan of one of them. What a killed run left
behind is recognised by its name and taken away by the next one.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from planner.errors import InputProblems, Problem

UNFINISHED, REPLACED = "unfinished", "replaced"
TOKEN_LENGTH = 8
TOKEN = f"[a-z0-9_]{{{TOKEN_LENGTH}}}"  # the random part of a name, as the standard library makes it
PATIENCE_S, PAUSE_S = 60.0, 0.05


@dataclass(frozen=True)
class Contents:
    """What one kind of folder holds; anything else in it is somebody else's.

    Attributes
    ----------
    what : str
        With its article: ``"a plan"``.
    files : tuple of str
        Regular expressions of whole names, as ``figures/.*[.]svg``.
    """

    what: str
    files: tuple[str, ...]

    def holds(self, name: str) -> bool:
        """Whether a file of that name is one of ours."""
        return any(re.fullmatch(pattern, name) for pattern in self.files)

    def folders(self) -> set[str]:
        """Names of the folders inside."""
        return {pattern.split("/")[0] for pattern in self.files if "/" in pattern}


def check_folder(folder: Path, contents: Contents, other: str = "Give another folder with --out.") -> None:
    """Refuse a folder that cannot be written or holds something else, before any work is done.

    Parameters
    ----------
    folder : Path
    contents : Contents
    other : str
        The remedy when it cannot be used.

    Raises
    ------
    InputProblems
    """
    try:
        if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
            raise InputProblems([Problem(str(folder), "", "exists and is not a folder", other)])
        strange = sorted(_strange(folder, contents)) if folder.is_dir() else []
        if strange:
            found = f"holds {strange[0]!r}, which is not part of {contents.what}"
            remedy = "Give a new folder with --out, so that nothing of yours is replaced."
            raise InputProblems([Problem(str(folder), "", found, remedy)])
        parent = next(path for path in folder.absolute().parents if path.exists())
        longest = os.pathconf(parent, "PC_NAME_MAX") - len(f".-{UNFINISHED}-") - TOKEN_LENGTH
        if len(os.fsencode(folder.name)) > longest:
            found = f"has a name of more than {longest} bytes, too long to be written beside and renamed"
            raise InputProblems([Problem(f"{str(folder)[:80]}...", "", found, other)])
        if not parent.is_dir() or not os.access(parent, os.W_OK | os.X_OK):
            raise InputProblems([Problem(str(folder), "", f"cannot be made in {parent}", other)])
        # Permissions do not say whether a file system takes folders, or has room for one.
        tried = Path(tempfile.mkdtemp(prefix=f".{folder.name}-{UNFINISHED}-", dir=parent))
        with contextlib.suppress(FileNotFoundError):  # a run into the same folder may have cleared it up
            tried.rmdir()
    except OSError as error:
        found = f"cannot be used ({error.strerror})"
        raise InputProblems([Problem(str(folder)[:80], "", found, other)]) from None


def _strange(folder: Path, contents: Contents) -> Iterator[str]:
    """Names in a folder that we do not put there."""
    for path in folder.iterdir():
        if path.name in contents.folders() and path.is_dir() and not path.is_symlink():
            names = {f"{path.name}/{own.name}": own.is_file() for own in path.iterdir()}
        else:
            names = {path.name: path.is_file()}
        yield from (name for name, is_file in names.items() if not (is_file and contents.holds(name)))


def replace_folder(
    folder: Path,
    files: Mapping[str, str | bytes],
    other: str = "Choose a folder you may write to with --out, or make room.",
) -> None:
    """Write a whole folder, text as UTF-8, in the place of an earlier one, or leave everything as it was.

    Parameters
    ----------
    folder : Path
    files : mapping
        {path in the folder: content}; at most one folder deep.
    other : str
        The remedy when it cannot be written.

    Raises
    ------
    InputProblems
        When it cannot be written.
    """
    folder = folder.absolute()
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with _alone_in(folder.parent) as alone:
            if alone:
                _clear_up(folder)
            _replace(folder, files)
    except OSError as error:
        found = f"cannot be written ({error.strerror})"
        raise InputProblems([Problem(str(folder), "", found, other)]) from None


def recover_folder(folder: Path) -> None:
    """Put back what a killed run had moved aside while it wrote a folder, if that can be done now."""
    folder = folder.absolute()
    with contextlib.suppress(OSError), _alone_in(folder.parent) as alone:
        if alone:
            _clear_up(folder)


@contextlib.contextmanager
def _alone_in(parent: Path) -> Iterator[bool]:
    """Keep other runs from writing in a folder meanwhile; False where the file system cannot do that.

    The lock is the kernel's: it ends with the process, however that ends.
    """
    descriptor = os.open(parent, os.O_RDONLY)
    try:
        yield _locked(descriptor)
    finally:
        os.close(descriptor)


def _locked(descriptor: int) -> bool:
    """Wait for the lock of a folder for as long as a run may take to write."""
    until = time.monotonic() + PATIENCE_S
    while True:
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > until:
                raise OSError(None, "another run has been writing there for a minute") from None
            time.sleep(PAUSE_S)
        except OSError:
            return False
        else:
            return True


def _clear_up(folder: Path) -> None:
    """Put back what a killed run had moved aside, and take away what it had not finished."""
    left = [path for path in folder.parent.iterdir() if path.is_dir() and not path.is_symlink()]
    aside = sorted(path for path in left if re.fullmatch(_beside(folder, REPLACED), path.name))
    if aside and not folder.exists():
        aside.pop(0).rename(folder)
    unfinished = [path for path in left if re.fullmatch(_beside(folder, UNFINISHED), path.name)]
    for path in (*aside, *unfinished):
        shutil.rmtree(path, ignore_errors=True)


def _beside(folder: Path, what: str) -> str:
    """The names beside a folder that are ours, as a regular expression."""
    return rf"[.]{re.escape(folder.name)}-{what}-{TOKEN}"


def _replace(folder: Path, files: Mapping[str, str | bytes]) -> None:
    """Write the files beside ``folder``, then put them in its place by renaming."""
    fresh = Path(tempfile.mkdtemp(prefix=f".{folder.name}-{UNFINISHED}-", dir=folder.parent))
    old = fresh.with_name(f".{folder.name}-{REPLACED}-{fresh.name.rpartition('-')[2]}")
    try:
        fresh.chmod(0o777 & ~_umask())
        for name, content in files.items():
            target = fresh / name
            target.parent.mkdir(exist_ok=True)
            with target.open("wb") as stream:
                stream.write(content.encode("utf-8") if isinstance(content, str) else content)
                stream.flush()
                os.fsync(stream.fileno())
        if folder.exists():
            folder.rename(old)
        fresh.rename(folder)
    finally:
        if old.exists() and not folder.exists():  # whatever came between the two, Ctrl-C too
            old.rename(folder)
        shutil.rmtree(fresh, ignore_errors=True)
        shutil.rmtree(old, ignore_errors=True)


def _umask() -> int:
    current = os.umask(0)
    os.umask(current)
    return current
