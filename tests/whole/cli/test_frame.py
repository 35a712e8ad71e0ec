"""edgerow frame on the examples of AIR.md, and on what people get wrong."""
import json
import unittest

from cli import Folder, Run, air_examples, run_shown

NWK, APP = "000102030405060708090a0b0c0d0e0f", "101112131415161718191a1b1c1d1e1f"
KEYS = ["--nwk-skey", NWK, "--app-skey", APP]
FRAMES = [e for e in air_examples() if "frame" in e]
FIRST = FRAMES[0]["frame"]
ORDER_KEYS = ("sequence", "interval_min", "full_mark_mm", "low_mark_mm", "frequency_hz", "bandwidth_hz",
              "spreading_factor", "power_dbm")


def keys_of(example):
    return ["--nwk-skey", example["nwkskey"], "--app-skey", example["appskey"]]


def known(text, scale, places):
    return None if text == "unknown" else round(int(text) * scale, places)


def report_as_said(e):
    """An example's report in the units of the feed, worked out here."""
    flags, interval_s = int(e["flags"]), int(e["interval_min"]) * 60
    said = {
        "kind": e["report"], "epoch": int(e["epoch"]), "entries": int(e["entries"]),
        "level_mm": known(e["level_qmm"], 0.25, 2), "interval_min": int(e["interval_min"]),
        "tick": int(e["tick"]), "tilt": bool(flags & 1), "service": bool(flags & 2),
        "level_fault": bool(flags & 4), "counter_fault": bool(flags & 8), "restart": bool(flags & 16),
        "service_sequence": int(e["service_sequence"]), "order_sequence": int(e["order_sequence"]),
        "order_answer": ["none", "done", "refused", "unknown_order"][int(e["order_answer"])],
        "tick_age_s": round(int(e["age_256"]) * interval_s / 256, 6),
    }
    if e["report"] == "daily":
        said.update(exits=int(e["exits"]), short_passes=int(e["short_passes"]),
                    blocked_s=2 * int(e["blocked_2s"]),
                    **{k: known(e[k], 1, 0) for k in ("full_mark_mm", "low_mark_mm")},
                    **{k: int(e[k]) for k in ("firmware_major", "firmware_minor", "restarts")})
        return said
    recent = [] if e["recent"] == "none" else [int(n) for n in e["recent"].split(",")]
    said.update(exits_low=int(e["exits"]), short_passes_low=int(e["short_passes"]),
                blocked_low_s=2 * int(e["blocked_2s"]),
                temperature_c=known(e["temperature_dc"], 0.1, 1),
                humidity_percent=known(e["humidity_pm"], 0.1, 1),
                battery_v=known(e["battery_mv"], 0.001, 3),
                recent=[None if n == 255 else n for n in recent])
    return said


class Examples(unittest.TestCase):
    def test_read_and_built_again(self):
        self.assertGreaterEqual(len(FRAMES), 7)
        for e in FRAMES:
            with self.subTest(frame=e["frame"]):
                after = ["--after", str(max(int(e["fcnt"]) - 1, 0))]
                run = Run("frame", "read", *keys_of(e), *after, e["frame"])
                said = run.json
                self.assertEqual(said["mic_check"], "fits")
                self.assertEqual(said["fcnt"], int(e["fcnt"]))
                self.assertEqual(said["devaddr"], e["devaddr"])
                self.assertEqual(said["payload"], e.get("payload", e.get("clear", "")))
                self.assertEqual(said["direction"], e["direction"])
                self.assertEqual(said["confirmed"], e["confirmed"] == "yes")
                self.assertEqual(said["ack"], e.get("ack") == "yes")
                if "key_check" in e:
                    self.assertEqual(said["key_check"], e["key_check"])
                if "report" in e:
                    self.assertEqual(said["report"], report_as_said(e))
                foreign = int(e["devaddr"], 16) > 0x03FFFFFF
                self.assertEqual(run.status, 1 if foreign else 0, run.err)
                built = Run("frame", "build", *keys_of(e), "--hex", given=run.out)
                self.assertEqual((built.out, built.status), (e["frame"] + "\n", 0), built.err)

    def test_orders_by_hand(self):
        for e in air_examples():
            if "order" not in e:
                continue
            order = {"kind": e["order"], **{k: int(e[k]) for k in ORDER_KEYS if k in e}}
            given = json.dumps({"devaddr": "01a2b3c4", "fcnt": 6, "ack": True, "order": order})
            said = Run("frame", "build", *KEYS, given=given).json
            self.assertEqual(said["payload"], e["payload"])
            self.assertEqual((said["direction"], said["fport"]), ("down", 11))
            self.assertEqual(said["order"], order)


class Shown(Folder):
    def test_commands_of_the_page(self):
        run_shown(self, "protocol/air/AIR.md", self.folder)


class Reading(Folder):
    def test_without_keys(self):
        said = Run("frame", "read", FIRST)
        self.assertEqual(said.status, 0)
        self.assertEqual(said.json["mic_check"], "not checked")
        self.assertIsNone(said.json["fcnt"])
        self.assertNotIn("report", said.json)
        self.assertNotIn("payload", said.json)
        self.assertEqual(said.json["encrypted"], FIRST[18:-8])

    def test_as_people_paste(self):
        spaced = " ".join(FIRST[i:i + 2] for i in range(0, len(FIRST), 2)).upper()
        self.assertEqual(Run("frame", "read", *KEYS, spaced).json["fcnt"], 771)
        self.assertEqual(Run("frame", "read", *KEYS, spaced.replace(" ", ":")).json["fcnt"], 771)

    def test_one_a_line(self):
        run = Run("frame", "read", *KEYS, "-", given=f"{FIRST}\n\nzz\r\n{FIRST}\r\n")
        lines = [json.loads(line) for line in run.out.strip().split("\n")]
        self.assertEqual([line["fcnt"] for line in lines], [771, 771])
        self.assertIn('"zz" is not whole bytes in hex', run.err)
        self.assertEqual(run.status, 1)

    def test_wrong_key(self):
        run = Run("frame", "read", "--nwk-skey", APP, "--app-skey", APP, FIRST)
        self.assertEqual((run.status, run.json["mic_check"]), (1, "differs"))
        self.assertIn("other keys", run.json["trouble"])
        self.assertNotIn("report", run.json)

    def test_far_counter(self):
        far = next(e for e in FRAMES if e["fcnt"] == "4294967295")
        self.assertEqual(Run("frame", "read", *keys_of(far), far["frame"]).status, 1)
        run = Run("frame", "read", *keys_of(far), "--after", "4294901760", far["frame"])
        self.assertEqual(run.json["fcnt"], 4294967295)

    def test_not_data_frames(self):
        for hex_text, words in (
                ("00" * 11, "too short"), ("40" * 256, "too long"), ("40" * 300, "too long"),
                ("0039363463336913aa05693574323831330489c65b1304", "not a data frame"),
                ("41" + "00" * 11, "another major version"), ("4", "not whole bytes"), ("4g" * 12, "not whole bytes"),
                ("xyz", "not whole bytes"), ("", "too short")):
            run = Run("frame", "read", hex_text)
            self.assertEqual((run.status, run.out), (1, ""), hex_text)
            self.assertIn(words, run.err)

    def test_newer_and_unknown_payloads(self):
        for payload, words in (("21" + "00" * 20, "newer version"), ("13" + "00" * 20, "of a kind"),
                               ("11", "too short"), ("11" + "00" * 28, "too long"),
                               ("11" + "00" * 20, "outside its range")):
            given = json.dumps({"devaddr": "00000001", "fcnt": 1, "fport": 10, "payload": payload})
            built = Run("frame", "build", *KEYS, "--hex", given=given)
            run = Run("frame", "read", *KEYS, built.out.strip())
            self.assertEqual((run.status, run.json["payload"]), (1, payload))
            self.assertIn(words, run.json["trouble"])


class KeyFile(Folder):
    TEXT = f"devaddr,nwk_skey,app_skey\n01a2b3c4,{NWK},{APP}\n"

    def test_address_decides(self):
        keys = self.write("keys.csv", self.TEXT)
        run = Run("frame", "read", "--keys", keys, FIRST)
        self.assertEqual((run.status, run.json["fcnt"]), (0, 771))
        other = next(e for e in FRAMES if e["devaddr"] == "00000007")
        run = Run("frame", "read", "--keys", keys, other["frame"])
        self.assertEqual(run.status, 1)
        self.assertIn("No keys for this address", run.json["trouble"])

    def test_open_to_others(self):
        keys = self.write("keys.csv", self.TEXT, 0o644)
        run = Run("frame", "read", "--keys", keys, FIRST)
        self.assertEqual((run.status, run.out), (1, ""))
        self.assertIn("chmod 0600", run.err)

    def test_missing(self):
        run = Run("frame", "read", "--keys", self.path("none.csv"), FIRST)
        self.assertEqual(run.status, 1)
        self.assertIn("none.csv", run.err)

    def test_build_for_a_stranger(self):
        keys = self.write("keys.csv", self.TEXT)
        run = Run("frame", "build", "--keys", keys, given='{"devaddr": "00000009", "fcnt": 1}')
        self.assertEqual(run.status, 1)
        self.assertIn("no keys for 00000009", run.err)


class Building(Folder):
    def refused(self, text, *words):
        run = Run("frame", "build", *KEYS, given=text)
        self.assertEqual((run.status, run.out), (1, ""), text)
        for word in words:
            self.assertIn(word, run.err)

    def test_refusals(self):
        self.refused("{\n  \"fcnt\": 1,\n  oops\n}", "standard input:3")
        self.refused('{"fcnt": 1, "fcnt": 2}', "duplicate")
        self.refused("[]", "one JSON object")
        self.refused('{"devaddr": "01a2b3c4"}', '"fcnt": key missing')
        self.refused('{"fcnt": 1}', '"devaddr": key missing')
        self.refused('{"devaddr": "01a2b3c4", "fcnt": 4294967296}', '"fcnt": value out of range')
        self.refused('{"devaddr": 5, "fcnt": 1}', '"devaddr": wrong type')
        self.refused('{"devaddr": "00000001", "fcnt": 1, "payload": "00"}', "outside its range")
        self.refused('{"devaddr": "00000001", "fcnt": 1, "order": {"kind": "sing"}}', '"order.kind"')

    def test_report_values(self):
        said = Run("frame", "read", *KEYS, FIRST).json
        for key, value, words in (("temperature_c", 100, "value out of range"),
                                  ("entries", "many", "wrong type"), ("recent", [1] * 8, "out of range"),
                                  ("battery_v", 0.5, "out of range")):
            changed = {**said, "report": {**said["report"], key: value}}
            self.refused(json.dumps(changed), f'"report.{key}"', words)
        marks = {"kind": "marks", "sequence": 0, "full_mark_mm": 20, "low_mark_mm": 30}
        self.refused(json.dumps({"devaddr": "00000001", "fcnt": 1, "order": marks}), "outside its range")

    def test_report_goes_before_payload(self):
        said = Run("frame", "read", *KEYS, FIRST).json
        said["report"]["entries"] += 1
        self.assertEqual(Run("frame", "build", *KEYS, given=json.dumps(said)).json["report"]["entries"], 1235)

    def test_from_a_file(self):
        file = self.write("frame.json", '{"devaddr": "00000001", "fcnt": 1}')
        self.assertEqual(Run("frame", "build", *KEYS, file).json["fport"], None)
        self.assertIn("No such file", Run("frame", "build", *KEYS, self.path("no.json")).err)


class Misuse(unittest.TestCase):
    def test_misuse(self):
        for words in (["frame"], ["frame", "sing"], ["frame", "read"], ["frame", "read", "--bogus", FIRST],
                      ["frame", "read", "--nwk-skey", NWK, FIRST],
                      ["frame", "read", "--nwk-skey", NWK[2:], "--app-skey", APP, FIRST],
                      ["frame", "read", "--after", "x", FIRST], ["frame", "read", "--after", "-1", FIRST],
                      ["frame", "read", "--after", "4294967296", FIRST],
                      ["frame", "build", "a", "b"], ["sing"], []):
            run = Run(*words)
            self.assertEqual((run.status, run.out if words else ""), (2, ""), words)

    def test_help(self):
        self.assertIn("frame", Run("--help").out)
        for words in (["--help"], ["help"], ["frame", "--help"], ["--version"]):
            run = Run(*words)
            self.assertEqual((run.status, run.err), (0, ""))
        self.assertRegex(Run("--version").out, r"^edgerow \d+\.\d+\.\d+\n$")


if __name__ == "__main__":
    unittest.main()
