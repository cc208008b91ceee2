/* verbs: every verb of `bellrope`, one file each. */
#ifndef BELLROPE_CLI_VERBS_H
#define BELLROPE_CLI_VERBS_H

#include "cli/cli.h"

extern const struct cli_verb verb_status, verb_follow, verb_press, verb_dive, verb_sample, verb_samples,
    verb_remark, verb_strike, verb_identify, verb_seat, verb_clap, verb_markers, verb_sightings, verb_decode,
    verb_timecode, verb_export, verb_check, verb_replay, verb_clips, verb_report, verb_doctor, verb_log, verb_size;

#endif
