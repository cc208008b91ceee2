/*
 * spool: what is made now and belongs further down in the file. It waits in memory as long as that has room for it, beyond in a temporary file
 * of $TMPDIR, so that memory does not grow with it.
 */
#ifndef BELLROPE_EXPORT_SPOOL_H
#define BELLROPE_EXPORT_SPOOL_H

#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>

#define SPOOL_BYTES 65536

/* Zeroed: empty. */
struct spool {
    bool has_file;
    int fd;
    int64_t filed; /* bytes in the file */
    size_t used;   /* bytes behind them, here */
    int error;     /* errno of what failed */
    char bytes[SPOOL_BYTES];
};

/* Nothing is said of a failure: spool_pour() knows. */
void spool_put(struct spool *spool, const char *bytes, size_t len);
bool spool_empty(const struct spool *spool);

/* Copies what was put since the last pour to `out`, and begins anew. 0, or -1 with errno: not all of it is there. */
int spool_pour(struct spool *spool, FILE *out);
void spool_close(struct spool *spool);

/* A temporary file alone, gone when it is closed; -1 or NULL with errno. */
int spool_file(void);
FILE *spool_open(void); /* to be written and read */

#endif
