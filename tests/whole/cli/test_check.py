"""edgerow check: each mistake is named with file, line or section, and a remedy."""
import json
import os
import unittest

from cli import Run
from farm import SITE_INI, Farm


class Check(Farm):
    def check(self, *words, status=None):
        run = Run("check", "--site", self.site, "--gateway", self.gateway, "--json", *words)
        self.assertEqual(run.err, "")
        said = run.json
        self.assertEqual(run.status, 1 if said["errors"] else 0)
        self.assertEqual(said["errors"], sum(f["kind"] == "error" for f in said["findings"]))
        self.assertEqual(said["warnings"], sum(f["kind"] == "warning" for f in said["findings"]))
        if status is not None:
            self.assertEqual(run.status, status, said)
        return said["findings"]

    def finds(self, kind, *words):
        found = [f["text"] for f in self.check() if f["kind"] == kind]
        self.assertTrue(any(all(word in text for word in words) for text in found), (words, found))

    def replace(self, name, old, new):
        with open(self.path(name), encoding="utf-8") as file:
            text = file.read()
        self.assertIn(old, text)
        self.write(name, text.replace(old, new, 1))

    def test_all_is_well(self):
        found = self.check(status=0)
        self.assertEqual([f for f in found if f["kind"] != "fine"], [])
        text = Run("check", "--site", self.site, "--gateway", self.gateway)
        self.assertIn("0 errors, 0 warnings.", text.out)
        self.assertIn("licensed or\ncompetent", text.out)

    def test_site_settings(self):
        self.replace("site.ini", "time_zone = Europe/Rome", "time_zone = Europe/Roma")
        self.finds("error", "Europe/Roma")
        self.write("site.ini", SITE_INI.replace("[store]", "[stores]"))
        self.finds("error", "site.ini:8", "stores")
        os.remove(self.site)
        self.finds("error", "site.ini")

    def test_stations(self):
        self.replace("stations.csv", "N-2,north", "N-2,west")
        self.finds("error", "stations.csv:3", "west")
        self.replace("stations.csv", "N-2,west", "N-1,north")
        self.finds("error", "stations.csv", "N-1")
        self.write("stations.csv", "trap,block\nN-1,north\n")
        self.finds("error", "stations.csv", "unit")

    def test_blocks(self):
        self.write("blocks.geojson", '{"type": "FeatureCollection", "features": [')
        self.finds("error", "blocks.geojson")

    def test_place(self):
        self.replace("site.ini", "latitude = 44.65\nlongitude = 10.93", "latitude = 10.93\nlongitude = 44.65")
        self.finds("warning", "site.ini", "latitude = 10.93", "order and signs")

    def test_keys(self):
        os.chmod(self.path("keys.csv"), 0o640)
        self.finds("error", "keys.csv", "chmod 0600")
        os.chmod(self.path("keys.csv"), 0o600)
        self.replace("keys.csv", "00000003", "00000033")
        self.finds("error", "keys.csv", "00000003", "cannot hear")
        self.finds("warning", "stations.csv", "00000033", "on no trap")
        self.replace("keys.csv", "00000033,", "zz,")
        self.finds("error", "keys.csv:4")
        os.remove(self.path("keys.csv"))
        self.finds("error", "keys.csv")

    def test_names_must_agree(self):
        self.replace("gateway.ini", "site = quarry-hill", "site = quarry-hall")
        self.finds("error", "gateway.ini", "quarry-hall", "quarry-hill")
        self.replace("gateway.ini", "names = main", "names = office")
        self.finds("error", "gateway.ini", "office", "main")

    def test_mail(self):
        self.replace("site.ini", "server =", "user = edgerow\nsecurity = none\npassword_file = secret\nserver =")
        self.finds("warning", "manager", "in the clear", "starttls")
        self.finds("error", "secret")
        self.write("secret", "hush\n", 0o644)
        self.finds("error", "secret", "chmod 0600")
        self.write("site.ini", SITE_INI.split("[mail.0]")[0])
        self.finds("warning", "site.ini", "[mail.0]")

    def test_broker_elsewhere(self):
        self.replace("site.ini", "[store]", "[broker]\nhost = broker.farm.example\n\n[store]")
        self.finds("warning", "[broker] host = broker.farm.example", "ca_file")

    def test_store(self):
        self.write("store.db", "no database" * 500)
        self.finds("error", "store.db")

    def test_folder_of_the_store(self):
        self.replace("site.ini", "path = store.db", "path = deep/store.db")
        self.finds("warning", "/deep", "not there yet")

    def test_radio_load(self):
        found = [f for f in self.check() if "SF9" in f["text"]]
        self.assertEqual((found[0]["kind"], "0.3 %" in found[0]["text"]), ("fine", True), found)
        # AIR.md section 1: 300 stations at SF9/125 kHz lose 17.4 %, 1,000 lose 47.2 %.
        for count, kind, percent in ((300, "warning", "17.4 %"), (1000, "error", "47.2 %")):
            self.write("stations.csv", "trap,block,unit,from,to\n" + "".join(
                f"T-{i},north,{i:08x},2026-05-01,\n" for i in range(1, count + 1)))
            self.finds(kind, "[radio.0]", "SF9", percent, "lower spreading factor")

    def test_two_channels_share_the_stations(self):
        with open(self.gateway, "a", encoding="utf-8") as file:
            file.write("\n[radio.1]\ndriver = simulated\nsocket = air1.sock\nfrequency_hz = 868300000\n"
                       "bandwidth_hz = 125000\nspreading_factor = 9\n")
        self.finds("fine", "[radio.1]", "3 stations", "shared evenly")

    def test_radio_device(self):
        self.replace("gateway.ini", "driver = simulated\nsocket = air.sock",
                     "driver = sx127x\nchip = sx1276\nspi = /dev/spidev9.9\nreset_line = a:1\n"
                     "interrupt_line = a:2")
        self.finds("error", "[radio.0] spi = /dev/spidev9.9", "switch SPI on")

    def test_no_radio(self):
        with open(self.gateway, encoding="utf-8") as file:
            self.write("gateway.ini", file.read().split("[radio.0]")[0])
        self.finds("error", "[radio.0]")

    def test_no_country_receives_only(self):
        self.finds("fine", "[radio.0] No country is given", "only receives")

    def test_one_alone(self):
        run = Run("check", "--gateway", self.gateway, "--json")
        self.assertNotIn("site.ini", run.out)
        run = Run("check", "--site", self.site, "--json")
        self.assertNotIn("gateway.ini", run.out)


class Rights(Farm):
    """With root's rights only: as another user."""

    @unittest.skipIf(os.geteuid() != 0, "needs root to become another user")
    def test_folder_that_cannot_be_written(self):
        os.chmod(self.folder, 0o755)
        for name in os.listdir(self.folder):
            os.chmod(self.path(name), 0o644)
        command = [os.path.join(os.environ["EDGEROW_BUILD"], "bin", "edgerow"), "check", "--site", self.site,
                   "--json"]
        import subprocess
        done = subprocess.run(command, capture_output=True, text=True, timeout=60, user=65534, group=65534,
                              extra_groups=[])
        said = json.loads(done.stdout)
        texts = [f["text"] for f in said["findings"] if f["kind"] == "error"]
        self.assertTrue(any("this user may not write here" in text for text in texts), said)


class NothingThere(unittest.TestCase):
    @unittest.skipIf(os.path.exists("/etc/edgerow/site.ini") or os.path.exists("/etc/edgerow/gateway.ini"),
                     "this machine has a site")
    def test_kindly(self):
        run = Run("check")
        self.assertEqual((run.status, run.out), (1, ""))
        self.assertIn("--site and --gateway", run.err)


if __name__ == "__main__":
    unittest.main()
