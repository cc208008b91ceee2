/*
 * live_crowd: many subscribers held by one process that only counts the bytes it gets. One crowd has an epoll of its own, so crowds that wait
 * cost nothing.
 */
#ifndef TESTS_BENCH_LIVE_CROWD_H
#define TESTS_BENCH_LIVE_CROWD_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

enum { LIVE_CROWD_MAX = 2000 };

struct live_crowd {
    int epoll;
    int count;
    int fd[LIVE_CROWD_MAX];
    uint64_t got; /* bytes, of all since the last look at it */
    /* written along while waiting; fd -1: none */
    int out_fd;
    const char *out;
    size_t out_left;
};

void live_crowd_open(struct live_crowd *crowd);
void live_crowd_close(struct live_crowd *crowd);

/* One connection more: says `hello` and waits until `answer_bytes` have come back, or a whole line where that is 0. */
void live_crowd_join(struct live_crowd *crowd, int fd, const char *hello, size_t hello_len,
                     size_t answer_bytes);

/* Raises the limit of open files as far as it goes; ends the bench where that is less than `wanted`. */
void live_crowd_descriptors(size_t wanted);

/* A connection to 127.0.0.1. */
int live_crowd_tcp(int port);

/* Takes what comes until `bytes` have come in all; false where nothing more comes for 5 s. */
bool live_crowd_await(struct live_crowd *crowd, uint64_t bytes);

/* A child that holds so many subscribers of a daemon, half of them over TCP (0: all over the unix socket), and takes all they get. */
int live_crowd_child(const char *path, int tcp_port, int count);

#endif
