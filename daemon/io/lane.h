/*
 * lane: work on libuv's threads, one job after another. Jobs of one lane never overlap, so what they use (a reader of the
 * database) needs no lock; two lanes run beside each other.
 */
#ifndef BELLROPE_IO_LANE_H
#define BELLROPE_IO_LANE_H

#include <stdatomic.h>
#include <stdbool.h>
#include <uv.h>

struct lane;

/* First member of a job's own struct. `run` is called on a worker thread unless the lane was stopped before; `done` always,
 * on the loop's thread, and owns the job from then on. */
struct lane_job {
    void (*run)(struct lane_job *job);
    void (*done)(struct lane_job *job, bool has_run);
    struct lane *lane;
    struct lane_job *next;
};

struct lane {
    uv_loop_t *loop;
    uv_work_t work;
    struct lane_job *first, *last; /* the first is running, where `busy` */
    bool busy;
    atomic_bool stopping; /* a long job looks at it now and then */
};

void lane_init(struct lane *lane, uv_loop_t *loop);
void lane_submit(struct lane *lane, struct lane_job *job);
/* Queued jobs are given back unrun; the running one comes back when it ends. The lane must stay until it is idle. */
void lane_stop(struct lane *lane);
bool lane_is_idle(const struct lane *lane);

#endif
