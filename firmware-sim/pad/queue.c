/* queue: see queue.h. */
#include "queue.h"

#include "since.h"

void queue_init(struct queue_state *queue)
{
    queue->count = 0;
    queue->away = 0;
    queue->front = 0;
    queue->offered = 0;
    queue->round = 0;
    queue->retry_us = QUEUE_RETRY_US;
}

bool queue_push(struct queue_state *queue, const struct queue_press *press)
{
    if (queue->count >= PAD_QUEUE) {
        return false;
    }
    queue->press[queue->count++] = *press;
    if (queue->away == 0) {
        queue->front = queue->count;
    }
    return true;
}

static bool older(const struct queue_press *a, const struct queue_press *b)
{
    return a->boot != b->boot ? a->boot < b->boot : a->seq < b->seq;
}

bool queue_recover(struct queue_state *queue, const struct queue_press *press)
{
    if (queue->count >= PAD_QUEUE) {
        return false;
    }
    uint8_t at = queue->count++;
    for (; at > 0 && older(press, &queue->press[at - 1]); at--) {
        queue->press[at] = queue->press[at - 1];
    }
    queue->press[at] = *press;
    queue->away--;
    queue->front = queue->away == 0 ? queue->count : (uint8_t)(queue->front + 1);
    return true;
}

const struct queue_press *queue_offer(struct queue_state *queue, uint32_t now)
{
    if (queue->offered > 0 && since(now, queue->round, queue->retry_us)) {
        queue->offered = 0;
        queue->retry_us = queue->retry_us * 2 < QUEUE_RETRY_MAX_US ? queue->retry_us * 2 : QUEUE_RETRY_MAX_US;
    }
    if (queue->offered >= queue->front || queue->offered >= QUEUE_WINDOW) {
        return 0;
    }
    struct queue_press *press = &queue->press[queue->offered++];
    if (press->offers < 255) {
        press->offers++;
    }
    queue->round = now;
    return press;
}

void queue_restart(struct queue_state *queue)
{
    queue->offered = 0;
    queue->retry_us = QUEUE_RETRY_US;
}

static void take_out(struct queue_state *queue, uint8_t at)
{
    if (at < queue->offered) {
        queue->offered--;
    }
    if (at < queue->front) {
        queue->front--;
    }
    queue->count--;
    for (; at < queue->count; at++) {
        queue->press[at] = queue->press[at + 1];
    }
}

bool queue_let_go(struct queue_state *queue, uint8_t *slot)
{
    uint8_t stay = queue->offered > 0 ? queue->offered : 1;
    for (uint8_t at = queue->count; at > stay; at--) {
        if (queue->press[at - 1].slot != QUEUE_NO_SLOT) {
            *slot = queue->press[at - 1].slot;
            take_out(queue, (uint8_t)(at - 1));
            queue->away++;
            queue->front = queue->front < at ? queue->front : (uint8_t)(at - 1);
            return true;
        }
    }
    return false;
}

bool queue_remove(struct queue_state *queue, uint32_t boot, uint32_t seq, uint32_t now, uint8_t *slot)
{
    uint8_t at = 0;
    while (at < queue->count && (queue->press[at].boot != boot || queue->press[at].seq != seq)) {
        at++;
    }
    if (at == queue->count) {
        return false;
    }
    *slot = queue->press[at].slot;
    take_out(queue, at);
    queue->round = now;
    queue->retry_us = QUEUE_RETRY_US;
    return true;
}
