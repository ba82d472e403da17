"""Where a lake lies: a folder, or what fsspec opens by its URL. Files are written beside and renamed.

The base install has folders; for any other URL the extra `farmwatch[company]` brings fsspec, and the storage's own
package the way to it. Paths within the lake are relative, apart by "/".
"""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import unquote, urlsplit

from farmwatch.errors import FarmwatchError, InputError
from farmwatch.files import replacing

__all__ = ["EXTRA", "Entry", "Folder", "Place", "PlaceFails", "Remote", "open_place", "shown_url"]

EXTRA = "pip install 'farmwatch[company]'"


class PlaceFails(FarmwatchError):
    """The lake's place cannot be read or written; the message says why."""


@dataclass(frozen=True, slots=True)
class Entry:
    """A file of the lake, and when the storage says it was written (None where it does not)."""

    path: str
    size: int
    changed_at: datetime | None


class Place(Protocol):
    """What every lake is read and written through. All methods raise PlaceFails."""

    url: str
    filesystem: Any
    """What DuckDB reads it through; None for a folder."""

    def read(self, path: str) -> bytes:
        """A small file whole."""

    def entries(self, prefix: str = "") -> list[Entry]:
        """Every file below a path, in order of path; none where there is no such path."""

    def put(self, path: str, body: bytes) -> None:
        """A small file, whole or not at all."""

    @contextmanager
    def writing(self, path: str) -> Iterator[Path]:
        """A file of this computer to write; at the end it takes the place of `path` in one move."""

    def remove(self, path: str) -> None:
        """Take a file away; one that is gone already is no fault."""

    def source(self, path: str) -> str:
        """How DuckDB names the file."""


def open_place(url: str) -> Place:
    """The place of a lake by its URL or path; raises InputError for what is none, PlaceFails."""
    parts = urlsplit(url)
    if "://" not in url:
        return Folder(Path(url).absolute())
    if parts.username or parts.password or parts.query:
        raise InputError(
            f"{shown_url(url)}: wanted an address without user, password or query; the storage's package reads keys "
            "from the environment or from its own file"
        )
    if parts.scheme == "file":
        if parts.netloc not in ("", "localhost"):
            raise InputError(f"{url}: wanted file:/// and an absolute path")
        return Folder(Path(unquote(parts.path)))
    return Remote(url)


def shown_url(url: str) -> str:
    """A URL as it may be said: without what may be a secret."""
    bare = url.split("?", 1)[0]
    return re.sub(r"//[^/@]*@", "//…@", bare)


class Folder:
    """A lake in a folder of this computer, or of a share that is mounted."""

    filesystem = None

    def __init__(self, root: Path) -> None:
        self.root = root
        self.url = str(root)

    def read(self, path: str) -> bytes:
        """A small file whole."""
        with _faults(self.root / path):
            return (self.root / path).read_bytes()

    def entries(self, prefix: str = "") -> list[Entry]:
        """Every file below a path."""
        top = self.root / prefix
        if not prefix and not top.is_dir():
            raise PlaceFails(f"{top}: there is no such folder")
        found: list[Entry] = []

        def shut(fault: OSError) -> None:
            # Named at least, so that a site that may not be read is not simply gone.
            found.append(Entry(f"{Path(fault.filename).relative_to(self.root).as_posix()}/", 0, None))

        with _faults(top):
            for folder, _, names in os.walk(top, onerror=shut if not prefix else None):
                for name in names:
                    path = Path(folder, name)
                    status = path.stat()
                    changed = datetime.fromtimestamp(status.st_mtime, UTC)
                    found.append(Entry(path.relative_to(self.root).as_posix(), status.st_size, changed))
        return sorted(found, key=lambda entry: entry.path)

    def put(self, path: str, body: bytes) -> None:
        """A small file, whole or not at all."""
        with self.writing(path) as beside:
            beside.write_bytes(body)

    @contextmanager
    def writing(self, path: str) -> Iterator[Path]:
        """The file beside its place."""
        target = self.root / path
        with _faults(target):
            target.parent.mkdir(parents=True, exist_ok=True)
            with replacing(target) as beside:
                yield beside

    def remove(self, path: str) -> None:
        """Take a file away, and its folder where that is left empty."""
        with _faults(self.root / path):
            (self.root / path).unlink(missing_ok=True)

    def source(self, path: str) -> str:
        """The path itself."""
        return str(self.root / path)


class Remote:
    """A lake behind a URL that fsspec opens."""

    def __init__(self, url: str) -> None:
        try:
            import fsspec
        except ImportError:
            raise PlaceFails(f"{url}: a lake behind a URL wants fsspec: {EXTRA}") from None
        self.url = url.rstrip("/")
        try:
            self.filesystem, root = fsspec.url_to_fs(url, skip_instance_cache=False)
        except (ImportError, ValueError) as fault:
            raise PlaceFails(f"{url}: cannot be opened: {fault}") from None
        self._root = str(root).rstrip("/")

    def read(self, path: str) -> bytes:
        """A small file whole."""
        with _faults(self._at(path)):
            self.filesystem.invalidate_cache()
            return bytes(self.filesystem.cat_file(self._at(path)))

    def entries(self, prefix: str = "") -> list[Entry]:
        """Every file below a path."""
        top = self._at(prefix) if prefix else self._root
        with _faults(top):
            self.filesystem.invalidate_cache()
            # Object storages know no folders, others refuse one that is not there.
            found = self.filesystem.find(top, detail=True) if self.filesystem.exists(top) else {}
        return [
            Entry(str(path)[len(self._root) + 1 :], int(facts.get("size") or 0), _changed(facts))
            for path, facts in sorted(found.items())
        ]

    def put(self, path: str, body: bytes) -> None:
        """A small file, whole or not at all."""
        with self.writing(path) as local:
            local.write_bytes(body)

    @contextmanager
    def writing(self, path: str) -> Iterator[Path]:
        """A file of this computer, sent under a name beside its own, then moved."""
        target = self._at(path)
        with tempfile.TemporaryDirectory(prefix="farmwatch-lake-") as folder:
            local = Path(folder, "new.parquet")
            yield local
            with _faults(target):
                self.filesystem.makedirs(target.rpartition("/")[0], exist_ok=True)
                beside = f"{target}.{os.getpid()}.beside"
                self.filesystem.put_file(str(local), beside)
                self.filesystem.mv(beside, target)

    def remove(self, path: str) -> None:
        """Take a file away."""
        with _faults(self._at(path)):
            if self.filesystem.exists(self._at(path)):
                self.filesystem.rm_file(self._at(path))

    def source(self, path: str) -> str:
        """By its protocol, which DuckDB hands to fsspec."""
        return str(self.filesystem.unstrip_protocol(self._at(path)))

    def _at(self, path: str) -> str:
        return f"{self._root}/{path}"


def _changed(facts: dict[str, Any]) -> datetime | None:
    """When a storage says that a file was written, under whichever name it says so."""
    for key in ("LastModified", "last_modified", "mtime", "created", "updated"):
        value = facts.get(key)
        if isinstance(value, datetime):
            return value if value.tzinfo else value.replace(tzinfo=UTC)
        if isinstance(value, (int, float)):
            return datetime.fromtimestamp(value, UTC)
    return None


@contextmanager
def _faults(where: object) -> Iterator[None]:
    try:
        yield
    except OSError as fault:
        raise PlaceFails(f"{where}: {fault.strerror or fault}") from fault
