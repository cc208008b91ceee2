#include "store/series.h"

#include <stdio.h>
#include <string.h>

/* FNV-1a, 32 bits: http://www.isthe.com/chongo/tech/comp/fnv/ */
static uint32_t hash(uint32_t seed, const char *text)
{
    for (; *text != '\0'; text++)
        seed = (seed ^ (unsigned char)*text) * 16777619u;
    return seed;
}

int series_number(struct series_table *table, const char *channel, const char *feed)
{
    uint32_t at = hash(hash(2166136261u, channel), feed) % SERIES_SLOTS;
    for (; table->slot[at] != 0; at = (at + 1) % SERIES_SLOTS) {
        const struct series_name *name = &table->name[table->slot[at] - 1];
        if (strcmp(name->channel, channel) == 0 && strcmp(name->feed, feed) == 0)
            return table->slot[at] - 1;
    }
    if (table->count == SERIES_MAX || strlen(channel) >= CHANNEL_NAME_SIZE || strlen(feed) >= SOURCE_SIZE)
        return -1;
    struct series_name *name = &table->name[table->count++];
    snprintf(name->channel, sizeof name->channel, "%s", channel);
    snprintf(name->feed, sizeof name->feed, "%s", feed);
    table->slot[at] = (uint16_t)table->count;
    return (int)table->count - 1;
}
