#!/bin/sh
# Entries made weeks later, in the database itself and without a daemon: what each verb answers, what it refuses, and what the record holds
# afterwards. The worked dive is what they are made on.
#   sh cli_entries.sh BUILD
set -eu
build=$(cd "$1" && pwd)
data=$(cd "$(dirname "$0")/../data/dives" && pwd)
. "$(dirname "$0")/cli_common"
cli_begin entries
cli_dive

enter() { # enter ARGUMENTS: into dive.db, naming no configuration
    run 0 "$@" --db dive.db
    silent
}
before=$(sqlite3 -readonly dive.db "SELECT max(seq) FROM journal")
made=$(sqlite3 -readonly dive.db "SELECT count(*) FROM marker")

# ---- names ----
enter identify S6 'Lophelia' --qualifier cf. --rank genus --name-id x:77 --by 'A. Quill' --why polyps
prints "identified L001-S006 (seq $((before + 1)))"
is "the identification" "Lophelia|cf.|genus|x:77|A. Quill|polyps" "SELECT name || '|' || qualifier || '|' || rank || '|' || name_id || '|' || who || '|' || why FROM identification"
enter identify last Actiniaria
prints "identified L001-S049"
enter identify A2 'Water' --json
[ "$(jq -r .ref out)" = L001-A002 ] || fail "$said: $(cat out)"
run 1 identify M3 Fish --db dive.db
tells "L001-M0003 is not a sighting (S31) or a sample (A4)"
run 1 identify S999 Fish --db dive.db
tells "S999"
run 1 identify whale Fish --db dive.db
tells "whale"
run 0 log S6 --db dive.db
prints "identification" "Lophelia, cf., genus" "by A. Quill"
run 0 sightings --db dive.db
prints "Lophelia" "Actiniaria"

# ---- lengths ----
enter size last --pixels 350 --laser-pixels 200 --spacing-m 0.1 --note 'tip to tip' --by 'A. Quill'
prints "measured L001-S049" "0.1750 m, within 0.0023 m"
is "the measurement" "0.175|tip to tip|A. Quill" "SELECT round(value_m, 6) || '|' || note || '|' || who FROM measurement"
enter size A1 --pixels 10 --laser-pixels 5 --spacing-error-m 0 --pixel-error 0 --json
jq -e '.ref == "L001-A001" and (.note | startswith("0.2000 m"))' out >/dev/null || fail "$said: $(cat out)"
run 1 size M1 --pixels 1 --laser-pixels 1 --db dive.db
tells "M0001"
run 0 log S49 --db dive.db
prints "0.175 m"

# ---- remarks, strikes, and taking them back ----
enter remark M20 'the frame before is sharper' --by 'A. Quill'
is "the remark" "the frame before is sharper|A. Quill" "SELECT text || '|' || who FROM remark"
run 1 remark M999 nothing --db dive.db
tells "there is no M999 in dive L001"
run 1 remark M1 '' --db dive.db
enter strike S6 --why 'another animal' --by 'A. Quill'
prints "struck L001-S006"
is "the sighting" "struck" "SELECT state FROM sighting_now WHERE number = 6"
is "why" "another animal|A. Quill" "SELECT why || '|' || who FROM strike ORDER BY seq DESC LIMIT 1"
run 1 strike S6 --db dive.db
tells "L001-S006 is struck already"
run 1 strike S6 --undo --dive L009 --db dive.db
tells "there is no dive L009; \`bellrope dive list\` shows the dives"
enter strike S6 --undo
prints "restored L001-S006"
is "the sighting" "closed" "SELECT state FROM sighting_now WHERE number = 6"
run 1 strike S6 --undo --db dive.db
enter strike last
is "the newest marker" "1" "SELECT struck FROM marker_now ORDER BY number DESC LIMIT 1"
run 0 log S6 --db dive.db
prints "struck" "stands again" "because: another animal"

# ---- presses and samples: after the dive they belong to none of its sightings, and say so ----
enter press A1 --ago 90s --note 'on deck' --by 'A. Quill'
prints "kept L001-M0157" "outside the dive: part of no sighting, span or sample"
is "the marker" "late|subject|Fish|on deck|A. Quill|" "SELECT origin || '|' || kind || '|' || label || '|' || note || '|' || entered_by || '|' || coalesce(sighting, '') FROM marker_now WHERE number = 157"
enter press Fish --seat science
is "a soft key" "soft|Fish" "SELECT origin || '|' || label FROM marker_now WHERE number = 158"
run 1 press Z9 --db dive.db
tells "Z9"
run 1 press A1 --seat pilot --db dive.db
tells "pilot"
run 1 press A1 --at 2199-01-01T00:00:00Z --db dive.db
tells "in the future"
run 1 press A1 --at 99:99:99:99 --db dive.db
run 1 retime M20 --at 2199-01-01T00:00:00Z --db dive.db
tells "in the future"
run 1 sample --container JAR-1 --at 2199-01-01T00:00:00Z --db dive.db --dive L001
tells "in the future"
run 1 press A1 --dive L009 --ago 1s --db dive.db
tells "there is no dive L009"

# ---- what needs somebody on board is refused, and nothing is made ----
run 1 dive begin D9 --db dive.db
tells "this needs a daemon; leave --db out"
run 1 dive end --db dive.db
tells "this needs a daemon; leave --db out"
run 1 dive begin D9
tells "no daemon answers at $dir/socket"
printf '[dive]\nid = D9\n[seats]\nscience = A. Quill\n' >D9.ini
run 1 dive begin --from D9.ini --db dive.db
tells "this needs a daemon; leave --db out"
run 1 dive begin --from D9.ini
tells "no daemon answers at $dir/socket"
is "who is on watch" 0 "SELECT count(*) FROM journal WHERE type = 'seat'"
run 1 seat science --who 'A. Quill'
tells "no daemon answers at $dir/socket"
run 1 clap
tells "no daemon answers at $dir/socket"
is "dives" 1 "SELECT count(*) FROM dive"
run 1 remark M1 x --db none.db
tells "none.db: cannot be read: No such file or directory"
[ ! -e none.db ] || fail "a database was made by asking for it"
run 1 remark M1 x --db bellrope.ini
tells "bellrope.ini is no database"

# ---- with the configuration: its plans and its checklist hold, and that no daemon answered is said ----
run 0 press 'Sea star' --seat science
tells "no daemon answers; entered into $dir/dive.db itself"
printf 'taxonID\tscientificName\ttaxonRank\nx:1\tBrisinga costata\tspecies\n' >names.tsv
sed 's/^id = L001/checklist = names.tsv/' bellrope.ini >named.ini
run 0 identify S7 'brisinga  costata' --config named.ini
is "the list's spelling" "Brisinga costata|species|x:1|1" "SELECT name || '|' || rank || '|' || name_id || '|' || listed FROM identification ORDER BY seq DESC LIMIT 1"
run 0 identify S7 'Brisinga costatta' --config named.ini --db dive.db
prints "not on the checklist" "near it: Brisinga costata"
rm names.tsv
run 0 identify S8 'Brisinga costata' --config named.ini
tells "names.tsv"
is "without its list a name is as it was given" "Brisinga costata|" "SELECT name || '|' || coalesce(listed, '') FROM identification ORDER BY seq DESC LIMIT 1"
sed 's|^plan = .*science.plan|plan = none.plan|' bellrope.ini >noplan.ini
run 1 press A1 --seat science --config noplan.ini
tells "none.plan"
printf '[dive]\nid = D 1\n' >bad.ini
run 1 remark M1 x --config bad.ini --db dive.db
tells "bad.ini:2: [dive] id" "bad.ini: 1 problem; see above"

# ---- while another one writes, it is said who ----


start
run 1 remark M1 x --db dive.db
tells "process $daemon_pid"
run 0 remark M1 'through the daemon'
silent
stop

# ---- all of it is one record without a hole, and the rest of it is as it was ----
is "the journal" 0 "SELECT count(*) - max(seq) FROM journal"
is "soundness" ok "PRAGMA integrity_check"
is "refused rows" 0 "SELECT count(*) FROM refused"
is "the dive's own markers" "$made" "SELECT count(*) FROM marker_now WHERE origin = 'key'"
run 0 doctor dive.db
prints "Dive L001"
echo "$(sqlite3 -readonly dive.db "SELECT max(seq) - $before FROM journal") entries made afterwards, without a daemon"
