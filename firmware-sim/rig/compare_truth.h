/* compare_truth: the truth file read back, as `compare` needs it. */
#ifndef BELLROPE_RIG_COMPARE_TRUTH_H
#define BELLROPE_RIG_COMPARE_TRUTH_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct compare_press {
    int number;
    char pad[16], key[8];
    int64_t boot, seq, of_seq, hold_seq; /* seq 0: never seen by the firmware */
    int64_t mono_ns, utc_ns;
    bool has_timecode;
    char label[16], rate[12];
    int64_t frame;
    double within;
    double lat_deg, lon_deg, depth_m;
    bool kept, refused, gone;
    int64_t green_ns; /* contact to green; -1: not seen */
    int64_t gone_age_ns;
    int markers; /* how many the database has of it */
};

struct compare_truth {
    struct compare_press *press;
    size_t count, room, hint;
    int64_t begin_ns, end_ns; /* of the run; end INT64_MAX: the rig did not come to its end */
    int64_t phantoms;
};

/* False with a sentence on stderr. */
bool compare_truth_load(struct compare_truth *truth, const char *path);
void compare_truth_free(struct compare_truth *truth);

/* The press whose key-down or HOLD has this number; NULL: none. */
struct compare_press *compare_truth_find(struct compare_truth *truth, const char *pad, int64_t boot,
                                         int64_t seq);

#endif
