"""A real SMTP server (aiosmtpd) that writes each mail it accepts as one JSON line.

usage: mail.py PORT FILE [--tls implicit|starttls --cert PEM --key PEM] [--login USER:PASSWORD]
"""

import argparse
import email
import email.policy
import json
import ssl
import time

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword


class Keeper:
    def __init__(self, path):
        self.path = path

    async def handle_DATA(self, server, session, envelope):
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        text = mail.get_body(preferencelist=("plain",))
        html = mail.get_body(preferencelist=("related", "html"))
        if html is not None and html.get_content_type() == "multipart/related":
            html = next(html.iter_parts())
        images = [part for part in mail.walk() if part.get_content_maintype() == "image"]
        line = {
            "from": envelope.mail_from,
            "to": envelope.rcpt_tos,
            "subject": mail["Subject"],
            "message_id": mail["Message-ID"],
            "text": text.get_content() if text else None,
            "html": html.get_content() if html else None,
            "images": [[part["Content-ID"], len(part.get_content())] for part in images],
            "tls": session.ssl is not None,
        }
        with open(self.path, "a", encoding="utf-8") as file:
            file.write(json.dumps(line) + "\n")
        return "250 kept"


def options(arguments):
    """What the controller is told beside its address."""
    told = {}
    if arguments.tls:
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        context.load_cert_chain(arguments.cert, arguments.key)
        told["ssl_context" if arguments.tls == "implicit" else "tls_context"] = context
        told["require_starttls"] = arguments.tls == "starttls"
    if arguments.login:
        user, password = (part.encode() for part in arguments.login.split(":", 1))

        def is_right(server, session, envelope, mechanism, data):
            is_known = isinstance(data, LoginPassword) and (data.login, data.password) == (user, password)
            # `handled` would mean that we have answered already.
            return AuthResult(success=is_known, handled=False)

        told["authenticator"] = is_right
        told["auth_required"] = True
        told["auth_require_tls"] = arguments.tls == "starttls"
    return told


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("port", type=int)
    parser.add_argument("file")
    parser.add_argument("--tls", choices=["implicit", "starttls"])
    parser.add_argument("--cert")
    parser.add_argument("--key")
    parser.add_argument("--login")
    arguments = parser.parse_args()
    Controller(Keeper(arguments.file), hostname="127.0.0.1", port=arguments.port, **options(arguments)).start()
    while True:
        time.sleep(3600)
