#!/bin/sh
# Pads pulled fourteen times with presses under way, noise on their lines, broken sentences, a recorder that drops out, jumps and starts again:
# nothing lost that a pad could save, nothing doubled, every truth inside its bound.
#   sh live_pulls.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/live_common"

live_begin pulls 25
live_rig "$data/pulls.rig"
live_daemon
live_rig_end
live_settle
live_stop
live_compare
expect "losses of a pad were told" "SELECT count(*) >= 10 FROM notice WHERE type = 'pad' AND state = 'lost'" 1
expect "the recorder's jump was told" "SELECT count(*) >= 1 FROM notice WHERE type = 'timecode' AND state = 'jumped'" 1
expect "the end of its audio was told" "SELECT count(*) >= 1 FROM notice WHERE type = 'timecode' AND state = 'audio ended'" 1
expect "broken sentences were told" "SELECT count(DISTINCT about) FROM notice WHERE type = 'feed' AND state = 'bad line'" 2
