/*
 * live_daemon: a folder of its own for a bench of the live path, and bellroped as a child in it. Whatever fails here ends the bench with a
 * word on stderr: a bench without its daemon has nothing to say.
 */
#ifndef TESTS_BENCH_LIVE_DAEMON_H
#define TESTS_BENCH_LIVE_DAEMON_H

#include <stddef.h>
#include <stdint.h>
#include <sys/types.h>

struct live_daemon {
    char folder[128];
    char database[160], socket[160], config[160];
    pid_t pid; /* 0: none */
};

/* Ends the bench. */
void live_fail(const char *format, ...) __attribute__((format(printf, 1, 2), noreturn));

/* Makes the folder; it is removed at exit. */
void live_folder(struct live_daemon *daemon);

/* Writes the configuration: dive, store, time of day, socket, and `more` (sections of pads and feeds; may be ""). */
void live_configure(struct live_daemon *daemon, const char *more);

/* Starts it and waits until its socket answers. Returns the seconds from fork to the answer. */
double live_start(struct live_daemon *daemon);
void live_stop(struct live_daemon *daemon);

/* Seconds of processor that a process has taken so far, all its threads. */
double live_cpu_s(pid_t pid);

/* The folder of the key plans, and a free UDP port of 127.0.0.1. */
const char *live_plans(void);
int live_udp_port(void);

/* A connection to the socket; one question and its answer's length (the answer is in `answer`, a NUL behind it). */
int live_connect(const char *path);
size_t live_ask(int fd, const char *question, char *answer, size_t size);

/* Ends the open dive and begins dive number `number`. */
void live_new_dive(const struct live_daemon *daemon, int number);

/* One integer of the database, read beside the daemon. */
int64_t live_int(const struct live_daemon *daemon, const char *sql);

#endif
