"""A signed POST to a program of the studio's, in the form that config/WEBHOOK.md documents."""

from __future__ import annotations

import hashlib
import hmac
import http.client
import time
from pathlib import Path
from typing import Final

from hotfolder.notify.message import Body, to_json
from hotfolder.notify.sending import (
    EACH_S,
    Line,
    NotSent,
    make_context,
    read_secret,
    say_no_connection,
    say_reply,
    send_within,
)
from hotfolder.settings.notify import WebhookTable, names_this_machine

ID_HEADER: Final = "Hotfolder-Message-Id"
TIME_HEADER: Final = "Hotfolder-Timestamp"
SIGNATURE_HEADER: Final = "Hotfolder-Signature"
_MOST_READ: Final = 4096


def sign(secret: str, timestamp: str, body: bytes) -> str:
    """Return the signature: HMAC-SHA256 (RFC 2104) of time, a full stop, and body.

    Parameters
    ----------
    secret
        Its UTF-8 bytes are the key.
    timestamp
        As it stands in the header.
    body
        The bytes that are sent.

    Returns
    -------
    ``v1=`` and 64 hexadecimal digits.
    """
    made = hmac.new(secret.encode(), timestamp.encode() + b"." + body, hashlib.sha256)
    return f"v1={made.hexdigest()}"


def post(table: WebhookTable, root: Path, message: str, body: Body) -> str:
    """Send a message; return a remark about it, "" when all is well.

    Parameters
    ----------
    table
        The settings.
    root
        The root's folder, below which files of secrets may be.
    message
        The message's id.
    body
        What it says.

    Raises
    ------
    NotSent
        When it was not sent, or nobody knows; says why, and no secret.
    """
    secret = read_secret(root, table.secret_file, table.secret_env)
    parts = table.parts
    is_tls = parts.scheme.lower() == "https"
    context = make_context(root, table.certificates) if is_tls else None
    host = parts.hostname or ""
    port = parts.port or (443 if is_tls else 80)
    data = to_json(body).encode("ascii")
    timestamp = str(int(time.time()))
    headers = {
        "Host": parts.netloc,
        "Content-Type": "application/json",
        "User-Agent": "hotfolder",
        "Connection": "close",
        ID_HEADER: message,
        TIME_HEADER: timestamp,
        SIGNATURE_HEADER: sign(secret, timestamp, data),
    }
    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    only_here = not is_tls and (not table.plain_http or names_this_machine(host))

    def send(line: Line) -> str:
        connection = http.client.HTTPConnection(host, port, timeout=EACH_S)
        try:
            made = line.connect(host, port, only_here=only_here)
            connection.sock = context.wrap_socket(made, server_hostname=host) if context else made
            connection.request("POST", target, data, headers)
            with connection.getresponse() as answer:
                said = answer.read(_MOST_READ)
            _judge(host, answer.status, say_reply(said, secret, target))
        except http.client.HTTPException as error:
            raise NotSent(f"{host} sent no answer of HTTP: {type(error).__name__}") from None
        except OSError as error:
            raise NotSent(say_no_connection(host, error)) from None
        except ValueError:
            raise NotSent("url: it has characters that cannot be sent; write them as %20") from None
        finally:
            connection.close()
        return ""

    return send_within(send)


def _judge(host: str, status: int, said: str) -> None:
    """Take an answer of 2xx for a receipt.

    Raises
    ------
    NotSent
        When it is another.
    """
    if 200 <= status < 300:
        return
    if 300 <= status < 400:
        raise NotSent(
            f"{host} answers {status}, that it is elsewhere; no redirect is followed: "
            "write the last address into url"
        )
    raise NotSent(f"{host} answers {status}{': ' if said else ''}{said}")
