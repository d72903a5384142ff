"""A small server with real sockets that answers as the published API says: shapes written by hand after docs.stripe.com/api.

It keeps what it is asked for, honours idempotency keys, and can be told to do a thing and then say nothing, or to say 500.
"""

import hashlib
import hmac
import itertools
import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlsplit

SECRET = "whsec_made_up_for_tests"
KEY = "sk_test_made_up"


class StripeServer:
    """What the server knows. `mood`: "" answers; "hang" does it and stays silent; "broken" does it and answers 500."""

    def __init__(self) -> None:
        self.sessions: dict[str, dict[str, Any]] = {}
        self.refunds: dict[str, dict[str, Any]] = {}
        self.payouts: list[dict[str, Any]] = []
        self.transactions: dict[str, list[dict[str, Any]]] = {}
        self.answers: dict[str, dict[str, Any]] = {}
        self.asked: list[tuple[str, str, dict[str, str], str]] = []
        self.mood = ""
        self.count = itertools.count(1)
        self.base = ""

    def handle(self, method: str, path: str, form: dict[str, str], key: str) -> tuple[int, dict[str, Any]]:
        """Do one request."""
        self.asked.append((method, path, form, key))
        if key and key in self.answers:
            return 200, self.answers[key]
        status, answer = self.act(method, path, form)
        if key and status == 200:
            self.answers[key] = answer
        return status, answer

    def act(self, method: str, path: str, form: dict[str, str]) -> tuple[int, dict[str, Any]]:
        parts = path.strip("/").split("/")[1:]
        match [method, *parts]:
            case ["POST", "checkout", "sessions"]:
                return 200, self.make_session(form)
            case ["GET", "checkout", "sessions"]:
                return 200, listed(path, list(self.sessions.values()))
            case ["GET", "checkout", "sessions", name] if name in self.sessions:
                return 200, self.sessions[name]
            case ["POST", "checkout", "sessions", name, "expire"] if name in self.sessions:
                if self.sessions[name]["status"] == "complete":
                    return 400, error("Only Checkout Sessions with a status in [open] can be expired.")
                self.sessions[name] |= {"status": "expired", "url": None}
                return 200, self.sessions[name]
            case ["POST", "refunds"]:
                return 200, self.make_refund(form)
            case ["GET", "refunds"]:
                return 200, listed(path, [r for r in self.refunds.values() if r["payment_intent"] == form.get("payment_intent")])
            case ["GET", "payouts"]:
                return 200, listed(path, self.payouts)
            case ["GET", "balance_transactions"]:
                return 200, listed(path, self.transactions[form["payout"]])
        return 404, error("No such thing", code="resource_missing")

    def make_session(self, form: dict[str, str]) -> dict[str, Any]:
        name = f"cs_test_{next(self.count)}"
        self.sessions[name] = {
            "id": name, "object": "checkout.session", "status": "open", "payment_status": "unpaid", "payment_intent": None,
            "amount_total": int(form["line_items[0][price_data][unit_amount]"]),
            "currency": form["line_items[0][price_data][currency]"],
            "client_reference_id": form["client_reference_id"], "metadata": {"attempt": form["metadata[attempt]"]},
            "created": int(time.time()), "expires_at": int(form["expires_at"]), "url": f"{self.base}/c/pay/{name}",
            "success_url": form["success_url"], "mode": form["mode"],
        }  # fmt: skip
        return self.sessions[name]

    def make_refund(self, form: dict[str, str]) -> dict[str, Any]:
        name = f"re_{next(self.count)}"
        self.refunds[name] = {
            "id": name, "object": "refund", "status": "succeeded", "amount": int(form["amount"]), "currency": "usd",
            "payment_intent": form["payment_intent"], "metadata": {"refund": form["metadata[refund]"]},
            "created": int(time.time()),
        }  # fmt: skip
        return self.refunds[name]

    def pay(self, name: str) -> dict[str, Any]:
        """The family types its card on their page."""
        intent = f"pi_{name.removeprefix('cs_test_')}"
        self.sessions[name] |= {"status": "complete", "payment_status": "paid", "payment_intent": intent, "url": None}
        return self.sessions[name]

    def pay_out(self, name: str, arrival: int, parts: list[dict[str, Any]]) -> None:
        """Send money to the bank: the payout itself is among its balance transactions, as the reference shows."""
        net = sum(each["amount"] - each["fee"] for each in parts)
        self.payouts.append(
            {"id": name, "object": "payout", "amount": net, "currency": "usd", "arrival_date": arrival, "status": "paid"}
        )
        itself = {
            "id": f"txn_{name}",
            "object": "balance_transaction",
            "type": "payout",
            "amount": -net,
            "fee": 0,
            "source": name,
        }
        self.transactions[name] = [itself, *parts]


def part(kind: str, amount: int, fee: int, source: Any) -> dict[str, Any]:
    """One balance transaction with its source expanded."""
    name = f"txn_{kind}_{amount}_{fee}"
    return {
        "id": name,
        "object": "balance_transaction",
        "type": kind,
        "amount": amount,
        "fee": fee,
        "net": amount - fee,
        "source": source,
    }


def charge(intent: str) -> dict[str, Any]:
    return {"id": f"ch_{intent}", "object": "charge", "payment_intent": intent}


def listed(path: str, rows: list[Any]) -> dict[str, Any]:
    return {"object": "list", "url": urlsplit(path).path, "has_more": False, "data": rows}


def error(message: str, code: str = "parameter_invalid") -> dict[str, Any]:
    return {"error": {"type": "invalid_request_error", "message": message, "code": code}}


def event(kind: str, about: dict[str, Any], *, name: str = "evt_1", at: int = 1_773_160_000) -> bytes:
    """An event as it is posted to a webhook (docs.stripe.com/api/events/object)."""
    told = {"id": name, "object": "event", "type": kind, "created": at, "livemode": False, "data": {"object": about}}
    return json.dumps(told).encode()


def signature(body: bytes, *, at: float | None = None, secret: str = SECRET) -> str:
    """Sign as docs.stripe.com/webhooks#verify-manually says: HMAC-SHA256 over "timestamp.body"."""
    stamp = int(time.time() if at is None else at)
    signed = hmac.new(secret.encode(), f"{stamp}.".encode() + body, hashlib.sha256).hexdigest()
    return f"t={stamp},v1={signed}"


@contextmanager
def serving() -> Iterator[StripeServer]:
    """Serve on a free port of this machine until the block ends."""
    server = StripeServer()

    class Handler(BaseHTTPRequestHandler):
        def answer(self, method: str) -> None:
            body = self.rfile.read(int(self.headers.get("Content-Length") or 0)).decode()
            parts = urlsplit(self.path)
            form = {name: values[0] for name, values in parse_qs(body or parts.query).items()}
            status, answer = server.handle(method, parts.path, form, self.headers.get("Idempotency-Key") or "")
            if server.mood == "hang":
                time.sleep(1.5)
                return
            if server.mood == "broken":
                status, answer = 500, {"error": {"type": "api_error", "message": "Something went wrong on our end."}}
            content = json.dumps(answer).encode()
            self.send_response(status)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(content)))
            self.end_headers()
            self.wfile.write(content)

        def do_GET(self) -> None:
            self.answer("GET")

        def do_POST(self) -> None:
            self.answer("POST")

        def log_message(self, *_: Any) -> None:
            """Say nothing."""

    httpd = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    server.base = f"http://127.0.0.1:{httpd.server_address[1]}"
    thread = threading.Thread(target=httpd.serve_forever, daemon=True)
    thread.start()
    try:
        yield server
    finally:
        httpd.shutdown()
        httpd.server_close()
