"""The code that shows that whoever makes the first owner has access to the server.

It lies in a file of the data folder that only the server's own user can read, and is printed at the start,
so that a stranger who reaches the address first cannot take the place over.
"""

import hmac
import secrets
from pathlib import Path

FILE_NAME = "first-run-code"


def code(data_folder: Path) -> str:
    """Return the code, making it if there is none yet."""
    path = data_folder / FILE_NAME
    if not path.is_file():
        data_folder.mkdir(parents=True, exist_ok=True)
        path.touch(mode=0o600)
        path.write_text("-".join(secrets.token_hex(2) for _ in range(4)) + "\n")
    return path.read_text().strip()


def matches(data_folder: Path, given: str) -> bool:
    """Return whether ``given`` is the code."""
    return hmac.compare_digest(code(data_folder).encode(), given.strip().encode())


def spent(data_folder: Path) -> None:
    """Forget the code: the first owner was made."""
    (data_folder / FILE_NAME).unlink(missing_ok=True)
