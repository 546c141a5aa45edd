"""ModemManager as far as texts go, on a bus of its own: one modem whose network can be told to refuse.

usage: modem.py FILE [good|refuses|none|hangs]

Each call to make, send or delete a text is written to FILE as one JSON line. The bus is that of
DBUS_SYSTEM_BUS_ADDRESS. Says `ready` on its standard output once it has its name.
"""

import json
import sys
import time

from jeepney import DBusAddress, HeaderFields, MessageType, new_error, new_method_call, new_method_return
from jeepney.io.blocking import open_dbus_connection

SERVICE = "org.freedesktop.ModemManager1"
MODEM = "/org/freedesktop/ModemManager1/Modem/0"
SMS = "/org/freedesktop/ModemManager1/SMS/7"
MESSAGING = SERVICE + ".Modem.Messaging"
NO_NETWORK = SERVICE + ".Error.MobileEquipment.NoNetwork"


class Modem:
    def __init__(self, path, mood):
        self.path = path
        self.mood = mood

    def objects(self):
        if self.mood == "none":
            return {}
        plain = {SERVICE + ".Modem": {"Model": ("s", "quartz 4")}}
        return {"/org/freedesktop/ModemManager1/Modem/1": plain, MODEM: {**plain, MESSAGING: {}}}

    def answer(self, message, path, interface, member):
        if member == "GetManagedObjects":
            return new_method_return(message, "a{oa{sa{sv}}}", (self.objects(),))
        wanted = {
            (MODEM, MESSAGING, "Create"): ("o", (SMS,)),
            (MODEM, MESSAGING, "Delete"): None,
            (SMS, SERVICE + ".Sms", "Send"): None,
        }
        if (path, interface, member) not in wanted:
            return new_error(message, "org.freedesktop.DBus.Error.UnknownMethod", "s", (f"no {member} at {path}",))
        with open(self.path, "a", encoding="utf-8") as file:
            file.write(json.dumps([member, message.body]) + "\n")
        if member == "Send" and self.mood == "hangs":
            time.sleep(3600)
        if member == "Send" and self.mood == "refuses":
            return new_error(message, NO_NETWORK, "s", ("No network",))
        value = wanted[(path, interface, member)]
        return new_method_return(message, *value) if value else new_method_return(message)


def main():
    modem = Modem(sys.argv[1], sys.argv[2] if len(sys.argv) > 2 else "good")
    connection = open_dbus_connection("SYSTEM")
    bus = DBusAddress("/org/freedesktop/DBus", "org.freedesktop.DBus", "org.freedesktop.DBus")
    connection.send_and_get_reply(new_method_call(bus, "RequestName", "su", (SERVICE, 0)))
    print("ready", flush=True)
    while True:
        message = connection.receive()
        if message.header.message_type is MessageType.method_call:
            fields = message.header.fields
            path, member = fields[HeaderFields.path], fields[HeaderFields.member]
            connection.send(modem.answer(message, path, fields.get(HeaderFields.interface), member))


if __name__ == "__main__":
    main()
