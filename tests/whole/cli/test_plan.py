"""edgerow plan: what it says, the files it writes, and what people get wrong."""
import csv
import json
import math
import os
import re
import unittest

from cli import Folder, Run

# The block of 601.0691 m and five acres that GeodSolve of GeographicLib 2.1.2 measured.
RING = [[-119.7, 46.25], [-119.6974, 46.25], [-119.6974, 46.2509], [-119.7, 46.2509], [-119.7, 46.25]]


def blocks(*named):
    return json.dumps({"type": "FeatureCollection", "features": [
        {"type": "Feature", "properties": {"block": name, "title": name.title()},
         "geometry": {"type": "Polygon", "coordinates": [ring]}} for name, ring in named]})


class Plan(Folder):
    def plan(self, *options, text=None):
        path = self.write("blocks.geojson", text or blocks(("east", RING)))
        return Run("plan", path, *options)

    def test_the_table(self):
        run = self.plan()
        self.assertEqual((run.status, run.err), (0, ""))
        self.assertIn("East: 601 m (1972 ft) round, 2.01 ha (5.0 acres), 40 traps", run.out)
        self.assertIn("20.0 litres: 1.82 of fruit juice, 18.2 of water, 10 teaspoons", run.out)
        self.assertIn("Take care", run.out)

    def test_spacing_in_feet_and_metres(self):
        self.assertIn("In all 20 traps", self.plan("--spacing", "100ft").out)
        self.assertIn("In all 61 traps", self.plan("--spacing", "10m").out)
        self.assertIn("In all 61 traps", self.plan("--spacing", "10").out)

    def test_the_channel(self):
        # Pure ALOHA (Abramson 1970): 1 - exp(-2 n t / T). A frame of 41 bytes at SF9 and 125 kHz takes
        # 287.744 ms by the SX1276's formula (datasheet, 4.1.1.7): preamble 12.25 symbols, 58 of payload.
        airtime_s = (12.25 + 58) * 512 / 125000
        loss = 100 * (1 - math.exp(-2 * 39 * airtime_s / 900))
        out = self.plan("--radio", "9/125").out
        self.assertIn("40 stations on one channel, a report every 15 minutes", out)
        self.assertRegex(out, r"SF9, 125 kHz: [0-9.]+ % of the reports lost;")
        said = float(re.search(r"SF9, 125 kHz: ([0-9.]+) %", out).group(1))
        self.assertAlmostEqual(said, loss, delta=0.1)
        self.assertIn("SF7, 500 kHz", self.plan().out)
        self.assertIn("TOO MANY", self.plan("--radio", "12/125", "--interval", "5").out)
        for words in (["--radio", "6/125"], ["--radio", "9"], ["--interval", "0"]):
            self.assertEqual(self.plan(*words).status, 2, words)

    def test_positions_and_stations(self):
        run = self.plan("--geojson", self.path("traps.geojson"), "--stations", self.path("stations.csv"))
        self.assertEqual(run.status, 0, run.err)
        with open(self.path("traps.geojson"), encoding="utf-8") as file:
            features = json.load(file)["features"]
        with open(self.path("stations.csv"), encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        self.assertEqual(len(features), 40)
        self.assertEqual([f["properties"]["trap"] for f in features], [r["trap"] for r in rows])
        self.assertEqual(rows[0]["trap"], "east-01")
        self.assertEqual(features[0]["geometry"]["coordinates"], RING[0])
        for feature, row in zip(features, rows):
            self.assertAlmostEqual(feature["geometry"]["coordinates"][1], float(row["latitude"]), 6)

    def test_an_existing_file_stays(self):
        self.write("stations.csv", "mine")
        run = self.plan("--stations", self.path("stations.csv"))
        self.assertEqual(run.status, 1)
        self.assertIn("File exists; it is left as it is", run.err)
        with open(self.path("stations.csv"), encoding="utf-8") as file:
            self.assertEqual(file.read(), "mine")

    def test_misuse(self):
        for options, says in ((["--spacing", "many"], "a length such as 50ft"), (["--spacing", "0.5"], "at least 1 m"),
                              (["--litres", "99"], "0.05 to 10"), (["--season", "x"], "1 to 366"),
                              (["--no-such"], "what it takes")):
            run = self.plan(*options)
            self.assertEqual(run.status, 2, options)
            self.assertIn(says, run.err)
        self.assertEqual(Run("plan").status, 2)

    def test_bad_boundaries_are_named(self):
        bow_tie = [[0, 0], [0.01, 0.01], [0.01, 0], [0, 0.01], [0, 0]]
        for text, says in ((blocks(("tie", bow_tie)), "tie"), ("{", "blocks.geojson"), ("[]", "blocks.geojson")):
            run = self.plan(text=text)
            self.assertEqual(run.status, 1, text)
            self.assertIn(says, run.err)
        run = Run("plan", os.path.join(self.folder, "nowhere.geojson"))
        self.assertEqual(run.status, 1)
        self.assertIn("nowhere.geojson: cannot be read", run.err)


if __name__ == "__main__":
    unittest.main()
