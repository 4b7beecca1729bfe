"""Broker credentials of cranes: a Mosquitto password file, in which each crane has a line of its own.

The rights come from deploy/mosquitto/acl, where a crane's login name is its topic. Mosquitto reads the file again on
SIGHUP, and then ends the connections of names that are gone.
"""

import base64
import fcntl
import hashlib
import os
import re
import secrets
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

from domain.errors import InvalidInput, NotFound, Unavailable
from domain.messages import CRANE_NAME_PATTERN

SERVICE_NAMES: Final = ("ingest", "simulator")  # accounts with rights of their own in deploy/mosquitto/acl
PASSWORD_BYTES: Final = 32
# The password is 256 random bits, which no dictionary holds: stretching adds nothing, Mosquitto's own default is kept.
ITERATIONS: Final = 101
SALT_BYTES: Final = 12
HASH_BYTES: Final = 64


class PasswordFile:
    """The file that `password_file` of mosquitto.conf names."""

    def __init__(self, file: Path) -> None:
        self.file = file

    def names(self) -> list[str]:
        """Who has credentials."""
        return sorted(self._lines())

    def issue(self, name: str, *, service: bool = False) -> str:
        """New credentials for a crane (or for one of our services); the password, which is shown once and kept nowhere.

        Credentials that the name had before stop working. Raises InvalidInput for what is no crane name.
        """
        if not re.fullmatch(CRANE_NAME_PATTERN, name):
            raise InvalidInput(
                f"{name!r} is no crane name: lower-case letters, digits and hyphens", field="name"
            )
        if (name in SERVICE_NAMES) != service:
            raise InvalidInput(
                f"{name!r} is the account of a service of ours, no crane can have it", field="name"
            )
        password = secrets.token_urlsafe(PASSWORD_BYTES)
        self._change(lambda lines: lines.update({name: hashed(password)}))
        return password

    def revoke(self, name: str) -> None:
        """Take the credentials of a crane away. Raises NotFound."""

        def drop(lines: dict[str, str]) -> None:
            if lines.pop(name, None) is None:
                raise NotFound(f"{name} has no credentials in {self.file}")

        self._change(drop)

    def _lines(self) -> dict[str, str]:
        if not self.file.exists():
            return {}
        return dict(line.split(":", 1) for line in self.file.read_text().splitlines() if ":" in line)

    def _change(self, change: Callable[[dict[str, str]], None]) -> None:
        """Apply a change under a lock and put the new file in place at once: Mosquitto never reads half of it."""
        try:
            with self.file.with_name(f".{self.file.name}.lock").open("w") as lock:
                fcntl.flock(lock, fcntl.LOCK_EX)
                lines = self._lines()
                change(lines)
                text = "".join(f"{name}:{value}\n" for name, value in sorted(lines.items()))
                self._replace(text)
        except OSError as problem:
            raise Unavailable(f"{self.file} cannot be written: {problem}") from problem

    def _replace(self, text: str) -> None:
        handle, temporary = tempfile.mkstemp(dir=self.file.parent, prefix=f".{self.file.name}.")
        with os.fdopen(handle, "w") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
            if self.file.exists():
                before = self.file.stat()
                os.fchmod(file.fileno(), before.st_mode & 0o777)
                if os.geteuid() == 0:
                    os.fchown(file.fileno(), before.st_uid, before.st_gid)
        Path(temporary).replace(self.file)


def hashed(password: str) -> str:
    """A password as Mosquitto 2 keeps it: PBKDF2 with SHA-512."""
    salt = secrets.token_bytes(SALT_BYTES)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, ITERATIONS, HASH_BYTES)
    return f"$7${ITERATIONS}${base64.b64encode(salt).decode()}${base64.b64encode(digest).decode()}"
