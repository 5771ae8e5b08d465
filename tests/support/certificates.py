"""A certificate authority for tests, made by openssl: independent of the code that uses its certificates."""

import subprocess
from dataclasses import dataclass
from pathlib import Path

from .peers import need


@dataclass(frozen=True)
class Pair:
    certificate: Path
    key: Path


class Authority:
    """Issues certificates for an hour or so; everything is in one folder."""

    def __init__(self, folder: Path, name: str = "test authority") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._openssl = need("openssl", "openssl")
        self.certificate, self._key = folder / "ca.crt", folder / "ca.key"
        self._run(
            *("req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "2"),
            *("-subj", f"/CN={name}", "-keyout", str(self._key), "-out", str(self.certificate)),
        )

    def issue(self, name: str, alternative: str | None = None) -> Pair:
        """A certificate for a server (with alternative names) or a client."""
        pair = Pair(self._folder / f"{name}.crt", self._folder / f"{name}.key")
        request = self._folder / f"{name}.csr"
        self._run(
            *("req", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-subj", f"/CN={name}"),
            *("-keyout", str(pair.key), "-out", str(request)),
        )
        extensions = self._folder / f"{name}.ext"
        extensions.write_text(f"subjectAltName={alternative}\n" if alternative else "")
        self._run(
            *("x509", "-req", "-in", str(request), "-CA", str(self.certificate), "-CAkey", str(self._key)),
            *("-CAcreateserial", "-days", "2", "-extfile", str(extensions), "-out", str(pair.certificate)),
        )
        pair.key.chmod(0o600)
        return pair

    def _run(self, *arguments: str) -> None:
        done = subprocess.run([self._openssl, *arguments], capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
