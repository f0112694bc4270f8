"""Runs the demo's third-party FHIR server (`sekmet-fhir`) in a process of its own. I/O: everything a server does.

`server_starter` calls it as `python -m linedays.adapters.server_launch FOLDER`. It takes a free loopback port, writes
the server's address to FOLDER/address, and ends when its standard input closes, so it cannot outlive its parent.
"""

import socket
import sys
import threading
from importlib import import_module
from pathlib import Path
from typing import Any

LOOPBACK = "127.0.0.1"
ADDRESS_FILE = "address"

# The server stores DeviceUseStatement but knows no search parameter of it, and then returns every row. These are the
# ones of FHIR R4 (http://hl7.org/fhir/R4/deviceusestatement.html#search): name, kind, path, target type.
DEVICE_USE_PARAMETERS = (
    ("identifier", "token", "identifier", None),
    ("device", "reference", "device", None),
    ("patient", "reference", "subject", "Patient"),
    ("subject", "reference", "subject", None),
)


def server_settings(folder: Path, port: int) -> dict[str, Any]:
    """Return the server's settings: data in `folder`, nothing that acts by itself, no log of requests."""
    return {
        "base_url": f"http://{LOOPBACK}:{port}/fhir",
        "host": LOOPBACK,
        "port": port,
        "data_dir": str(folder / "data"),
        "simulator": {"enabled": False},
        "log_inbound": False,
        "server_auth": {"types": ["none"]},
    }


def add_device_use_parameters() -> None:
    """Teach the server the search parameters of DeviceUseStatement."""
    table = import_module("sekmet.fhir.search_params")
    table.PARAMS["DeviceUseStatement"] = {
        name: table.SearchParam(name, kind, (path,), target) for name, kind, path, target in DEVICE_USE_PARAMETERS
    }


def serve(folder: Path) -> None:
    """Serve until standard input closes or a signal comes."""
    uvicorn = import_module("uvicorn")
    add_device_use_parameters()
    with socket.create_server((LOOPBACK, 0)) as listener:
        settings = server_settings(folder, listener.getsockname()[1])
        settings_class = import_module("sekmet.config").Settings
        application = import_module("sekmet.main").create_app(settings_class.model_validate(settings))
        server = uvicorn.Server(uvicorn.Config(application, log_level="warning", access_log=False))
        threading.Thread(target=_stop_with_parent, args=(server,), daemon=True).start()
        _write_whole(folder / ADDRESS_FILE, settings["base_url"])
        server.run(sockets=[listener])


def _stop_with_parent(server: Any) -> None:
    sys.stdin.buffer.read()
    server.should_exit = True


def _write_whole(path: Path, text: str) -> None:
    # Renamed into place, so that a reader sees the whole text or no file.
    part = path.with_suffix(".part")
    part.write_text(text, encoding="utf-8")
    part.replace(path)


if __name__ == "__main__":
    serve(Path(sys.argv[1]))
