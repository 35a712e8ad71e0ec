"""Reads messages back with Python's email package and compares them with what was meant.

read_messages.py FOLDER: for each N.eml there are N.subject and N.text (UTF-8, invalid bytes replaced on reading)."""
import datetime
import email
import email.policy
import glob
import os
import sys
import traceback

HEADERS = {"date", "from", "to", "subject", "message-id", "references", "auto-submitted",
           "mime-version", "content-type", "content-transfer-encoding"}


def meant(path):
    with open(path, "rb") as file:
        return file.read().decode("utf-8")


def check(path):
    base = path[:-4]
    with open(path, "rb") as file:
        raw = file.read()
    for line in raw.split(b"\r\n"):
        assert b"\n" not in line and b"\r" not in line, "bare line end"
        # An identity with long names is one word and may be longer; RFC 5322 sets 998 for it.
        assert len(line) <= 78 or (line.startswith(b" <n-") and len(line) <= 998), line
    assert raw.isascii()
    message = email.message_from_bytes(raw, policy=email.policy.default)
    assert not message.defects, message.defects
    names = [name.lower() for name in message.keys()]
    assert len(names) == len(set(names)) and set(names) <= HEADERS, names
    subject = " ".join(meant(base + ".subject").split())
    assert " ".join(str(message["subject"]).split()) == subject, (message["subject"], subject)
    assert message["to"].addresses[0].addr_spec == "manager@farm.example"
    assert message["from"].addresses[0].display_name == meant(base + ".name"), message["from"]
    assert isinstance(message["date"].datetime, datetime.datetime)
    assert message["date"].datetime.utcoffset() == datetime.timedelta(hours=-7)
    assert message["message-id"].strip().startswith("<n-")
    text = meant(base + ".text").rstrip("\n")
    got = message.get_content().replace("\r\n", "\n").rstrip("\n")
    assert got == text, (got, text)


def main():
    paths = glob.glob(os.path.join(sys.argv[1], "*.eml"))
    assert len(paths) > 100
    for path in paths:
        try:
            check(path)
        except Exception:
            sys.exit("%s: %s" % (path, traceback.format_exc()))


main()
