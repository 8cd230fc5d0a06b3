#!/bin/sh
# Runs inside the guest, as a service beside bankbook.service. One line a trial, then power off.
trial() { if [ "$2" = 0 ]; then echo "TRIAL $1 ok $3"; else echo "TRIAL $1 FAILED $3"; fi; }
rows() { sqlite3 "file:/var/lib/bankbook/bank.db?mode=ro" "select count(*) from reading" 2>/dev/null || echo 0; }
pid() { systemctl show -p MainPID --value bankbook; }
wait_for() { n=0; until eval "$1"; do n=$((n+1)); [ $n -gt "$2" ] && return 1; sleep 1; done; return 0; }

ip link add vxcan0 type vxcan peer name vxcan1 && ip link set vxcan0 up && ip link set vxcan1 up
( cd /src && PYTHONPATH=/src /opt/bankbook/venv/bin/python tests/kernel/bus_sender.py vxcan1 --seconds 900 ) &
sender=$!
echo "CLOCK at start $(date -u +%FT%TZ)"

wait_for 'systemctl is-active --quiet bankbook' 120; trial starts-and-notifies $? "state=$(systemctl is-active bankbook) type=$(systemctl show -p Type --value bankbook)"
echo "USER $(ps -o user= -p "$(pid)" 2>/dev/null || stat -c %U /proc/$(pid))"
wait_for '[ "$(rows)" -gt 5 ]' 120; trial records-without-network $? "readings=$(rows)"

# The clock was in the past; now time comes, and the kernel is told it is right.
before=$(rows)
date -u -s "2026-11-20 12:00:00" >/dev/null
/opt/bankbook/venv/bin/python /src/tests/kernel/clock_is_right.py
wait_for '[ "$(sqlite3 "file:/var/lib/bankbook/bank.db?mode=ro" "select count(*) from reading where provisional is not null")" = 0 ]' 60
trial takes-the-step $? "readings=$(rows) before=$before first=$(sqlite3 "file:/var/lib/bankbook/bank.db?mode=ro" "select datetime(min(time_ms)/1000,'unixepoch') from reading") events=$(sqlite3 "file:/var/lib/bankbook/bank.db?mode=ro" "select group_concat(kind) from event")"

# It hangs: the watchdog must end and restart it.
old=$(pid); kill -STOP "$old"
wait_for '[ "$(pid)" != "'"$old"'" ] && systemctl is-active --quiet bankbook' 200
trial watchdog-restarts $? "old=$old new=$(pid) result=$(systemctl show -p NRestarts --value bankbook) restarts"
n=$(rows); wait_for '[ "$(rows)" -gt $((n + 3)) ]' 90; trial goes-on-after-restart $? "readings=$(rows)"

# It is killed outright.
old=$(pid); kill -KILL "$old"
wait_for '[ "$(pid)" != "'"$old"'" ] && systemctl is-active --quiet bankbook' 90; trial restarted-after-kill $? "new=$(pid)"

systemctl stop bankbook; trial stops-cleanly $? "result=$(systemctl show -p Result --value bankbook)"
runuser -u bankbook -- bankbook verify --config /var/lib/bankbook/bank.toml; trial verifies $? ""
echo "INTEGRITY $(sqlite3 /var/lib/bankbook/bank.db 'pragma integrity_check')"
echo "TX $(cat /sys/class/net/vxcan0/statistics/tx_packets)"
systemd-analyze security bankbook.service 2>/dev/null | tail -1
echo "JOURNAL"; journalctl -u bankbook -o cat --no-pager | tail -40
kill $sender
echo "BENCH-EXIT 0"
poweroff -f
