#include "cli/verbs.h"

const struct cli_verb *const cli_verbs[] = {
    &verb_status,    &verb_follow,     &verb_press,    &verb_seat,     &verb_dive,  &verb_sample,
    &verb_samples,   &verb_remark,     &verb_strike,   &verb_identify, &verb_clap,  &verb_markers,
    &verb_sightings, &verb_decode,     &verb_timecode, &verb_export,   &verb_check, &verb_replay,
    &verb_clips,     &verb_report,     &verb_doctor,   &verb_log,      &verb_size,  &verb_retime,
    &verb_keys,      &verb_completion, &verb_manpage,
};
const size_t cli_verb_count = sizeof cli_verbs / sizeof cli_verbs[0];
