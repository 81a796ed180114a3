"""One folder of photos: which of them may be shown, how they pair, where openings are kept.

Names that come from a browser are looked up in what the folder lists, never joined to a path.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from leakcheck.compare_inputs import OFF_WORDS, ON_WORDS, PHOTO_SUFFIXES
from leakcheck.errors import LeakcheckError
from leakcheck.openings import linked_photo
from leakcheck.page.drawing import MARK
from leakcheck.page.errors import PageError

MOST_FILES = 1000  # of each kind in the lists; more cannot be chosen from on a page
LONGEST_NAME = 120  # letters of an uploaded photo's name, so that "-openings.svg" fits behind it
HEAD_BYTES = 2000  # of a drawing: its mark is in the first tag
ENDS = {"off": OFF_WORDS, "on": ON_WORDS}


@dataclass(frozen=True)
class Folder:
    """A folder, and photos from elsewhere that the user named on the command line."""

    root: Path  # resolved
    named: dict[str, Path] = field(default_factory=dict)

    def photos(self) -> list[str]:
        """Names of the photos that may be chosen, sorted."""
        return sorted({*self.named, *self._files(PHOTO_SUFFIXES)})[:MOST_FILES]

    def drawings(self) -> list[str]:
        """Names of the SVG files in it, sorted."""
        return sorted(self._files({".svg"}))[:MOST_FILES]

    def photo(self, name: str) -> Path:
        """The path of a photo by its name. Raises: PageError where there is none."""
        if name not in self.photos():
            raise PageError(f"There is no photo '{name[:80]}' in the folder.", status=404)
        return self.named.get(name) or self.root / name

    def drawing(self, name: str) -> Path:
        """The path of an SVG by its name. Raises: PageError where there is none."""
        if name not in self.drawings():
            raise PageError(f"There is no drawing '{name[:80]}' in the folder.", status=404)
        return self.root / name

    def likely_pair(self) -> tuple[str, str] | None:
        """The first two photos whose names say off and on and are alike otherwise."""
        photos = self.photos()
        lit = {_stem(name): name for name in reversed(photos) if _end(name) == "on"}
        unlit = {_stem(name): name for name in reversed(photos) if _end(name) == "off"}
        both = sorted(unlit.keys() & lit.keys())
        return (unlit[both[0]], lit[both[0]]) if both else None

    def openings_for(self, on: Path) -> tuple[Path | None, Path]:
        """The drawing to open for a lights-on photo, and the file that changes are saved to.

        A drawing that another program made is opened but never written to.
        """
        own = self._own_file(on)
        if own.is_file():
            return own, own
        for name in self.drawings():
            if _is_on(self.root / name, on):
                return self.root / name, own
        return None, own

    def results_for(self, on: Path) -> Path:
        """The folder that a check of this photo writes into."""
        return on.parent / f"{on.stem}-results"

    def _own_file(self, on: Path) -> Path:
        """Beside the photo and called after it, unless the name is another photo's or program's."""
        names = (f"{on.stem}-openings.svg", f"{on.name}-openings.svg", f"{on.name}-page.svg")
        paths = [on.parent / name for name in names]
        # A link may lead anywhere, even where nothing is yet.
        plain = [path for path in paths if not path.is_symlink()]
        free = (p for p in plain if not p.exists() or (is_ours(p) and _is_on(p, on)))
        return next(free, paths[-1])

    def _files(self, suffixes: frozenset[str] | set[str]) -> list[str]:
        """Names of ordinary files that really lie in the folder: no link may lead out of it."""
        try:
            return [
                path.name
                for path in self.root.iterdir()
                if path.suffix.lower() in suffixes
                and not path.name.startswith(".")
                and path.is_file()
                and path.resolve().is_relative_to(self.root)
            ]
        except OSError as error:
            raise PageError(f"{self.root} cannot be read ({error.strerror}).") from error


def safe_name(given: str) -> str:
    """A file name for an uploaded photo, made of what a browser says it is called.

    Raises: PageError where it is not called like a photo.
    """
    last = re.split(r"[/\\]", unicodedata.normalize("NFC", given))[-1]
    kept = "".join(c if c.isprintable() and c not in '<>:"|?*' else "-" for c in last)
    stem, dot, suffix = kept.strip(" .").rpartition(".")
    if not (stem and dot and f".{suffix.lower()}" in PHOTO_SUFFIXES):
        raise PageError(
            f"'{last[:80]}' is not called like a photo. Photos end in .jpg, .heic, .png, .tif, "
            ".webp or as camera raw files do.",
            status=415,
        )
    return f"{stem[:LONGEST_NAME].strip(' .') or 'photo'}.{suffix}"


def free_path(folder: Path, name: str) -> Path:
    """A path for `name` in `folder` at which nothing is yet."""
    path = folder / name
    count = 1
    while path.exists():
        count += 1
        path = folder / f"{Path(name).stem}-{count}{Path(name).suffix}"
    return path


def is_ours(path: Path) -> bool:
    """True where the page itself wrote this drawing, so that it may write it again."""
    try:
        with path.open("rb") as file:
            return MARK.encode() in file.read(HEAD_BYTES)
    except OSError:
        return False


def folder_of(paths: Sequence[Path]) -> tuple[Folder, tuple[str, str] | None]:
    """The folder to work in, and the pair to open.

    Args:
        paths: none, a folder, or the lights-off and the lights-on photo.
    Raises: PageError where they are anything else.
    """
    if len(paths) > 2:
        raise PageError("Give a folder, or the lights-off and the lights-on photo.")
    missing = next((path for path in paths if not path.exists()), None)
    if missing:
        raise PageError(f"{missing} does not exist. Check the name and the folder.")
    if len(paths) < 2:
        root = (paths[0] if paths else Path()).resolve()
        if not root.is_dir():
            raise PageError(f"{paths[0]} is no folder. Give a folder, or two photos.")
        folder = Folder(root)
        return folder, folder.likely_pair()
    folders = [path for path in paths if not path.is_file()]
    if folders:
        raise PageError(f"{folders[0]} is no photo. Give a folder alone, or two photos.")
    return _of_pair(paths[0], paths[1])


def _of_pair(off: Path, on: Path) -> tuple[Folder, tuple[str, str]]:
    root = on.resolve().parent
    off_name = off.name
    if off.name == on.name and off.resolve() != on.resolve():
        off_name = f"{off.resolve().parent.name} {off.name}"  # two folders, one name
    return Folder(root, {off_name: off.resolve(), on.name: on.resolve()}), (off_name, on.name)


def _is_on(drawing: Path, photo: Path) -> bool:
    """True where a drawing links this photo."""
    try:
        linked = linked_photo(drawing)
        return linked is not None and linked.samefile(photo)
    except (LeakcheckError, OSError):
        return False


def _end(name: str) -> str | None:
    """Whether a photo's name says off or on."""
    words = set(re.findall(r"[a-z]+", Path(name).stem.lower()))
    said = [end for end, own in ENDS.items() if words & own]
    return said[0] if len(said) == 1 else None


def _stem(name: str) -> str:
    """The name without the words that say off or on."""
    parts = re.split(r"([a-z]+)", Path(name).stem.lower())
    return "".join(part for part in parts if part not in OFF_WORDS | ON_WORDS)
