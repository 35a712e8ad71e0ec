#!/bin/sh
# Takes the weather of the rehearsal out of the npm package vega-datasets 3.2.1 (see tests/npm) into a folder
# of the build: NOAA daily records of Seattle 2012 to 2015 and NOAA hourly normals of the same city. Nothing of
# it is kept in the repository. Beside it, derived from the daily records, a hot and dry variant: 7 degrees
# warmer by day, 3 by night, one rainy day in four left with half its rain, a fifth more wind.
# usage: weather.sh FOLDER
set -eu
here=$(cd "$(dirname "$0")" && pwd)
out=${1:?usage: weather.sh FOLDER}
data=$here/../../tests/npm/node_modules/vega-datasets/data
[ -f "$data/seattle-weather.csv" ] || "$here/../../tests/npm/install.sh" >&2
for file in seattle-weather.csv seattle-weather-hourly-normals.csv; do
    if [ ! -f "$data/$file" ]; then
        echo "$0: $data/$file is not there: run tests/npm/install.sh" >&2
        exit 1
    fi
done
mkdir -p "$out"
cp "$data/seattle-weather-hourly-normals.csv" "$out/hourly-normals.csv"
cp "$data/seattle-weather.csv" "$out/daily-mild.csv"
awk -F, -v OFS=, 'NR > 1 { $2 = NR % 4 ? 0 : $2 / 2; $3 += 7; $4 += 3; $5 *= 1.2 } { print }' \
    "$data/seattle-weather.csv" >"$out/daily-hot.csv"
