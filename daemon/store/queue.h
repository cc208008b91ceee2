/*
 * queue: what waits between the loop thread and the writer. Each kind has two buffers: the loop thread fills one while the writer empties
 * the other, and they are swapped when the writer's is empty. Nothing here locks; store.c does.
 *
 * An entry is copied as far as it carries anything (entry_size()), followed by its event's bytes; both are aligned to 16.
 */
#ifndef BELLROPE_STORE_QUEUE_H
#define BELLROPE_STORE_QUEUE_H

#include "core/engine.h"
#include "core/entry.h"

struct entry_queue {
    unsigned char *bytes;
    size_t len, size;
    size_t at; /* read up to here */
    size_t count;
};

struct queued_entry {
    const struct entry *entry;
    const char *event;
    size_t event_len;
};

bool entry_queue_push(struct entry_queue *queue, const struct entry *entry, const char *event, size_t len);
/* The entry at offset *at, which is moved behind it; false at the end. */
bool entry_queue_next(const struct entry_queue *queue, size_t *at, struct queued_entry *out);
/* Empties it, and gives back what a burst made it take beyond 64 kB. */
void entry_queue_clear(struct entry_queue *queue);
void entry_queue_free(struct entry_queue *queue);

struct queued_sample {
    uint32_t series; /* index in the series table */
    bool has_utc;
    mono_ns at;
    utc_ns utc;
    double value;
};

struct sample_queue {
    struct queued_sample *of;
    size_t count, size;
    size_t at;
};
bool sample_queue_push(struct sample_queue *queue, const struct queued_sample *sample);

#define CLOCK_NAME_SIZE 48
struct queued_observation {
    char clock[CLOCK_NAME_SIZE];
    int64_t a, lo, hi;
};

struct observation_queue {
    struct queued_observation *of;
    size_t count, size;
    size_t at;
};
bool observation_queue_push(struct observation_queue *queue, const struct engine_observation *observation);

#endif
