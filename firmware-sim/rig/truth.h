/*
 * truth: the file that says what really happened, one JSON object a line (RFC 8259), flushed line by line so that others may
 * follow it. docs/rig.md lists the lines and their members.
 */
#ifndef BELLROPE_RIG_TRUTH_H
#define BELLROPE_RIG_TRUTH_H

#include "rig.h"

#include <stdio.h>

struct truth {
    FILE *file; /* NULL: nothing is written */
    const struct script *script;
    bool failed; /* a line could not be written */
};

/* False with errno where the file cannot be made. */
bool truth_open(struct truth *truth, const char *path, const struct script *script);
void truth_begin(struct truth *truth, int64_t now_ns, int64_t utc_ns);
void truth_press(struct truth *truth, int64_t at_ns, const struct rig_press *press, enum rig_news news);
void truth_event(struct truth *truth, int64_t at_ns, const char *what, int pad, uint32_t boot,
                 const char *text);
/* One line a pad and one for all: what rig_count() says; `late_ns` is the longest the rig itself came late. */
void truth_end(struct truth *truth, const struct rig *rig, int64_t now_ns, int64_t late_ns);
/* False where any line was not written. */
bool truth_close(struct truth *truth);

#endif
