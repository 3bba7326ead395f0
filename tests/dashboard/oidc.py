"""A sign-in service of the tests' own: OpenID Connect with discovery, authorize, token and keys, on this computer."""

from __future__ import annotations

import json
import secrets
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

CLIENT, SECRET = "dryhold-test", "a secret of the test"


class Provider:
    """Signs in at once, and without a question, whoever `claims` says."""

    def __init__(self) -> None:
        from joserfc.jwk import RSAKey

        self.key = RSAKey.generate_key(2048, {"kid": "test", "use": "sig", "alg": "RS256"})
        self.claims: dict[str, Any] = {}
        self.codes: dict[str, dict[str, str]] = {}
        self.asked: list[str] = []
        self.issuer = ""

    def get(self, path: str, query: dict[str, str]) -> tuple[int, dict[str, Any] | str]:
        """Return status and JSON, or where to go."""
        self.asked.append(path)
        if path == "/.well-known/openid-configuration":
            places = {name: f"{self.issuer}/{name.split('_')[0]}" for name in ("authorization_endpoint", "jwks_uri")}
            return 200, {
                "issuer": self.issuer,
                "token_endpoint": f"{self.issuer}/token",
                "response_types_supported": ["code"],
                "subject_types_supported": ["public"],
                "id_token_signing_alg_values_supported": ["RS256"],
                "code_challenge_methods_supported": ["S256"],
                **places,
            }
        if path == "/jwks":
            return 200, {"keys": [self.key.as_dict(private=False)]}
        if path == "/authorization" and query.get("client_id") == CLIENT:
            code = secrets.token_urlsafe(8)
            self.codes[code] = query
            return 302, query["redirect_uri"] + "?" + urlencode({"code": code, "state": query["state"]})
        return 404, {}

    def token(self, form: dict[str, str]) -> tuple[int, dict[str, Any]]:
        """Return the signed tokens for a code, which is taken once."""
        from joserfc import jwt

        asked = self.codes.pop(form.get("code", ""), None)
        if asked is None or asked["redirect_uri"] != form.get("redirect_uri"):
            return 400, {"error": "invalid_grant"}
        now = int(time.time())
        claims = {"iss": self.issuer, "aud": CLIENT, "iat": now, "exp": now + 600, "nonce": asked.get("nonce")}
        signed = jwt.encode({"alg": "RS256", "kid": "test"}, {**claims, **self.claims}, self.key)
        return 200, {"access_token": "x", "token_type": "Bearer", "expires_in": 600, "id_token": signed}


def _handler(provider: Provider) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            parts = urlsplit(self.path)
            query = {name: values[0] for name, values in parse_qs(parts.query).items()}
            self.answer(*provider.get(parts.path, query))

        def do_POST(self) -> None:
            text = self.rfile.read(int(self.headers["Content-Length"])).decode()
            self.answer(*provider.token({name: values[0] for name, values in parse_qs(text).items()}))

        def answer(self, status: int, body: dict[str, Any] | str) -> None:
            self.send_response(status)
            if isinstance(body, str):
                self.send_header("Location", body)
            content = b"" if isinstance(body, str) else json.dumps(body).encode()
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *_words: Any) -> None:
            """Say nothing."""

    return Handler


@contextmanager
def provider() -> Iterator[Provider]:
    """Give a service that runs while it is needed."""
    made = Provider()
    server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(made))
    made.issuer = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield made
    server.shutdown()
    server.server_close()
    thread.join(5)
