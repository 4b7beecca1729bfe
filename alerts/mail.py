"""A message as e-mail over SMTP."""

import smtplib
import ssl
from collections.abc import Sequence
from datetime import datetime
from email.message import EmailMessage
from email.utils import format_datetime
from typing import Any

from alerts.delivery import Delivery, NotSent
from alerts.messages import plain_text, subject_line


def send_mail(
    delivery: Delivery, recipients: Sequence[str], message_id: str, made_at: datetime, body: dict[str, Any]
) -> None:
    """Hand one message to the mail server. The Message-ID is the same over all tries, so that a copy can be told.

    Raises NotSent; final where the server refused the message or every address for good.
    """
    if delivery.smtp_host is None or delivery.smtp_sender is None:
        raise NotSent("no mail server is configured: set smtp_host and smtp_sender")
    mail = EmailMessage()
    mail["Subject"] = subject_line(body)
    mail["From"] = delivery.smtp_sender
    mail["To"] = ", ".join(recipients)
    mail["Date"] = format_datetime(made_at)
    mail["Message-ID"] = f"<{message_id}@{delivery.smtp_sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: no out-of-office answers, please
    mail.set_content(plain_text(body))
    try:
        with _server(delivery, delivery.smtp_host) as server:
            refused = server.send_message(mail)
    except smtplib.SMTPRecipientsRefused as problem:
        final = all(code >= 500 for code, _ in problem.recipients.values())
        raise NotSent(f"every address was refused: {_codes(problem.recipients)}", final=final) from problem
    except smtplib.SMTPAuthenticationError as problem:
        raise NotSent(f"the mail server refused the log-in ({problem.smtp_code})") from problem
    except smtplib.SMTPResponseException as problem:
        raise NotSent(
            f"the mail server said {problem.smtp_code}", final=problem.smtp_code >= 500
        ) from problem
    except (smtplib.SMTPException, OSError) as problem:
        raise NotSent(f"the mail server cannot be used: {type(problem).__name__}: {problem}") from problem
    if refused:
        # Some have it. Sent again it would reach those twice, for the sake of addresses that were refused.
        raise NotSent(f"some addresses were refused: {_codes(refused)}", final=True)


def _server(delivery: Delivery, host: str) -> smtplib.SMTP:
    context = ssl.create_default_context(cafile=delivery.smtp_ca_file)
    if delivery.smtp_security == "tls":
        server: smtplib.SMTP = smtplib.SMTP_SSL(
            host, delivery.smtp_port, timeout=delivery.timeout_s, context=context
        )
    else:
        server = smtplib.SMTP(host, delivery.smtp_port, timeout=delivery.timeout_s)
    try:
        if delivery.smtp_security == "starttls":
            server.starttls(context=context)
        if delivery.smtp_user is not None and delivery.smtp_password is not None:
            server.login(delivery.smtp_user, delivery.smtp_password.get_secret_value())
    except BaseException:
        server.close()
        raise
    return server


def _codes(refused: dict[str, tuple[int, bytes]]) -> str:
    return ", ".join(f"{address} ({code})" for address, (code, _) in sorted(refused.items()))
