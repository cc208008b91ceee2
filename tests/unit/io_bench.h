/*
 * A loop to run a shell on: records what it delivers, and stops the loop at each delivery so that the test can look. The
 * loop runs until what is expected has happened; a guard timer only ever fails the test.
 */
#ifndef BELLROPE_TESTS_IO_BENCH_H
#define BELLROPE_TESTS_IO_BENCH_H

#include "io/deliver.h"
#include "io/log.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>
#include <uv.h>

#include <cmocka.h>

enum { BENCH_GUARD_MS = 30000, BENCH_SEEN_MAX = 4096, BENCH_TEXT = 192 };

struct bench_seen {
    enum input_kind kind;
    int source;
    mono_ns now;
    char text[BENCH_TEXT]; /* cut short */
};

static struct {
    uv_loop_t loop;
    uv_timer_t guard;
    char folder[64];
    int count;
    struct bench_seen seen[BENCH_SEEN_MAX];
    enum input_kind keep; /* the bytes of inputs of this kind are kept */
    size_t len;
    uint8_t bytes[1 << 20];
    void (*then)(void); /* called within each delivery */
} bench;

static inline void bench_on_guard(uv_timer_t *timer)
{
    (void)timer;
    const struct bench_seen *last = &bench.seen[bench.count > 0 ? bench.count - 1 : 0];
    fail_msg("nothing happened for %d s; %d inputs, the last of kind %d: %s", BENCH_GUARD_MS / 1000,
             bench.count, (int)last->kind, last->text);
}

static inline void bench_on_input(void *ctx, enum input_kind kind, int source, mono_ns now, const void *bytes,
                                  size_t len)
{
    (void)ctx;
    assert_true(bench.count < BENCH_SEEN_MAX);
    if (kind == bench.keep && len <= sizeof bench.bytes - bench.len) {
        memcpy(bench.bytes + bench.len, bytes, len);
        bench.len += len;
    }
    struct bench_seen *seen = &bench.seen[bench.count++];
    *seen = (struct bench_seen){.kind = kind, .source = source, .now = now};
    snprintf(seen->text, sizeof seen->text, "%.*s", (int)len, (const char *)bytes);
    if (bench.then != NULL)
        bench.then();
    uv_timer_start(&bench.guard, bench_on_guard, BENCH_GUARD_MS, 0);
    uv_stop(&bench.loop);
}

static const struct deliver bench_deliver = {bench_on_input, NULL};

static inline void bench_no_log(void *ctx, enum log_level level, const char *text)
{
    (void)ctx;
    (void)level;
    (void)text;
}

static inline int bench_set_up(void **state)
{
    (void)state;
    memset(&bench, 0, sizeof bench);
    bench.keep = INPUT_KINDS;
    strcpy(bench.folder, "/tmp/bellrope-io-XXXXXX");
    if (mkdtemp(bench.folder) == NULL || uv_loop_init(&bench.loop) != 0)
        return -1;
    log_divert(bench_no_log, NULL);
    uv_timer_init(&bench.loop, &bench.guard);
    uv_timer_start(&bench.guard, bench_on_guard, BENCH_GUARD_MS, 0);
    uv_unref((uv_handle_t *)&bench.guard);
    return 0;
}

/* Until nothing is open but the bench's own guard. */
static inline void bench_run_until_closed(void)
{
    while (uv_run(&bench.loop, UV_RUN_DEFAULT) != 0)
        ;
}

/* After the test has closed its shells. A loop that cannot be closed has a handle left. */
static inline int bench_tear_down(void **state)
{
    (void)state;
    uv_close((uv_handle_t *)&bench.guard, NULL);
    bench_run_until_closed();
    int left = uv_loop_close(&bench.loop);
    return left != 0 ? left : rmdir(bench.folder);
}

static inline void bench_turn(void)
{
    uv_run(&bench.loop, UV_RUN_NOWAIT);
}

static inline void bench_run_until_seen(int count)
{
    while (bench.count < count)
        uv_run(&bench.loop, UV_RUN_ONCE);
}

static inline void bench_run_until_bytes(size_t len)
{
    while (bench.len < len)
        uv_run(&bench.loop, UV_RUN_ONCE);
}

/* Until an input of that kind is there at or after `from`; returns its number. */
static inline int bench_run_until_kind(int from, enum input_kind kind)
{
    for (int i = from;; i++) {
        bench_run_until_seen(i + 1);
        if (bench.seen[i].kind == kind)
            return i;
    }
}

#endif
