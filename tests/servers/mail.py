"""A real SMTP server (aiosmtpd) that writes each mail it accepts as one JSON line.

usage: mail.py PORT FILE
"""

import email
import email.policy
import json
import sys
import time

from aiosmtpd.controller import Controller


class Keeper:
    def __init__(self, path):
        self.path = path

    async def handle_DATA(self, server, session, envelope):
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        text = mail.get_body(preferencelist=("plain",))
        html = mail.get_body(preferencelist=("html",))
        line = {
            "from": envelope.mail_from,
            "to": envelope.rcpt_tos,
            "subject": mail["Subject"],
            "message_id": mail["Message-ID"],
            "text": text.get_content() if text else None,
            "html": html.get_content() if html else None,
        }
        with open(self.path, "a", encoding="utf-8") as file:
            file.write(json.dumps(line) + "\n")
        return "250 kept"


if __name__ == "__main__":
    port, path = int(sys.argv[1]), sys.argv[2]
    Controller(Keeper(path), hostname="127.0.0.1", port=port).start()
    while True:
        time.sleep(3600)
