#include "core/container.h"

#include "core/sighting.h"

#include <string.h>

static void insert_in_order(uint32_t *numbers, uint32_t *count, uint32_t max, uint32_t number)
{
    uint32_t place = *count;
    while (place > 0 && numbers[place - 1] > number)
        place--;
    if (place >= max)
        return;
    uint32_t tail = *count - place;
    if (*count == max)
        tail--;
    else
        ++*count;
    memmove(&numbers[place + 1], &numbers[place], tail * sizeof numbers[0]);
    numbers[place] = number;
}

uint32_t container_contents(const struct watchfold *fold, const char *container, uint32_t *numbers,
                            uint32_t max)
{
    uint32_t held = 0, listed = 0;
    for (uint32_t i = 0; i < fold->count; i++) {
        const struct watch_entry *entry = &fold->entry[i];
        if (entry->fact.kind != KEY_KIND_SAMPLE || entry->object == 0 || fold->out[i].struck ||
            watchfold_outside(fold, i) || strcmp(entry->fact.container, container) != 0)
            continue;
        held++;
        if (max > 0)
            insert_in_order(numbers, &listed, max, entry->object);
    }
    return held;
}

void container_decide(struct watchfold *fold, uint32_t at)
{
    struct watch_entry *entry = &fold->entry[at];
    const struct watch_fact *fact = &entry->fact;
    entry->decided = true;
    if (fact->container[0] != '\0' && fact->capacity > 0 &&
        container_contents(fold, fact->container, NULL, 0) >= fact->capacity)
        entry->announce = true;
    else
        entry->object = ++fold->last_sample;
}

void container_sample(struct watchfold *fold, uint32_t at)
{
    struct watch_outcome *out = &fold->out[at];
    const struct watch_entry *entry = &fold->entry[at];
    if (entry->object == 0) {
        out->note = WATCH_NOTE_REFUSED;
        return;
    }
    watchfold_open(fold, at, WATCH_OPENS_SAMPLE, &fold->last_sample);
    out->object = entry->object;
    out->gear = fold->gear == WATCHFOLD_NONE ? 0 : fold->entry[fold->gear].fact.marker;
    watchfold_close(fold, at, WATCH_CLOSE_NONE, 0, entry->fact.at);
    sighting_mention(fold, at);
}
