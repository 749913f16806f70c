#!/bin/sh
# Try benches elsewhere on one computer: a broker, a database, the keeper and simulated stations.
#
#   sh docs/examples/chain/chain.sh [FOLDER] [STATIONS]
#
# All files lie in FOLDER (./chain if left out); nothing else on the computer is changed, and the broker lets in
# nobody without a certificate of that folder. What is killed is started again, as service files do in earnest. Ctrl-C
# ends all, the stations first, which send what is left. It needs mosquitto and postgresql of Debian, and benchwatch
# with the extras relay and record. BROKER_PORT and DATABASE_PORT are its ports, where 18883 and 15432 are taken.
set -eu

folder=${1:-chain}
stations=${2:-40}
broker_port=${BROKER_PORT:-18883}
database_port=${DATABASE_PORT:-15432}

mkdir -p "$folder"
folder=$(cd "$folder" && pwd)
for program in /usr/lib/postgresql/*/bin; do postgresql=$program; done
PATH=$PATH:/usr/sbin:$postgresql
for program in mosquitto initdb postgres benchwatch; do
  command -v "$program" >/dev/null || {
    echo "$program is not there: apt-get install mosquitto postgresql, and" >&2
    echo "pip install '.[relay,record]' in the virtual environment that is active." >&2
    exit 1
  }
done

# A program of another chain would be spoken to in place of this one's.
for taken in BROKER_PORT:$broker_port DATABASE_PORT:$database_port; do
  python3 -c 'import socket, sys; socket.create_server(("127.0.0.1", int(sys.argv[1])))' "${taken#*:}" 2>/dev/null || {
    echo "port ${taken#*:} can't be used: does another chain run? Else choose another port, such as" >&2
    echo "${taken%:*}=$((${taken#*:} + 1)) sh $0 $folder $stations" >&2
    exit 1
  }
done

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
stop() {
  trap - INT TERM EXIT
  trap '' HUP
  echo "stopping: the stations first, the database last" 2>/dev/null || true # the terminal may be closed
  for loop in $started; do
    programs=$(pgrep -P "$loop" || true)
    kill "$loop" 2>/dev/null || true # so that it starts nothing again
    for program in $programs; do
      # Each has ended before the next is asked to: stations still reach broker and record.
      kill -INT "$program" 2>/dev/null || true
      while kill -0 "$program" 2>/dev/null; do sleep 0.1; done
    done
  done
  exit 130
}
trap stop INT TERM HUP EXIT

# keep_up NAME COMMAND...: run a command, and run it again whenever it ends; its words go to NAME.log.
keep_up() {
  name=$1
  shift
  (
    trap : HUP # a closed terminal is for the script, as Ctrl-C is; the program does not inherit this
    while :; do
      # In a session of its own, so that Ctrl-C reaches this script only, which ends them in order.
      setsid "$@" >>"$folder/$name.log" 2>&1 &
      while kill -0 "$!" 2>/dev/null; do wait "$!" || true; done
      sleep 1
    done
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

# The database, with one superuser that the programs of this computer's account may be.
data=$folder/database
if [ ! -f "$data/PG_VERSION" ]; then
  mkdir -p "$data"
  [ "$(id -u)" = 0 ] && chown postgres "$data"
  quietly $as_database initdb --auth=trust --username=benchwatch --encoding=UTF8 "$data"
fi
keep_up database $as_database postgres -D "$data" -p "$database_port" -h 127.0.0.1 -k ""
waited=0
until pg_isready -q -h 127.0.0.1 -p "$database_port"; do
  waited=$((waited + 1))
  [ "$waited" -lt 300 ] || {
    tail -n 5 "$folder/database.log" >&2
    exit 1
  }
  sleep 0.2
done
server=postgresql://benchwatch@127.0.0.1:$database_port
createdb --maintenance-db="$server/postgres" benchwatch 2>/dev/null || true
record=$server/benchwatch
quietly benchwatch keep --init "$record"

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
keep_up keeper benchwatch keep "$record" --broker "mqtts://127.0.0.1:$broker_port" --relay-identity "$files/keeper"
keep_up stations benchwatch simulate chain "$folder/stations" --stations "$stations" \
  --relay "mqtts://127.0.0.1:$broker_port" --relay-identity "$files/stations"

cat <<EOT
$stations simulated stations send their readings now. In another terminal:

PATH=$(dirname "$(command -v benchwatch)"):\$PATH
benchwatch watch MQTT::127.0.0.1::$broker_port --relay-identity $files/desk
benchwatch keep --status $record
benchwatch replay $record --station tide-001 | tail

Kill what you like (kill -9): it is started again after a second, and nothing is missing in the record.
$folder/*.log have the words of each part. Ctrl-C here ends all.
EOT
while :; do sleep 3600 & wait "$!"; done
