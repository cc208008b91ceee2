/*
 * campaign: what every fault campaign shares: its seed, its length, a folder of its own, and the table at its end.
 *
 *   BELLROPE_SEED=N   another seed        BELLROPE_LONG=1   the long version        KEEP=1   leave the folder behind
 */
#ifndef BELLROPE_TESTS_FAULT_CAMPAIGN_H
#define BELLROPE_TESTS_FAULT_CAMPAIGN_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* One line of the table. */
struct campaign_row {
    const char *fault;
    int64_t times;         /* injected */
    int64_t at_risk;       /* presses (or entries) not yet kept when it struck, summed */
    int64_t lost, doubled; /* of all that were made or acknowledged */
    double recovery_ms;    /* the worst; negative: does not apply */
};

struct campaign {
    const char *name;
    uint64_t seed;
    bool is_long;
    char folder[128];
    char command[256]; /* that repeats it */
    int failures;
    struct campaign_row row[32];
    size_t rows;
};

/* Says what begins, with which seed. `program` is argv[0]. Exits with 2 where no folder can be made. */
void campaign_begin(struct campaign *campaign, const char *name, const char *program);

/* A failure that is told and ends in a verdict of FAILED. */
void campaign_fail(struct campaign *campaign, const char *format, ...) __attribute__((format(printf, 2, 3)));

void campaign_row(struct campaign *campaign, const struct campaign_row *row);

/* Prints the table and the verdict, removes the folder unless something failed; the exit code. Rows with losses or doubles fail. */
int campaign_end(struct campaign *campaign);

/* SplitMix64, as the rig has it. [lo, hi] */
uint64_t campaign_random(uint64_t *state);
int64_t campaign_range(uint64_t *state, int64_t lo, int64_t hi);

/* CLOCK_BOOTTIME */
int64_t campaign_clock_ns(void);

/* part 0.5: the median; sorts. 0 of nothing. */
double campaign_quantile(double *values, size_t count, double part);

/* Reads a whole text file and puts `to` in the place of each `from` (pairs, ended by NULL); to be freed; NULL: not read. */
char *campaign_fill(const char *path, const char *const *pairs);
bool campaign_write(const char *path, const char *text);

/* rm -r */
void campaign_remove(const char *folder);

#endif
