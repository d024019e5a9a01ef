"""Where a store or an inbox lies: a local folder, or any pyarrow or fsspec filesystem.

All paths below a location are relative, with forward slashes. Credentials come
from the environment; an address that holds some is refused, and messages name
only the address.
"""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pyarrow as pa
from pyarrow import fs

from ...shared.errors import StoreError

TEMPORARY_SUFFIX = ".tmp"
_NO_LINKS = {errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK}


@dataclass(frozen=True)
class Found:
    """One file seen while listing."""

    path: str
    bytes: int
    mtime_ns: int
    inode: int = 0


class Location(ABC):
    """A place that holds files; see the module's text."""

    text: str
    """The address as given; safe to show."""

    @property
    @abstractmethod
    def exclusive(self) -> bool:
        """True where a file can be created only if it is absent, in one step."""

    @abstractmethod
    def read(self, path: str) -> bytes:
        """Return a file's bytes; FileNotFoundError when absent."""

    @abstractmethod
    def open_file(self, path: str) -> Any:
        """Open a file for random reading (an Arrow file)."""

    @abstractmethod
    def write(self, path: str, data: Any) -> None:
        """Write a file whole; a reader sees the old bytes or the new ones."""

    @abstractmethod
    def create(self, path: str, data: bytes) -> None:
        """Write a file durably if it is absent; FileExistsError otherwise."""

    @abstractmethod
    def exists(self, path: str) -> bool:
        """Tell whether a file is there."""

    @abstractmethod
    def size(self, path: str) -> int:
        """Return a file's size in bytes; FileNotFoundError when absent."""

    @abstractmethod
    def delete(self, path: str) -> None:
        """Remove a file; nothing happens when it is absent."""

    @abstractmethod
    def names(self, folder: str) -> list[str]:
        """Return the names of the files directly in a folder, sorted; [] when absent."""

    @abstractmethod
    def walk(self, folder: str = "") -> Iterator[Found]:
        """Yield every file below a folder."""

    def sync(self, paths: Iterable[str]) -> None:  # noqa: B027 - object stores are durable at once
        """Make written files durable."""

    def prune(self, folder: str) -> None:  # noqa: B027 - object stores have no folders
        """Remove a folder if it is empty."""


@dataclass(frozen=True)
class LocalLocation(Location):
    """A folder on this machine or a mounted share."""

    text: str

    @property
    def root(self) -> Path:
        """The folder."""
        return Path(self.text)

    @property
    def exclusive(self) -> bool:
        return True

    def full(self, path: str) -> str:
        """Return the path that the operating system knows."""
        return os.path.join(self.text, path)

    def read(self, path: str) -> bytes:
        with open(self.full(path), "rb") as file:
            return file.read()

    def open_file(self, path: str) -> Any:
        return pa.memory_map(self.full(path))

    def write(self, path: str, data: Any) -> None:
        target = self.full(path)
        temporary = self._temporary(target)
        try:
            with open(temporary, "wb") as file:
                file.write(data)
            os.replace(temporary, target)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
            raise

    def create(self, path: str, data: bytes) -> None:
        target = self.full(path)
        if os.path.exists(target):
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), target)
        temporary = self._temporary(target)
        try:
            with open(temporary, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            try:
                os.link(temporary, target)
            except FileExistsError:
                raise
            except OSError as error:
                if error.errno not in _NO_LINKS:
                    raise
                self._create_without_links(target, data)
        finally:
            with contextlib.suppress(OSError):
                os.unlink(temporary)
        self._sync_folder(os.path.dirname(target))

    @staticmethod
    def _create_without_links(target: str, data: bytes) -> None:
        """Create on a filesystem without hard links; a kill can leave it incomplete,
        which readers of the log recognise and writers replace."""
        handle = os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(target)
            raise

    def exists(self, path: str) -> bool:
        return os.path.isfile(self.full(path))

    def size(self, path: str) -> int:
        return os.stat(self.full(path)).st_size

    def delete(self, path: str) -> None:
        try:
            os.unlink(self.full(path))
        except FileNotFoundError:
            pass
        except PermissionError:
            if os.name != "nt":
                raise
            # there, a file that a reader has open can't go yet: 'compact' removes it later

    def prune(self, folder: str) -> None:
        with contextlib.suppress(OSError):
            os.rmdir(self.full(folder))

    def names(self, folder: str) -> list[str]:
        try:
            with os.scandir(self.full(folder)) as found:
                return sorted(e.name for e in found if e.is_file() and not _temporary(e.name))
        except FileNotFoundError:
            return []

    def walk(self, folder: str = "") -> Iterator[Found]:
        pending = [folder]
        while pending:
            here = pending.pop()
            try:
                entries = list(os.scandir(self.full(here)))
            except FileNotFoundError:
                continue
            for entry in sorted(entries, key=lambda e: e.name):
                path = f"{here}/{entry.name}" if here else entry.name
                if entry.is_dir(follow_symlinks=False):
                    pending.append(path)
                elif entry.is_file(follow_symlinks=False):
                    with contextlib.suppress(FileNotFoundError):
                        stat = entry.stat(follow_symlinks=False)
                        yield Found(path, stat.st_size, stat.st_mtime_ns, stat.st_ino)

    def sync(self, paths: Iterable[str]) -> None:
        targets = [self.full(p) for p in paths]
        folders = sorted({os.path.dirname(t) for t in targets})
        if len(targets) < 8:
            for target in targets:
                self._sync_file(target)
            for folder in folders:
                self._sync_folder(folder)
            return
        with ThreadPoolExecutor(8) as pool:  # waiting for the disk, not computing
            list(pool.map(self._sync_file, targets))
            list(pool.map(self._sync_folder, folders))

    @staticmethod
    def _sync_file(target: str) -> None:
        # Windows syncs only what may be written to
        handle = os.open(target, os.O_RDWR if os.name == "nt" else os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    @staticmethod
    def _sync_folder(folder: str) -> None:
        with contextlib.suppress(OSError):  # some filesystems can't sync a folder
            handle = os.open(folder, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)

    @staticmethod
    def _temporary(target: str) -> str:
        folder, name = os.path.split(target)
        path = os.path.join(folder, f".{name}.{secrets.token_hex(4)}{TEMPORARY_SUFFIX}")
        os.makedirs(folder, exist_ok=True)
        return path


@dataclass(frozen=True)
class RemoteLocation(Location):
    """An object store, or any other pyarrow or fsspec filesystem."""

    text: str

    def __reduce__(self) -> tuple[Any, ...]:
        # an open filesystem may hold credentials: another process opens its own
        return (RemoteLocation, (self.text,))

    @cached_property
    def _opened(self) -> tuple[Any, str]:
        return _open_remote(self.text)

    @cached_property
    def _creator(self) -> Any:
        """An fsspec filesystem whose ``pipe_file(mode="create")`` is conditional, or None."""
        scheme = urlsplit(self.text).scheme
        try:
            import fsspec  # type: ignore[import-untyped,unused-ignore]

            if scheme == "memory":
                return None
            if scheme == "s3":
                endpoint = os.environ.get("AWS_ENDPOINT_URL_S3") or os.environ.get(
                    "AWS_ENDPOINT_URL"
                )
                options = {"endpoint_url": endpoint} if endpoint else {}
                return fsspec.filesystem("s3", use_listings_cache=False, **options)
        except ImportError:
            return None
        return None

    @property
    def exclusive(self) -> bool:
        return self._creator is not None

    def _path(self, path: str) -> str:
        root = self._opened[1]
        return f"{root}/{path}" if path else root

    def read(self, path: str) -> bytes:
        with self._opened[0].open_input_stream(self._path(path)) as stream:
            data: bytes = stream.read()
            return data

    def open_file(self, path: str) -> Any:
        return self._opened[0].open_input_file(self._path(path))

    def write(self, path: str, data: Any) -> None:
        with self._opened[0].open_output_stream(self._path(path)) as stream:
            stream.write(data)

    def create(self, path: str, data: bytes) -> None:
        if self._creator is None:
            if self.exists(path):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), path)
            self.write(path, data)
            return
        try:
            self._creator.pipe_file(self._path(path), data, mode="create")
        except FileExistsError:
            raise
        except OSError as error:
            # 412 is the store's "it is there already"; 409 a race that the other side may win
            if "PreconditionFailed" in str(error) or "412" in str(error):
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), path) from error
            raise

    def exists(self, path: str) -> bool:
        info = self._opened[0].get_file_info(self._path(path))
        return bool(info.type == fs.FileType.File)

    def size(self, path: str) -> int:
        info = self._opened[0].get_file_info(self._path(path))
        if info.type != fs.FileType.File:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), path)
        return int(info.size)

    def delete(self, path: str) -> None:
        with contextlib.suppress(FileNotFoundError):
            self._opened[0].delete_file(self._path(path))

    def names(self, folder: str) -> list[str]:
        selector = fs.FileSelector(self._path(folder), allow_not_found=True)
        infos = self._opened[0].get_file_info(selector)
        return sorted(i.base_name for i in infos if i.type == fs.FileType.File)

    def walk(self, folder: str = "") -> Iterator[Found]:
        selector = fs.FileSelector(self._path(folder), allow_not_found=True, recursive=True)
        cut = len(self._opened[1]) + 1
        for info in sorted(self._opened[0].get_file_info(selector), key=lambda i: i.path):
            if info.type == fs.FileType.File:
                yield Found(info.path[cut:], int(info.size), int(info.mtime_ns or 0))


def open_location(text: str | os.PathLike[str]) -> Location:
    """Return the location that an address names.

    Raises
    ------
    StoreError
        If the address is empty, none at all, holds credentials, or no installed
        filesystem knows its scheme.
    """
    text = os.fspath(text)
    if not text:
        raise StoreError("the store's location is empty: name a folder or an address like s3://…")
    if "://" not in text:
        return LocalLocation(os.path.abspath(os.path.expanduser(text)))
    try:
        parts = urlsplit(text)
    except ValueError as error:
        raise StoreError(
            f"{text.partition('://')[0]}://… is no address ({error}): write it like s3://bucket/path"
        ) from None
    scheme = parts.scheme
    if scheme == "file":
        from urllib.request import url2pathname

        return LocalLocation(os.path.abspath(url2pathname(parts.path)))
    if "@" in parts.netloc or "secret" in parts.query.lower() or "key" in parts.query.lower():
        raise StoreError(
            f"an address like {scheme}://… must not hold credentials: "
            "put them into the environment, where they stay out of logs"
        )
    return RemoteLocation(text.rstrip("/"))


def _open_remote(text: str) -> tuple[Any, str]:
    scheme = urlsplit(text).scheme
    try:
        if scheme == "s3" and not urlsplit(text).query:
            # from_uri would ask the store for the bucket's region, which private ones lack
            endpoint = os.environ.get("AWS_ENDPOINT_URL_S3") or os.environ.get("AWS_ENDPOINT_URL")
            options: dict[str, Any] = {"endpoint_override": endpoint} if endpoint else {}
            region = os.environ.get("AWS_REGION") or os.environ.get("AWS_DEFAULT_REGION")
            if region:
                options["region"] = region
            return fs.S3FileSystem(**options), text.removeprefix("s3://").rstrip("/")
        found, path = fs.FileSystem.from_uri(text)
        return found, path.rstrip("/")
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError, AttributeError):
        pass
    try:
        import fsspec

        found, path = fsspec.core.url_to_fs(text)
    except (ImportError, ValueError) as error:
        raise StoreError(
            f"no installed filesystem knows addresses that begin with {scheme}://: "
            "install the fsspec package for it, or use a folder"
        ) from error
    return fs.PyFileSystem(fs.FSSpecHandler(found)), path.rstrip("/")


def _temporary(name: str) -> bool:
    return name.startswith(".") and name.endswith(TEMPORARY_SUFFIX)
