/* live_feeds: a ship's bridge and a vehicle over UDP, 10 times a second each, 14 channels in all. */
#ifndef TESTS_BENCH_LIVE_FEEDS_H
#define TESTS_BENCH_LIVE_FEEDS_H

#include <netinet/in.h>
#include <stddef.h>
#include <stdint.h>

enum { LIVE_FEEDS = 2 };

struct live_feeds {
    int fd;
    struct sockaddr_in to[LIVE_FEEDS];
    int64_t next_ns;
    int64_t count;
};

/* Takes two ports, and writes the sections of the configuration that listen there. */
void live_feeds_open(struct live_feeds *feeds, char *sections, size_t size);

/* Sends what is due. Returns ns until it has to be called again. */
int64_t live_feeds_run(struct live_feeds *feeds, int64_t now_ns);

#endif
