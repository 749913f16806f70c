#!/bin/sh
# Try benches elsewhere on one computer: a broker, a database, the keeper and simulated stations.
#
#   sh docs/examples/chain/chain.sh [FOLDER] [STATIONS]
#
# All files lie in FOLDER (/var/tmp/chain if left out); nothing else on the computer is changed. The broker lets in
# nobody without a certificate of that folder, the database nobody but the account that made it. What is killed is
# started again, as service files do in earnest. Ctrl-C ends all, the stations first, which send what is left; then the
# record is compared with their journals. It needs mosquitto and postgresql of Debian, and benchwatch with the extras
# relay and record. BROKER_PORT is the broker's port, where 18883 is taken.
set -eu

folder=${1:-/var/tmp/chain}
stations=${2:-40}
broker_port=${BROKER_PORT:-18883}
comparison=$(cd "$(dirname "$0")/../../.." && pwd)/tests/kits/record_comparison.py

case $stations in
'' | 0* | *[!0-9]*)
  echo "'$stations' is no number of stations: sh $0 $folder 40" >&2
  exit 2
  ;;
esac
mkdir -p "$folder"
folder=$(cd "$folder" && pwd)
data=$folder/database
# The folder's name becomes part of the database's address and of a socket's name (107 bytes on Linux).
case $folder in
*[\ \?\&%#\'\"]*) unfit="has a blank or a sign that an address can't have" ;;
*) [ "$(printf %s "$data/.s.PGSQL.5432" | wc -c)" -le 107 ] && unfit= || unfit="has too long a name" ;;
esac
[ "$(stat -c %u "$folder")" = "$(id -u)" ] || unfit="belongs to another account"
[ -z "$unfit" ] || {
  echo "$folder $unfit: give another folder, such as" >&2
  echo "sh $0 /var/tmp/chain-of-$(id -un) $stations" >&2
  exit 1
}
for program in /usr/lib/postgresql/*/bin; do postgresql=$program; done
PATH=$PATH:/usr/sbin:$postgresql
for program in mosquitto initdb postgres benchwatch; do
  command -v "$program" >/dev/null || {
    echo "$program is not there: apt-get install mosquitto postgresql, and" >&2
    echo "pip install '.[relay,record]' in the virtual environment that is active." >&2
    exit 1
  }
done

# A broker of another chain would be spoken to in place of this one's.
python3 -c 'import socket, sys; socket.create_server(("127.0.0.1", int(sys.argv[1])))' "$broker_port" 2>/dev/null || {
  echo "port $broker_port can't be used: does another chain run? Else choose another port, such as" >&2
  echo "BROKER_PORT=$((broker_port + 1)) sh $0 $folder $stations" >&2
  exit 1
}

# PostgreSQL refuses to run for root, so that the account of Debian's package runs it then.
if [ "$(id -u)" = 0 ]; then
  as_database="setpriv --reuid=postgres --regid=postgres --clear-groups"
  chmod a+x "$folder"
  $as_database test -x "$folder" || {
    echo "the account postgres can't reach $folder: give a folder elsewhere, such as" >&2
    echo "sh $0 /var/tmp/chain $stations" >&2
    exit 1
  }
else
  as_database=
fi

started=
record=
stop() {
  trap '' INT TERM HUP # a second Ctrl-C would leave programs behind
  trap - EXIT
  echo "stopping: the stations first, the database last" 2>/dev/null || true # the terminal may be closed
  for loop in $started; do
    # The database is last: what the stations have sent to the end is in it now.
    [ -z "$record" ] || [ "$loop" != "$database" ] || compare
    # Asked again after a while, for a program that only just began may not have heard it.
    waited=0
    while kill -0 "$loop" 2>/dev/null; do
      [ $((waited % 100)) -ne 0 ] || kill "$loop" 2>/dev/null || true
      waited=$((waited + 1))
      sleep 0.1
    done
  done
  exit 130
}
trap stop INT TERM HUP EXIT

# compare: say whether the record has what the journals have, by a program that shares no code with benchwatch.
compare() {
  python=$(dirname "$(command -v benchwatch)")/python
  [ -f "$comparison" ] && [ -x "$python" ] || return 0
  echo "record and journals compared: $("$python" "$comparison" "$record" "$folder/stations" 2>&1)" 2>/dev/null || true
}

# keep_up NAME COMMAND...: run a command, and run it again whenever it ends; its words go to NAME.log, the number of
# its process to NAME.pid. A signal to what keeps it up ends it in order.
keep_up() {
  name=$1
  shift
  (
    trap : HUP # a closed terminal is for the script, as Ctrl-C is; the program does not inherit this
    ending=
    program=
    trap 'ending=yes; [ -z "$program" ] || kill -INT "$program" 2>/dev/null || true' TERM
    while [ -z "$ending" ]; do
      # In a session of its own, so that Ctrl-C reaches this script only, which ends them in order.
      setsid "$@" >>"$folder/$name.log" 2>&1 &
      program=$!
      echo "$program" >"$folder/$name.pid"
      while kill -0 "$program" 2>/dev/null; do wait "$program" || true; done
      [ -n "$ending" ] || sleep 1
    done
    rm -f "$folder/$name.pid"
  ) &
  started="$! $started"
}

# quietly COMMAND...: run a command, and show its words only if it fails.
quietly() {
  "$@" >"$folder/making.log" 2>&1 || {
    cat "$folder/making.log" >&2
    exit 1
  }
}

# The database, for programs of this account alone: it listens in its own folder, which no other account may enter.
if [ ! -f "$data/PG_VERSION" ]; then
  mkdir -p "$data"
  [ "$(id -u)" = 0 ] && chown postgres "$data"
  quietly $as_database initdb --auth=trust --username="$(id -un)" --encoding=UTF8 "$data"
fi
keep_up database $as_database postgres -D "$data" -h "" -k "$data"
database=$!
waited=0
until pg_isready -q -h "$data"; do
  waited=$((waited + 1))
  [ "$waited" -lt 300 ] || {
    tail -n 5 "$folder/database.log" >&2
    exit 1
  }
  sleep 0.2
done
createdb -h "$data" benchwatch 2>/dev/null || true
address="postgresql:///benchwatch?host=$data"
quietly benchwatch keep --init "$address"

# A certificate for the broker, the keeper, the desk and every station. The broker's own account reads its files.
files=$folder/relay
names=$(seq -f tide-%03g 1 "$stations")
if [ ! -d "$files" ]; then
  # shellcheck disable=SC2046 # words, not one text
  quietly benchwatch relay init "$files" --host 127.0.0.1 --port "$broker_port" --broker-folder "$folder/broker" \
    $(printf -- '--station %s\n' $names)
fi
for name in $names; do # more stations than the last time
  [ -d "$files/stations/$name" ] || quietly benchwatch relay add "$files" "$name"
done
rm -rf "$folder/broker"
cp -r "$files/broker" "$folder/broker"
sed -i "s/^listener .*/listener $broker_port/" "$folder/broker/mosquitto.conf"
[ "$(id -u)" = 0 ] && chown -R mosquitto "$folder/broker"
keep_up broker mosquitto -c "$folder/broker/mosquitto.conf"
keep_up keeper benchwatch keep "$address" --broker "mqtts://127.0.0.1:$broker_port" --relay-identity "$files/keeper"
keep_up stations benchwatch simulate chain "$folder/stations" --stations "$stations" \
  --relay "mqtts://127.0.0.1:$broker_port" --relay-identity "$files/stations"

record=$address

cat <<EOT
$stations simulated stations send their readings now. In another terminal:

PATH=$(dirname "$(command -v benchwatch)"):\$PATH
benchwatch watch MQTT::127.0.0.1::$broker_port --relay-identity $files/desk
benchwatch keep --status '$record'
benchwatch replay '$record' --station tide-001 | tail

Kill what you like, one or all: it is started again after a second.

kill -9 \$(cat $folder/broker.pid)
kill -9 \$(cat $folder/database.pid)
kill -9 \$(cat $folder/keeper.pid)
kill -9 \$(cat $folder/stations.pid)
kill -9 \$(cat $folder/*.pid)

Ctrl-C here ends all, and says whether the record has what the journals have.
$folder/*.log have the words of each part.
EOT
while :; do sleep 3600 & wait "$!"; done
