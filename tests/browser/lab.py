"""A real JupyterLab on a folder of its own, and chromium to look at it."""

from __future__ import annotations

import json
import os
import secrets
import shutil
import subprocess
import sys
import time
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any

import psutil

import dtfexp

SOURCE = Path(dtfexp.__file__).resolve().parent.parent
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
BROWSER_ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def private_environment(home: Path) -> dict[str, str]:
    """An environment in which Jupyter reads and writes nothing outside ``home``."""
    env = {k: v for k, v in os.environ.items() if not k.startswith(("JUPYTER", "IPYTHON"))}
    folders = {
        "HOME": "home",
        "IPYTHONDIR": "ipython",
        "JUPYTER_CONFIG_DIR": "config",
        "JUPYTER_DATA_DIR": "data",
        "JUPYTER_RUNTIME_DIR": "runtime",
    }
    for name, folder in folders.items():
        (home / folder).mkdir(parents=True, exist_ok=True)
        env[name] = str(home / folder)
    env["PYTHONPATH"] = os.pathsep.join(filter(None, [str(SOURCE), env.get("PYTHONPATH")]))
    return env


class Lab:
    """A running JupyterLab; ``get`` asks its REST interface."""

    def __init__(self, folder: Path, home: Path) -> None:
        self.folder = folder
        self.token = secrets.token_hex(16)
        env = private_environment(home)
        settings = home / "config/lab/user-settings/@jupyterlab/apputils-extension"
        settings.mkdir(parents=True)
        (settings / "notification.jupyterlab-settings").write_text(
            json.dumps({"fetchNews": "false", "checkForUpdates": False})
        )
        command = [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root"]
        command += ["--ip=127.0.0.1", "--port=0", f"--IdentityProvider.token={self.token}"]
        off = {"jpserver_extensions": {"jupyter_lsp": False, "jupyter_server_terminals": False}}
        (home / "config/jupyter_server_config.json").write_text(json.dumps({"ServerApp": off}))
        self.log = (home / "lab.log").open("wb")
        self.process = subprocess.Popen(
            command, cwd=folder, env=env, stdout=self.log, stderr=self.log
        )
        try:
            self.address = self._address(home / "runtime")
        except BaseException:
            self.stop()
            raise

    def _address(self, runtime: Path) -> str:
        def ready() -> str | None:
            for file in runtime.glob("jpserver-*.json"):
                address = str(json.loads(file.read_text())["url"])
                self.address = address
                if self.get("api/status") is not None:
                    return address
            return None

        return wait_for(ready, 60, "JupyterLab")

    def get(self, path: str, method: str = "GET") -> Any:
        request = urllib.request.Request(
            self.address + path, method=method, headers={"Authorization": f"token {self.token}"}
        )
        try:
            with urllib.request.urlopen(request, timeout=20) as answer:
                return json.loads(answer.read() or b"{}")
        except (urllib.error.URLError, json.JSONDecodeError, ConnectionError):
            return None  # the call may answer 500 once while a kernel starts

    def idle_kernel(self) -> str:
        """The id of the one kernel, once it is idle and the page is connected to it."""

        def idle() -> str | None:
            for kernel in self.get("api/kernels") or []:
                if kernel["execution_state"] == "idle" and kernel["connections"] > 0:
                    return str(kernel["id"])
            return None

        return wait_for(idle, 60, "an idle kernel")

    def kill_kernel(self) -> None:
        """End the kernel's process as a crash would; JupyterLab starts another by itself."""
        kernel = self.idle_kernel()
        for process in psutil.Process(self.process.pid).children(recursive=True):
            if any(kernel in part for part in process.cmdline()):
                process.kill()
                return
        raise AssertionError("the kernel's process was not found")

    def stop(self) -> None:
        self.process.terminate()
        try:
            self.process.wait(15)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait(15)
        self.log.close()


def wait_for(ask: Any, seconds: float, what: str) -> Any:
    """Ask until there is an answer that is not None or False."""
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        answer = ask()
        if answer:
            return answer
        time.sleep(0.15)
    raise AssertionError(f"{what} did not come within {seconds:g} s")
