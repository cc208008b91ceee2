/*
 * progress: how far long work is, and how long it will take, on one line of a terminal that is drawn over itself. Where stderr is no terminal
 * nothing is drawn.
 */
#ifndef BELLROPE_CLI_PROGRESS_H
#define BELLROPE_CLI_PROGRESS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

struct progress {
    bool drawn, shown; /* on a terminal; something stands on the line */
    int64_t begun_ns, last_ns;
};

#define PROGRESS_LINE 200
/* The line for `done` of `total` after `taken_ns`, of which `skipped` took no time. Pure; at most `width` places. */
void progress_line(char out[PROGRESS_LINE], int64_t done, int64_t total, int64_t skipped, int64_t taken_ns,
                   const char *what, size_t width);

void progress_begin(struct progress *progress);
void progress_show(struct progress *progress, int64_t done, int64_t total, int64_t skipped, const char *what);
/* Takes the line away. */
void progress_end(struct progress *progress);

#endif
