"""Mail, by the studio's own server (RFC 5321, 5322)."""

from __future__ import annotations

import contextlib
import smtplib
import socket
import ssl
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime
from pathlib import Path

from hotfolder.disk.names import display_name
from hotfolder.notify.message import Body, to_mail
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
from hotfolder.settings.notify import MailTable


def send_mail(table: MailTable, root: Path, message: str, body: Body) -> str:
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
    password = read_secret(root, table.password_file, table.password_env)
    context = make_context(root, table.certificates)
    written = write_mail(table, message, body)

    def send(line: Line) -> str:
        try:
            server = _Smtp(table, line, context)
            try:
                return _send(server, table, password, written)
            finally:
                server.close()
        except smtplib.SMTPAuthenticationError as error:
            # what it says about this may repeat what it was told
            raise NotSent(
                f"{table.host} does not accept the user and the password ({error.smtp_code})"
            ) from None
        except smtplib.SMTPRecipientsRefused as error:
            said = [f"{say_reply(who)}: {say_reply(why[1], password)}"
                    for who, why in error.recipients.items()]  # fmt: skip
            raise NotSent(f"{table.host} accepts no address: {'; '.join(said)}") from None
        except smtplib.SMTPNotSupportedError:
            raise NotSent(_say_missing(table)) from None
        except smtplib.SMTPResponseException as error:
            raise NotSent(
                f"{table.host} answers {error.smtp_code}: {say_reply(error.smtp_error, password)}"
            ) from None
        except smtplib.SMTPException as error:
            raise NotSent(f"{table.host} broke off: {say_reply(str(error), password)}") from None
        except OSError as error:
            raise NotSent(say_no_connection(table.host, error)) from None
        except ValueError:
            # its own words may have a part of the password in them
            raise NotSent(
                f"user, password or addresses have letters that {table.host} cannot be sent"
            ) from None

    return send_within(send)


def write_mail(table: MailTable, message: str, body: Body) -> EmailMessage:
    """Write the mail: text alone, and the same each time a message is sent."""
    said = to_mail(body)
    mail = EmailMessage()
    mail["Subject"] = display_name(said.subject)[:200]
    mail["From"] = Address(addr_spec=table.sender)
    mail["To"] = [Address(addr_spec=each) for each in table.to]
    mail["Date"] = format_datetime(datetime.fromisoformat(body.made).astimezone(UTC))
    # the same for each try: a server that got it twice knows it
    mail["Message-ID"] = f"<{message}@{table.sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"
    mail.set_content(said.text, cte="quoted-printable")
    return mail


class _Smtp(smtplib.SMTP):
    """A client whose connection is ours, so that another thread can cut it."""

    def __init__(self, table: MailTable, line: Line, context: ssl.SSLContext) -> None:
        self._table = table
        self._line = line
        self.tls = context
        super().__init__(timeout=EACH_S, local_hostname="localhost")
        self._host = table.host  # the name that the certificate is held to
        code, said = self.connect(table.host, table.port_used)
        if code != 220:
            self.close()
            raise smtplib.SMTPConnectError(code, said)

    def _get_socket(self, host: str, port: int, timeout: float | None) -> socket.socket:
        made = self._line.connect(host, port, only_here=self._table.security == "none")
        # a greeting by address, as RFC 5321, 4.1.3, has it where there is no name
        here = made.getsockname()[0]
        self.local_hostname = f"[IPv6:{here}]" if ":" in here else f"[{here}]"
        if self._table.security == "tls":
            return self.tls.wrap_socket(made, server_hostname=host)
        return made


def _send(server: _Smtp, table: MailTable, password: str, written: EmailMessage) -> str:
    if table.security == "starttls":
        server.starttls(context=server.tls)
    if table.user:
        server.login(table.user, password)
    refused = server.send_message(written)
    # it has been taken, whatever is said now
    with contextlib.suppress(smtplib.SMTPException, OSError, ValueError):
        server.quit()
    if not refused:
        return ""
    return f"{table.host} does not accept {', '.join(map(say_reply, sorted(refused)))}"


def _say_missing(table: MailTable) -> str:
    """What a server cannot do that was asked for."""
    if table.security == "starttls":
        return (
            f"{table.host}, port {table.port_used}, offers no STARTTLS (or no log-in, or takes no "
            'address like these); nothing was sent. Perhaps security = "tls" is right'
        )
    return f"{table.host} offers no log-in, or takes no address like these; nothing was sent"
