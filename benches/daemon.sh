#!/usr/bin/env bash
# The real daemon against the virtual spectrometer over a pseudo-terminal. Prints resident memory, CPU a reading (serial transfer
# and durable commit included), bytes stored and bytes written a reading.
# Usage: benches/daemon.sh [READINGS] [FACTOR]
# Default: 2 000 readings, time compressed 600-fold. `benches/daemon.sh 20 1` runs at real pace, one reading a minute. CPU is
# counted from the tenth reading on (first darks and start-up are over), or from the first one of fewer than 20.
# A machine that is too slow for the factor shows it in readings missed as `busy`, each of which writes an event.
set -euo pipefail
cd "$(dirname "$0")/.."
readings=${1:-2000}
factor=${2:-600}
cargo build --release --quiet
program=${CARGO_TARGET_DIR:-$PWD/target}/release/vigilux
folder=$(mktemp -d)
trap 'kill "${daemon:-0}" "${simulator:-0}" 2>/dev/null; wait 2>/dev/null; rm -rf "$folder"' EXIT
cd "$folder"
"$program" simulate --certificate certificate.toml
cat >station.toml <<'TOML'
version = 1
[station]
name = "Footprint"
kind = "roof"
latitude_deg = 48.0
longitude_deg = 11.0
time_zone = "UTC"
[store]
path = "station.db"
[[instrument]]
name = "south"
link = "line"
calibrations = ["certificate.toml"]
warm_up_min = 0
[instrument.schedule]
cron = "0 * * * * *"
TOML
# 2026-06-21T06:00:00Z, so many times faster than real.
clock="1782021600000000,$(($(date +%s%N) / 1000)),$factor"
"$program" simulate --link line --compressed-clock "$clock" >simulator.out & simulator=$!
until [ -s simulator.out ]; do sleep 0.1; done
: >stored
"$program" run --config station.toml --compressed-clock "$clock" >stored 2>log & daemon=$!
# CPU of the daemon so far, in ticks.
used() { awk '{print $14 + $15}' "/proc/$daemon/stat"; }
first=$((readings >= 20 ? 10 : 1))
until [ "$(wc -l <stored)" -ge "$first" ]; do
    kill -0 "$daemon" || { cat log; exit 1; }
    sleep 0.1
done
first=$(wc -l <stored)
cpu_first=$(used)
until [ "$(wc -l <stored)" -ge "$readings" ]; do
    kill -0 "$daemon" || { cat log; exit 1; }
    sleep 1
done
n=$(wc -l <stored)
ticks=$(getconf CLK_TCK)
cpu=$(($(used) - cpu_first))
resident=$(awk '/VmRSS/ {print $2}' "/proc/$daemon/status")
file=$(awk '/RssFile/ {print $2}' "/proc/$daemon/status")
threads=$(awk '/Threads/ {print $2}' "/proc/$daemon/status")
written=$(awk '/^write_bytes/ {print $2}' "/proc/$daemon/io")
stored=$(stat -c %s station.db)
awk -v n="$n" -v first="$first" -v cpu="$cpu" -v ticks="$ticks" -v rss="$resident" -v w="$written" -v s="$stored" -v t="$threads" -v file="$file" 'BEGIN {
    printf "readings               %d\n", n
    printf "resident memory        %.1f MB, %.1f of them the program itself\n", rss / 1024, file / 1024
    printf "threads                %d\n", t
    printf "CPU a reading          %.2f ms\n", 1000 * cpu / ticks / (n - first)
    printf "stored a reading       %.0f bytes (darks and models included)\n", s / n
    printf "written a reading      %.0f bytes\n", w / n
}'
