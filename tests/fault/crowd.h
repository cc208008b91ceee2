/*
 * crowd: two hundred peers of the socket who mean no good, in a process of their own: a fifth each stalls, sends garbage, leaves half a line and closes
 * its side, reads slowly, and connects and leaves in a storm.
 */
#ifndef BELLROPE_TESTS_FAULT_CROWD_H
#define BELLROPE_TESTS_FAULT_CROWD_H

#include <stdbool.h>
#include <stdint.h>

enum crowd_kind { CROWD_STALL, CROWD_GARBAGE, CROWD_HALF, CROWD_SLOW, CROWD_STORM, CROWD_KINDS };
const char *crowd_kind_name(enum crowd_kind kind);

struct crowd;

/* Nobody comes yet. */
struct crowd *crowd_new(const char *socket, int peers, uint64_t seed);
void crowd_come(struct crowd *crowd, bool come);
/* How often peers of that kind have connected, bytes they sent and took. */
struct crowd_count {
    int64_t connected[CROWD_KINDS];
    int64_t sent, taken;
};
void crowd_count(const struct crowd *crowd, struct crowd_count *out);
/* Ends the process. */
void crowd_free(struct crowd *crowd);

#endif
