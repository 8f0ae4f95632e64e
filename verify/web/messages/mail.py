"""Sends one e-mail over SMTP (RFC 5321), with STARTTLS (RFC 3207) or TLS from the start (RFC 8314).

Without TLS nothing is sent, but to a server on this computer.
"""

from __future__ import annotations

import contextlib
import smtplib
import ssl
from datetime import datetime
from email import policy
from email.message import EmailMessage
from email.utils import format_datetime

from verify.store.messages import Trouble
from verify.web.messages.delivery import (
    TIMEOUT,
    DeliveryError,
    HandOver,
    NotNeededError,
    tls_context,
)
from verify.web.messages.settings import MailSettings
from verify.web.messages.texts import Written


def compose(
    settings: MailSettings, to: str, written: Written, message_id: str, at: datetime
) -> EmailMessage:
    """Return an e-mail in plain text.

    Its ``Message-ID`` is the same at every try, so that mail servers can tell a second copy.
    """
    mail = EmailMessage(policy=policy.SMTP)
    mail["From"] = settings.sender
    mail["To"] = to
    mail["Subject"] = written.subject
    mail["Date"] = format_datetime(at)
    mail["Message-ID"] = f"<{message_id}@{settings.sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no holiday replies, please
    mail.set_content(written.body, cte="quoted-printable")  # no server need take 8-bit text
    return mail


def send_mail(settings: MailSettings, mail: EmailMessage, hand_over: HandOver) -> None:
    """Send an e-mail to its one reader.

    Args:
        settings: of the server.
        mail: from ``compose``.
        hand_over: is asked when all is said but the text itself.

    Raises:
        DeliveryError: it did not get through.
        NotNeededError: ``hand_over`` said no.
    """
    try:
        server = _connected(settings)
        try:
            _sign_in(server, settings)
            _envelope(server, settings.sender, str(mail["To"]))
            if not hand_over():
                raise NotNeededError
            code, _ = server.data(mail.as_bytes())
            _require(code, Trouble.REFUSED)
            with contextlib.suppress(smtplib.SMTPException):
                server.quit()  # it has taken the text: how it says goodbye changes nothing
        finally:
            server.close()
    except ssl.SSLError:
        raise DeliveryError(Trouble.NO_TLS) from None
    except smtplib.SMTPResponseException as error:
        raise DeliveryError(Trouble.REFUSED, error.smtp_code) from None
    except (smtplib.SMTPException, OSError):
        raise DeliveryError(Trouble.NO_ANSWER) from None


def _connected(settings: MailSettings) -> smtplib.SMTP:
    context = tls_context(settings.ca)
    where = settings.host, settings.port
    if settings.security == "tls":
        return smtplib.SMTP_SSL(*where, timeout=TIMEOUT, context=context)
    server = smtplib.SMTP(*where, timeout=TIMEOUT)
    if settings.security == "starttls":
        try:
            # Refused where the server does not offer it: nothing goes on in the clear.
            server.starttls(context=context)
        except (smtplib.SMTPNotSupportedError, smtplib.SMTPResponseException):
            server.close()
            raise DeliveryError(Trouble.NO_TLS) from None
        except BaseException:
            server.close()
            raise
    return server


def _sign_in(server: smtplib.SMTP, settings: MailSettings) -> None:
    if settings.user is None or settings.password is None:
        server.ehlo_or_helo_if_needed()
        return
    try:
        server.login(settings.user, settings.password)
    except smtplib.SMTPAuthenticationError as error:
        raise DeliveryError(Trouble.SIGN_IN, error.smtp_code) from None
    except smtplib.SMTPNotSupportedError:
        raise DeliveryError(Trouble.SIGN_IN) from None


def _envelope(server: smtplib.SMTP, sender: str, to: str) -> None:
    code, _ = server.mail(sender)
    _require(code, Trouble.REFUSED)
    code, _ = server.rcpt(to)
    _require(code, Trouble.ADDRESS)


def _require(code: int, trouble: Trouble) -> None:
    """Refuse every answer but yes; one that begins with 5 is for good (RFC 5321, 4.2.1)."""
    if not 200 <= code < 300:
        raise DeliveryError(trouble, code, for_good=trouble is Trouble.ADDRESS and code >= 500)
