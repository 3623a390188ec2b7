"""Build the image and run it, where there is no container engine at work: ``python -m tests.ops.image FOLDER``.

Needs Debian's ``buildah podman runc mmdebstrap nginx-light`` and root. Bases
are made from Debian's packages in FOLDER (about 1 GB) and kept there for the
next time. The container runs without network rights of its own, read-only, as
uid 10001 without capabilities, behind nginx with TLS from
``docker/proxy/nginx.conf``; every demo episode is posted over TLS and the
answers are those of this checkout. Prints figures. Loopback only.
"""

from __future__ import annotations

import argparse
import contextlib
import http.client
import json
import os
import shutil
import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

from service.commands import keys
from service.pipeline import Pipeline
from service.representations import review_json
from service.resources import demo_directory
from service.server import process
from tests.support.certificates import make, store

ROOT = Path(__file__).parents[2]
_TRIM = ["man", "doc", "locale"]
NAME = "restraint-review-check"


def run(*command: str, quiet: bool = True) -> str:
    """Run a command; its output. Raises CalledProcessError."""
    done = subprocess.run(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT if quiet else None, text=True, cwd=ROOT
    )
    if done.returncode:
        print(done.stdout[-4000:])
        raise subprocess.CalledProcessError(done.returncode, command)
    return done.stdout


class Images:
    """Image store in one folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.flags = ["--root", str(folder / "store"), "--runroot", str(folder / "run"), "--storage-driver", "overlay"]

    def podman(self, *arguments: str) -> str:
        """Run podman."""
        return run("podman", *self.flags, *arguments)

    def base(self, name: str, packages: str) -> str:
        """An image of Debian's packages; made unless it is there."""
        image = f"localhost/{name}:bookworm"
        if image in self.podman("images", "--format", "{{.Repository}}:{{.Tag}}"):
            return image
        archive = self.folder / f"{name}.tar"
        trim = [f"--dpkgopt=path-exclude=/usr/share/{each}/*" for each in _TRIM]
        hook = '--customize-hook=rm -rf "$1"/var/lib/apt/lists/* "$1"/var/cache/*'
        run("mmdebstrap", "--variant=minbase", f"--include={packages}", *trim, hook, "bookworm", str(archive))
        self.podman("import", str(archive), image)
        archive.unlink()
        return image

    def build(self) -> float:
        """Build the image; seconds."""
        runtime = self.base("python", "python3,ca-certificates")
        build = self.base("python-build", "python3,python3-venv,python3-dev,gcc,libc6-dev,ca-certificates")
        began = time.monotonic()
        authorities = "/etc/ssl/certs/ca-certificates.crt"
        run(
            "buildah", *self.flags, "bud", "--isolation", "chroot", "--format", "docker", "-f", "docker/Dockerfile",
            "--build-arg", f"BUILD={build}", "--build-arg", f"BASE={runtime}",
            "-v", f"{authorities}:{authorities}:ro", "-t", NAME, ".",
        )  # fmt: skip
        return time.monotonic() - began

    @contextlib.contextmanager
    def running(self, clients: Path, port: int) -> Iterator[float]:
        """The container, ready; yields the seconds until then."""
        began = time.monotonic()
        self.podman(
            "--runtime", shutil.which("runc") or "runc", "run", "-d", "--name", NAME, "--network", "host",
            "--ulimit", "nofile=1024:20000", "--ulimit", "nproc=1000:1000", "--read-only", "--read-only-tmpfs=false",
            "--cap-drop", "all", "--security-opt", "no-new-privileges", "--memory", "1g", "--pids-limit", "128",
            "-v", f"{clients}:/run/clients.json:ro", "-e", "RESTRAINT_REVIEW_HOST=127.0.0.1",
            "-e", f"RESTRAINT_REVIEW_PORT={port}", "-e", "RESTRAINT_REVIEW_CLIENTS_FILE=/run/clients.json", NAME,
        )  # fmt: skip
        try:
            while True:
                with (
                    contextlib.suppress(OSError),
                    contextlib.closing(http.client.HTTPConnection("127.0.0.1", port)) as c,
                ):
                    c.request("GET", "/health/ready")
                    if c.getresponse().status == 200:
                        break
                if time.monotonic() - began > 120:
                    print(self.podman("logs", NAME)[-2000:])
                    raise SystemExit("the container was not ready in time")
                time.sleep(0.05)
            yield time.monotonic() - began
        finally:
            print("| last lines of its log | " + self.podman("logs", "--tail", "1", NAME).strip()[:120] + " |")
            self.podman("rm", "-f", "-t", "25", NAME)


@contextlib.contextmanager
def proxy(folder: Path, port: int, upstream: int) -> Iterator[str]:
    """nginx with the project's own configuration, moved to loopback ports; yields the authority's certificate."""
    authority = make("authority")
    ca, _ = store(folder, "authority", authority)
    certificate, key = store(folder, "server", make("server", authority))
    text = (ROOT / "docker" / "proxy" / "nginx.conf").read_text()
    for old, new in (
        ("listen 8443 ssl", f"listen 127.0.0.1:{port} ssl"), ("server review:8080", f"server 127.0.0.1:{upstream}"),
        ("/run/secrets/tls_certificate", certificate), ("/run/secrets/tls_key", key),
        ("/var/cache/nginx", str(folder)),
    ):  # fmt: skip
        assert old in text, old
        text = text.replace(old, new)
    (folder / "nginx.conf").write_text(text)
    child = subprocess.Popen(["nginx", "-c", str(folder / "nginx.conf"), "-g", "daemon off;"])
    try:
        time.sleep(0.5)
        yield ca
    finally:
        process.end(child)


def main() -> None:
    """Build, run, check, print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder.absolute()
    folder.mkdir(parents=True, exist_ok=True)
    images = Images(folder)
    print("| what | figure |\n|---|---|")
    print(f"| build, bases at hand | {images.build():.0f} s |")
    for name in (NAME, "python"):
        size = int(
            images.podman(
                "image", "inspect", name if name == NAME else "localhost/python:bookworm", "--format", "{{.Size}}"
            )
        )
        print(f"| size of {'the image' if name == NAME else 'its base'} | {size / 1e6:.0f} MB |")
    key, digest = keys.new_key()
    clients = folder / "clients.json"
    clients.write_text(
        json.dumps({"clients": [{"name": "demo", "scopes": ["review", "batch", "metrics"], "keys": [digest]}]})
    )
    clients.chmod(0o444)
    port, secure = process.free_port(), process.free_port()
    pipeline = Pipeline.build()
    with images.running(clients, port) as seconds, proxy(folder, secure, port) as ca:
        print(f"| start until ready, 2 workers | {seconds:.1f} s |")
        inside = "import os; print(os.getuid(), os.access('/', os.W_OK), open('/proc/self/status').read().split('CapEff:')[1][:18].strip())"
        print(f"| uid, can write to /, capabilities | {images.podman('exec', NAME, 'python3', '-c', inside).strip()} |")
        context = ssl.create_default_context(cafile=ca)
        same = 0
        episodes = [path for path in sorted(demo_directory().glob("*.json")) if path.name != "index.json"]
        headers = {"Content-Type": "application/json", "Authorization": f"Bearer {key}"}
        for path in episodes:
            with contextlib.closing(http.client.HTTPSConnection("127.0.0.1", secure, context=context)) as connection:
                connection.request("POST", "/v1/reviews", path.read_bytes(), headers)
                answer = connection.getresponse()
                body = answer.read()
                assert answer.status == 200, (answer.status, body[:300])
                assert body == review_json.render(pipeline.review(path.read_bytes(), "application/json", "default"))
                same += 1
        print(f"| demo episodes over TLS, the bytes of this checkout | {same} |")
        lines = b"\n".join(json.dumps(json.loads(path.read_bytes())).encode() for path in episodes)
        with contextlib.closing(http.client.HTTPSConnection("127.0.0.1", secure, context=context)) as connection:
            connection.request("POST", "/v1/measures", lines, {**headers, "Content-Type": "application/x-ndjson"})
            # The one answer that needs the large libraries, of which parts are left out of the image.
            assert connection.getresponse().status == 200
        health = images.podman("exec", NAME, "python3", "-m", "service.server.health")
        print(f"| its own health check | passes{health} |")
        memory = images.podman("stats", "--no-stream", "--format", "{{.MemUsage}}", NAME).strip()
        print(f"| memory | {memory} |")
        components = images.podman("exec", NAME, "cat", "/opt/restraint-review/sbom.cdx.json")
        print(f"| components in its bill of materials | {len(json.loads(components)['components'])} |")
        began = time.monotonic()
        images.podman("stop", "-t", "25", NAME)
        code = images.podman("inspect", NAME, "--format", "{{.State.ExitCode}}").strip()
        print(f"| stop | {time.monotonic() - began:.1f} s, exit status {code} |")


if __name__ == "__main__":
    os.environ.setdefault("LC_ALL", "C.UTF-8")
    main()
