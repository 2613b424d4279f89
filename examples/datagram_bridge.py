#!/usr/bin/env python3
"""An example of a program for `meet --through`: JSON-RPC 2.0 on stdio, as docs/meeting.md says.

    datagram_bridge.py               carries datagrams over UDP

Replace the class Link by calls to your radio or jig. Needs only Python's
standard library.
"""

import json
import socket
import sys

PROTOCOL = 1
LONGEST = 1_232


class Failure(Exception):
    """An error answer."""


class Link:
    """One unit, over UDP. `at` is HOST:PORT or [IPV6]:PORT."""

    def __init__(self, at):
        host, _, port = at.rpartition(":")
        try:
            found = socket.getaddrinfo(host.strip("[]"), int(port), type=socket.SOCK_DGRAM)
        except (OSError, ValueError) as error:
            raise Failure(f"{at} is not an address: {error}") from None
        family, kind, protocol, _, address = found[0]
        self.socket = socket.socket(family, kind, protocol)
        # Connected, it hears this unit only.
        self.socket.connect(address)

    def send(self, datagram):
        try:
            self.socket.send(datagram)
        except OSError:
            pass  # Lost, as a radio would lose it: the home sends it again.

    def receive(self, seconds):
        self.socket.settimeout(max(seconds, 0.001))
        try:
            return self.socket.recv(LONGEST + 1)
        except OSError:
            return None

    def close(self):
        self.socket.close()


class Bridge:
    """The methods of docs/meeting.md."""

    def __init__(self):
        self.link = None

    def hello(self, protocol, host):
        if protocol != PROTOCOL:
            raise Failure(f"this program speaks protocol {PROTOCOL}")
        return {"protocol": PROTOCOL, "driver": "datagram bridge", "version": "1"}

    def find(self, milliseconds):
        # A radio would scan here. On UDP the program looks for units by itself.
        return {"units": []}

    def open(self, at):
        self.close()
        self.link = Link(at)
        return {}

    def send(self, datagram):
        self.linked().send(bytes.fromhex(datagram))
        return {}

    def receive(self, milliseconds):
        datagram = self.linked().receive(milliseconds / 1000)
        return {"datagram": None if datagram is None else datagram.hex()}

    def close(self):
        if self.link:
            self.link.close()
            self.link = None
        return {}

    def linked(self):
        if not self.link:
            raise Failure("no unit is open")
        return self.link


def main():
    bridge = Bridge()
    for line in sys.stdin:
        call = json.loads(line)
        answer = {"jsonrpc": "2.0", "id": call["id"]}
        try:
            method = {name: getattr(bridge, name) for name in ("hello", "find", "open", "send", "receive", "close")}
            answer["result"] = method[call["method"]](**call["params"])
        except Failure as failure:
            answer["error"] = {"code": 1, "message": str(failure)}
        except KeyError:
            answer["error"] = {"code": -32601, "message": "there is no such method"}
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    main()
