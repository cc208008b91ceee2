/*
 * feed_kinds: the inputs behind feed.h, one file each. All share feed.h's promises; `name` is "feed NAME" for the log.
 */
#ifndef BELLROPE_IO_FEED_KINDS_H
#define BELLROPE_IO_FEED_KINDS_H

#include "io/config.h"
#include "io/deliver.h"

#include <uv.h>

struct feed_plan {
    const char *name;                 /* copied */
    const struct config_feed *config; /* copied */
    int source;
    struct deliver deliver;
};

struct feed_udp;
struct feed_udp *feed_udp_new(uv_loop_t *loop, const struct feed_plan *plan);
void feed_udp_close(struct feed_udp *feed);

struct feed_tcp;
struct feed_tcp *feed_tcp_new(uv_loop_t *loop, const struct feed_plan *plan);
void feed_tcp_close(struct feed_tcp *feed);

/* Regular files. */
struct feed_file;
struct feed_file *feed_file_new(uv_loop_t *loop, const struct feed_plan *plan);
void feed_file_close(struct feed_file *feed);

#endif
