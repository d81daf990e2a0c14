"""A small OpenID provider on this machine, for the sign-in journey: it signs in whoever the test says."""

from __future__ import annotations

import base64
import json
import secrets
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from urllib.parse import parse_qs, urlencode, urlsplit

from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.asymmetric import padding, rsa

CLIENT = "rebuild-history"


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


class Provider:
    """`address` is who signs in next. `url` is its issuer."""

    def __init__(self) -> None:
        self.address = ""
        self.codes: dict[str, dict[str, str]] = {}
        self.key = rsa.generate_private_key(public_exponent=65537, key_size=2048)
        self.server = ThreadingHTTPServer(("127.0.0.1", 0), self._handler())
        self.url = f"http://127.0.0.1:{self.server.server_address[1]}"
        threading.Thread(target=self.server.serve_forever, daemon=True).start()

    def close(self) -> None:
        self.server.shutdown()
        self.server.server_close()

    def settings(self) -> dict[str, object]:
        return {
            "issuer": self.url,
            "authorization_endpoint": f"{self.url}/authorize",
            "token_endpoint": f"{self.url}/token",
            "jwks_uri": f"{self.url}/keys",
            "response_types_supported": ["code"],
            "subject_types_supported": ["public"],
            "id_token_signing_alg_values_supported": ["RS256"],
        }

    def keys(self) -> dict[str, object]:
        numbers = self.key.public_key().public_numbers()
        parts = {"n": numbers.n, "e": numbers.e}
        return {
            "keys": [
                {"kty": "RSA", "kid": "1", "use": "sig", "alg": "RS256"}
                | {k: _text(v.to_bytes((v.bit_length() + 7) // 8)) for k, v in parts.items()}
            ]
        }

    def authorize(self, asked: dict[str, str]) -> str:
        code = secrets.token_urlsafe(8)
        self.codes[code] = {"nonce": asked.get("nonce", ""), "email": self.address}
        return f"{asked['redirect_uri']}?{urlencode({'code': code, 'state': asked['state']})}"

    def token(self, asked: dict[str, str]) -> dict[str, object]:
        known = self.codes.pop(asked["code"])
        now = int(time.time())
        claims = {
            "iss": self.url,
            "aud": CLIENT,
            "sub": known["email"],
            "email": known["email"],
            "email_verified": True,
            "nonce": known["nonce"],
            "iat": now,
            "exp": now + 600,
        }
        signed = ".".join(_text(json.dumps(part).encode()) for part in ({"alg": "RS256", "kid": "1"}, claims))
        mark = self.key.sign(signed.encode(), padding.PKCS1v15(), hashes.SHA256())
        return {"access_token": "x", "token_type": "Bearer", "expires_in": 600, "id_token": f"{signed}.{_text(mark)}"}

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        provider = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                place = urlsplit(self.path)
                if place.path == "/authorize":
                    asked = {k: v[0] for k, v in parse_qs(place.query).items()}
                    self.send_response(302)
                    self.send_header("Location", provider.authorize(asked))
                    self.end_headers()
                elif place.path == "/keys":
                    self._json(provider.keys())
                else:
                    self._json(provider.settings())

            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"])).decode()
                self._json(provider.token({k: v[0] for k, v in parse_qs(body).items()}))

            def _json(self, told: dict[str, object]) -> None:
                data = json.dumps(told).encode()
                self.send_response(200)
                self.send_header("Content-Type", "application/json")
                self.send_header("Content-Length", str(len(data)))
                self.end_headers()
                self.wfile.write(data)

            def log_message(self, *_: object) -> None:
                pass

        return Handler
