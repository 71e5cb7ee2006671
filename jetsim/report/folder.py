"""Folders of results: written aside, moved into place when whole, and never at the cost of someone's files."""

import os
import re
import secrets
import shutil
import signal
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

from jetsim.errors import InputError
from jetsim.report.provenance import read_manifest, sha256, strangers

# Litter of file browsers is no one's work.
_LITTER = {".DS_Store", "Thumbs.db", "desktop.ini"}


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Hold off Ctrl-C and termination for the moments in which folders change places."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    held = [sign for sign in (signal.SIGINT, signal.SIGTERM) if signal.getsignal(sign) is not None]
    before = {sign: signal.signal(sign, _ignore) for sign in held}
    try:
        yield
    finally:
        for sign, handler in before.items():
            signal.signal(sign, handler)


def _ignore(_signal: int, _frame: FrameType | None) -> None:
    return None


def check_room(path: Path, size: int) -> None:
    """Write so many bytes to a file and remove it: a library that meets a full disk half-way may take the process down.

    Raises
    ------
    OSError
        The disk is full, or a quota is.
    """
    block = bytes(1 << 20)
    try:
        with path.open("wb") as stream:
            for left in range(size, 0, -len(block)):
                stream.write(block[:left])
    except OSError as error:
        raise OSError(error.errno, error.strerror, str(path)) from None
    finally:
        path.unlink(missing_ok=True)


@dataclass(frozen=True)
class StudyFolder:
    """Where one study puts its results.

    Attributes
    ----------
    path : Path
    study : str
        Name of the study.
    study_file : Path
    overwrite : bool
        Also replace a folder of another study, or one with files of its own. A replaced folder in which anything is
        not as a study wrote it is kept beside the new one.
    protected : sequence of Path
        Files and folders that must never lie inside `path`, besides the study file.
    """

    path: Path
    study: str
    study_file: Path
    overwrite: bool = False
    protected: Sequence[Path] = ()

    def check(self) -> None:
        """Refuse the folder before anything is computed.

        Raises
        ------
        InputError
            A file, a link, a mount point, a folder that holds the current or home directory or the study's own
            files; without `overwrite` also the results of another study, changed results, or other files;
            a place that cannot be written.
        """
        self._refuse_contents()
        self._refuse_unwritable()

    def relative_study_file(self) -> str:
        """The study file as seen from the folder, which stays true when both move together."""
        try:
            return Path(os.path.relpath(self.study_file.resolve(), self.path.resolve())).as_posix()
        except ValueError:  # another drive
            return self.study_file.resolve().as_posix()

    @property
    def unfinished(self) -> Path:
        """The file beside the folder in which finished pieces are kept until the results are whole."""
        return self.path.parent / f".{self.path.name}.unfinished"

    def clear(self) -> None:
        """Put right what a run that was killed left beside the folder. Only for who holds the folder alone.

        Half-written results go. Results that were just giving way to new ones come back where these did not arrive,
        and else go too, but for files that no study wrote, which are kept.
        """
        for half in self._left("writing"):
            shutil.rmtree(half, ignore_errors=True)
        for old in self._left("old"):
            if not self.path.exists():
                old.rename(self.path)
            else:
                self._put_away(old)

    def _left(self, ending: str) -> list[Path]:
        pattern = re.compile(rf"\.{re.escape(self.path.name)}\.[0-9a-f]{{8}}\.{ending}")
        beside = self.path.parent.iterdir() if self.path.parent.is_dir() else ()
        return sorted(item for item in beside if pattern.fullmatch(item.name) and item.is_dir())

    @contextmanager
    def writing(self) -> Iterator[Path]:
        """An empty folder beside the target; when the block ends well it takes the target's place.

        On any error or interrupt nothing is left behind and the target stays as it was.
        """
        token = secrets.token_hex(4)
        aside = self.path.parent / f".{self.path.name}.{token}.writing"
        made = [folder for folder in self.path.parents if not folder.exists()]
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            aside.mkdir()
            yield aside
            with uninterrupted():
                self._refuse_contents()  # once more: much may have happened while the study ran
                self._move(aside, token)
        except BaseException:
            with uninterrupted():
                shutil.rmtree(aside, ignore_errors=True)
                for folder in made:
                    with suppress(OSError):
                        folder.rmdir()
            raise

    def _move(self, aside: Path, token: str) -> None:
        """Swap the new folder in; the old one goes only when the new one is in place."""
        old = self.path.parent / f".{self.path.name}.{token}.old"
        there = self.path.exists()
        if there:
            self.path.rename(old)
        try:
            aside.rename(self.path)
        except OSError:
            if there:
                old.rename(self.path)
            raise
        if there:
            self._put_away(old)

    def _put_away(self, old: Path) -> None:
        """Remove replaced results, or keep them where they hold files that no study wrote."""
        if _holds_own_files(old):
            old.rename(self.kept())
        else:
            shutil.rmtree(old, ignore_errors=True)

    def kept(self) -> Path:
        """A free name for a replaced folder with files that no study wrote: it may hold someone's work."""
        number = 1
        while (kept := self.path.with_name(f"{self.path.name}.before-{number}")).exists():
            number += 1
        return kept

    def _refuse(self, problem: str) -> InputError:
        return InputError(f"--output {self.path}: {problem}")

    def _refuse_contents(self) -> None:
        self._refuse_dangerous()
        if self._has_files() and not self.overwrite:
            self._refuse_foreign()

    def _refuse_dangerous(self) -> None:
        if self.path.is_symlink():
            raise self._refuse("is a link; give the folder itself")
        if self.path.exists() and not self.path.is_dir():
            raise self._refuse("is a file; give a folder")
        target = self.path.resolve()
        kept = {"the current directory": Path.cwd(), "the home directory": _home(), "the study file": self.study_file}
        named = [*kept.items(), *(("files the study needs", path) for path in self.protected)]
        for what, place in named:
            if place is not None and place.resolve().is_relative_to(target):
                raise self._refuse(f"holds {what}, which must not be replaced; give a folder of its own")
        if target.exists() and os.path.ismount(target):
            raise self._refuse("is a mounted volume and cannot be moved; give a folder inside it")

    def _has_files(self) -> bool:
        return self.path.is_dir() and any(item.name not in _LITTER for item in self.path.iterdir())

    def _refuse_foreign(self) -> None:
        manifest = read_manifest(self.path)
        if manifest is None:
            raise self._refuse(f"is not empty and holds no study's results; give another folder, or {self._instead()}")
        if manifest.get("study") != self.study:
            raise self._refuse(f"holds the results of another study ({manifest.get('study')}); "
                               "give another folder, or --overwrite")  # fmt: skip
        recorded = manifest.get("study_file", {})
        if not self._is_same_file(recorded):
            raise self._refuse(f"holds the results of another study file ({recorded.get('path')}); "
                               "give another folder, or --overwrite")  # fmt: skip
        if own := _own_files(self.path):
            more = f" and {len(own) - 1} more" if len(own) > 1 else ""
            raise self._refuse(f"holds files added or changed since the study wrote it ({own[0]}{more}); "
                               f"move them away, or give {self._instead()}")  # fmt: skip

    def _instead(self) -> str:
        return f"--overwrite, which keeps what is there as {self.kept().name}"

    def _is_same_file(self, recorded: dict[str, str]) -> bool:
        """The same place, whatever it says by now, or the same content elsewhere."""
        if recorded.get("path") == self.relative_study_file():
            return True
        return recorded.get("sha256") == sha256(self.study_file)

    def _refuse_unwritable(self) -> None:
        nearest = next(folder for folder in self.path.absolute().parents if folder.exists())
        probe = nearest / f".jetsim.{secrets.token_hex(4)}.probe"
        try:
            probe.mkdir()
            probe.rmdir()
        except OSError as error:
            raise self._refuse(f"cannot be written ({error.strerror})") from None


def _own_files(folder: Path) -> list[str]:
    """Files that are not as a study wrote them."""
    return [name for name in strangers(folder, read_manifest(folder) or {}) if Path(name).name not in _LITTER]


def _holds_own_files(folder: Path) -> bool:
    """Whether anything would be lost with the folder; what cannot be told counts."""
    try:
        unlisted = read_manifest(folder) is None and any(item.name not in _LITTER for item in folder.iterdir())
        return unlisted or bool(_own_files(folder))
    except OSError:
        return True


def _home() -> Path | None:
    try:
        return Path.home()
    except RuntimeError:  # no home directory is known
        return None
