"""A mail server for tests: plain, STARTTLS or TLS, with or without authentication, and with faults on demand.

mail_server.py MODE OUT [--cert FILE --key FILE] [--auth USER:PASSWORD] [--faults F,F,...]

Prints its port. Each connection takes the next fault of the list, "ok" when there is none left. Accepted messages
are written to OUT/1.eml, OUT/2.eml and so on, as the client meant them (dots unstuffed); each commands line to OUT/log.
Ends when its standard input ends.
"""
import argparse
import base64
import itertools
import os
import socket
import ssl
import sys
import threading


class Session(threading.Thread):
    def __init__(self, server, connection, fault):
        super().__init__(daemon=True)
        self.server, self.connection, self.fault = server, connection, fault
        self.secure = server.mode == "tls"
        self.trusted = not server.auth

    def run(self):
        try:
            if self.secure:
                self.connection = self.server.context.wrap_socket(self.connection, server_side=True)
            self.talk()
        except (OSError, ssl.SSLError, EOFError):
            pass
        finally:
            self.connection.close()

    def say(self, line):
        self.connection.sendall(line.encode() + b"\r\n")

    def read(self):
        line = self.file.readline(100000)
        if not line:
            raise EOFError
        if not line.endswith(b"\r\n"):
            raise OSError("bare line end")
        return line[:-2]

    def talk(self):
        self.file = self.connection.makefile("rb")
        if self.fault == "hang":
            self.read()
            threading.Event().wait()
        if self.fault == "421":
            self.say("421 closing for maintenance")
            return
        self.say("220 test ready")
        while True:
            line = self.read()
            self.server.note(("S " if self.secure else "P ") + line.decode("ascii", "replace"))
            verb = line.split(b" ")[0].upper().decode()
            if self.fault == "dead" and verb == "MAIL":  # greets, and then never speaks again
                threading.Event().wait()
            handler = getattr(self, "do_" + verb.lower(), None)
            if handler is None:
                self.say("502 not known")
            elif handler(line) is False:
                return

    def do_ehlo(self, line):
        offers = ["test", "SIZE 1000000"]
        if self.server.mode == "starttls" and not self.secure:
            offers.append("STARTTLS")
        if self.server.auth and (self.secure or self.server.mode == "plain"):
            offers.append("AUTH PLAIN LOGIN")
        for i, offer in enumerate(offers):
            self.say("250" + ("-" if i + 1 < len(offers) else " ") + offer)

    def do_helo(self, line):
        self.say("250 test")

    def do_starttls(self, line):
        if self.server.mode != "starttls":
            self.say("502 not offered")
            return
        self.say("220 go")
        self.connection = self.server.context.wrap_socket(self.connection, server_side=True)
        self.file = self.connection.makefile("rb")
        self.secure = True

    def do_auth(self, line):
        words = line.split(b" ")
        if len(words) < 3:
            self.say("334 ")
            words.append(self.read())
        given = base64.b64decode(words[2]).split(b"\0")
        self.trusted = given[-2:] == [w.encode() for w in self.server.auth.split(":", 1)]
        self.say("235 welcome" if self.trusted else "535 wrong user or password")

    def do_mail(self, line):
        if not self.trusted:
            self.say("530 authenticate first")
        elif self.server.mode == "starttls" and not self.secure:
            self.say("530 STARTTLS first")
        else:
            self.say("451 try later" if self.fault == "mail451" else "250 ok")

    def do_rcpt(self, line):
        self.say("550 no such mailbox" if self.fault == "rcpt550" else "250 ok")

    def do_data(self, line):
        if self.fault == "data451":
            self.say("451 try later")
            return None
        self.say("354 go on")
        lines = []
        while True:
            line = self.read()
            if self.fault == "close" and len(lines) > 2:
                return False
            if line == b".":
                break
            lines.append(line[1:] if line.startswith(b".") else line)
        if self.fault == "end451":
            self.say("451 queue is full")
            return None
        if self.fault == "lost":  # taken over, and the answer never arrives
            self.server.keep(lines)
            return False
        if self.fault == "end554":
            self.say("554 refused")
            return None
        self.server.keep(lines)
        self.say("250 taken")

    def do_rset(self, line):
        self.say("250 ok")

    def do_noop(self, line):
        self.say("250 ok")

    def do_quit(self, line):
        self.say("221 bye")
        return False


class Server:
    def __init__(self, options):
        self.mode, self.out, self.auth = options.mode, options.out, options.auth
        self.lock, self.numbers = threading.Lock(), itertools.count(1)
        self.faults = iter(options.faults.split(",") if options.faults else [])
        if self.mode != "plain":
            self.context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            self.context.load_cert_chain(options.cert, options.key)
        self.socket = socket.create_server(("127.0.0.1", 0))

    def keep(self, lines):
        with self.lock:
            name = os.path.join(self.out, "%d.eml" % next(self.numbers))
        with open(name + ".new", "wb") as file:
            file.write(b"".join(line + b"\r\n" for line in lines))
        os.rename(name + ".new", name)

    def note(self, line):
        with self.lock, open(os.path.join(self.out, "log"), "a") as file:
            file.write(line + "\n")

    def serve(self):
        while True:
            connection, _ = self.socket.accept()
            Session(self, connection, next(self.faults, "ok")).start()


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("mode", choices=["plain", "starttls", "tls"])
    parser.add_argument("out")
    parser.add_argument("--cert")
    parser.add_argument("--key")
    parser.add_argument("--auth", default="")
    parser.add_argument("--faults", default="")
    server = Server(parser.parse_args())
    threading.Thread(target=server.serve, daemon=True).start()
    print(server.socket.getsockname()[1], flush=True)
    sys.stdin.read()


main()
