/*
 * series: short numbers for (channel, feed) pairs, so that a waiting sample takes 32 bytes. The loop thread adds names, the writer reads
 * them; a number reaches the writer through the queue and its lock, and a name never changes. Full at SERIES_MAX: what is beyond is shed.
 */
#ifndef BELLROPE_STORE_SERIES_H
#define BELLROPE_STORE_SERIES_H

#include "core/entry.h"

enum { SERIES_MAX = 256, SERIES_SLOTS = 512 };

struct series_name {
    char channel[CHANNEL_NAME_SIZE];
    char feed[SOURCE_SIZE];
};

/* Zeroed: empty. */
struct series_table {
    struct series_name name[SERIES_MAX];
    uint32_t count;
    uint16_t slot[SERIES_SLOTS]; /* open addressing: number + 1; 0: free */
};

/* The number of the pair, which is added where it is new; -1: full. */
int series_number(struct series_table *table, const char *channel, const char *feed);

#endif
