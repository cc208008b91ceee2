/*
 * arrival: tells when something that is missing may have come: a device, a fifo, a file. The folder in which it would appear is watched
 * (inotify: made or moved there, nothing else), so that it is found as it comes and whoever waits for it can sleep. Where that folder is
 * missing too, the nearest one above it is watched.
 *
 * Whoever waits looks first, then asks for the watch, then looks again for a while (backoff.h): what came between is not missed. After that a
 * look each ARRIVAL_QUIET_MS is enough, against what no watch sees.
 */
#ifndef BELLROPE_IO_ARRIVAL_H
#define BELLROPE_IO_ARRIVAL_H

#include <stdbool.h>

#include <uv.h>

enum { ARRIVAL_QUIET_MS = 60000, ARRIVAL_NAME_SIZE = 256 };

typedef void arrival_fn(void *ctx);

struct arrival {
    uv_poll_t poll;
    int fd;                          /* -1: the system gives no watches */
    int watch;                       /* -1: none */
    char awaited[ARRIVAL_NAME_SIZE]; /* the name in the watched folder; empty: any */
    arrival_fn *fn;
    void *ctx;
};

/* `fn` is called from the loop. poll.data is the caller's, for the close. Without watches all below does nothing. */
void arrival_open(struct arrival *arrival, uv_loop_t *loop, arrival_fn *fn, void *ctx);
bool arrival_is_open(const struct arrival *arrival);

/* Watches for what has that path; a path that ends with a slash stands for anything new in that folder. False where no watch can tell, and where
 * it is there already and something else is wrong with it. */
bool arrival_watch(struct arrival *arrival, const char *path);

/* No more calls until the next arrival_watch. */
void arrival_rest(struct arrival *arrival);

/* Only where it is open; `closed` as for uv_close. */
void arrival_close(struct arrival *arrival, uv_close_cb closed);

#endif
