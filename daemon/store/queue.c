#include "store/queue.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

enum { ALIGNMENT = 16, KEPT_BYTES = 64 << 10 };

struct head {
    size_t entry_len, event_len;
};
_Static_assert(sizeof(struct head) % ALIGNMENT == 0, "entries behind a head must be aligned");

static size_t aligned(size_t len)
{
    return (len + ALIGNMENT - 1) / ALIGNMENT * ALIGNMENT;
}

/* Room for `more` beyond `used` items; grows by half at least. */
static bool make_room(void **of, size_t *size, size_t used, size_t more, size_t item)
{
    if (used + more <= *size)
        return true;
    size_t wanted = used + more > *size + *size / 2 ? used + more : *size + *size / 2;
    void *grown = realloc(*of, wanted * item);
    if (grown == NULL)
        return false;
    *of = grown;
    *size = wanted;
    return true;
}

bool entry_queue_push(struct entry_queue *queue, const struct entry *entry, const char *event, size_t len)
{
    struct head head = {entry_size(entry), len};
    size_t total = sizeof head + aligned(head.entry_len) + aligned(len);
    void *bytes = queue->bytes;
    bool fits = make_room(&bytes, &queue->size, queue->len, total < 4096 ? 4096 : total, 1);
    queue->bytes = bytes;
    if (!fits)
        return false;
    unsigned char *at = queue->bytes + queue->len;
    memcpy(at, &head, sizeof head);
    memcpy(at + sizeof head, entry, head.entry_len);
    memcpy(at + sizeof head + aligned(head.entry_len), event, len);
    queue->len += total;
    queue->count++;
    return true;
}

bool entry_queue_next(const struct entry_queue *queue, size_t *at, struct queued_entry *out)
{
    if (*at >= queue->len)
        return false;
    struct head head;
    const unsigned char *bytes = queue->bytes + *at;
    memcpy(&head, bytes, sizeof head);
    out->entry = (const void *)(bytes + sizeof head);
    out->event = (const char *)(bytes + sizeof head + aligned(head.entry_len));
    out->event_len = head.event_len;
    *at += sizeof head + aligned(head.entry_len) + aligned(head.event_len);
    return true;
}

void entry_queue_clear(struct entry_queue *queue)
{
    if (queue->size > KEPT_BYTES)
        entry_queue_free(queue);
    queue->len = 0;
    queue->at = 0;
    queue->count = 0;
}

void entry_queue_free(struct entry_queue *queue)
{
    free(queue->bytes);
    *queue = (struct entry_queue){0};
}

bool sample_queue_push(struct sample_queue *queue, const struct queued_sample *sample)
{
    void *of = queue->of;
    bool fits = make_room(&of, &queue->size, queue->count, queue->count == 0 ? 256 : 1, sizeof *sample);
    queue->of = of;
    if (fits)
        queue->of[queue->count++] = *sample;
    return fits;
}

bool observation_queue_push(struct observation_queue *queue, const struct engine_observation *observation)
{
    void *of = queue->of;
    bool fits = make_room(&of, &queue->size, queue->count, queue->count == 0 ? 64 : 1, sizeof *queue->of);
    queue->of = of;
    if (!fits)
        return false;
    struct queued_observation *kept = &queue->of[queue->count++];
    snprintf(kept->clock, sizeof kept->clock, "%s", observation->clock);
    kept->a = observation->a;
    kept->lo = observation->lo;
    kept->hi = observation->hi;
    return true;
}
