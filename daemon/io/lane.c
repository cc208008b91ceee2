#include "io/lane.h"

static void work(uv_work_t *request)
{
    struct lane *lane = request->data;
    lane->first->run(lane->first);
}

static void start_next(struct lane *lane);

static struct lane_job *take_first(struct lane *lane)
{
    struct lane_job *job = lane->first;
    lane->first = job->next;
    if (lane->first == NULL)
        lane->last = NULL;
    return job;
}

static void after_work(uv_work_t *request, int status)
{
    struct lane *lane = request->data;
    struct lane_job *job = take_first(lane);
    lane->busy = false;
    if (lane->first != NULL)
        start_next(lane);
    job->done(job, status == 0);
}

static void start_next(struct lane *lane)
{
    lane->work.data = lane;
    lane->busy = true;
    /* fails only for a NULL callback */
    uv_queue_work(lane->loop, &lane->work, work, after_work);
}

void lane_init(struct lane *lane, uv_loop_t *loop)
{
    *lane = (struct lane){.loop = loop};
    atomic_init(&lane->stopping, false);
}

void lane_submit(struct lane *lane, struct lane_job *job)
{
    job->lane = lane;
    job->next = NULL;
    if (atomic_load(&lane->stopping)) {
        job->done(job, false);
        return;
    }
    if (lane->last != NULL)
        lane->last->next = job;
    else
        lane->first = job;
    lane->last = job;
    if (!lane->busy)
        start_next(lane);
}

void lane_stop(struct lane *lane)
{
    atomic_store(&lane->stopping, true);
    struct lane_job *waiting = lane->first;
    if (lane->busy) {
        waiting = lane->first->next;
        lane->first->next = NULL;
        lane->last = lane->first;
    } else {
        lane->first = lane->last = NULL;
    }
    while (waiting != NULL) {
        struct lane_job *job = waiting;
        waiting = job->next;
        job->done(job, false);
    }
}

bool lane_is_idle(const struct lane *lane)
{
    return !lane->busy;
}
