/*
 * calls: commands that were handed to the engine and wait for its reply, by token. A fixed number of places; a token is
 * used once, so a reply that comes twice or too late finds nothing.
 */
#ifndef BELLROPE_IO_CALLS_H
#define BELLROPE_IO_CALLS_H

#include "io/answer.h"

#include <stdint.h>

#define CALLS_MAX 4096

struct call_place {
    struct answer answer;
    int64_t token; /* 0: free */
    uint16_t next_free;
};

struct calls {
    struct call_place *place;
    uint16_t free;
    int64_t turn;
};

bool calls_init(struct calls *calls);
void calls_free(struct calls *calls); /* drops every answer */
/* The token the next calls_add() will give; 0: all places are taken. */
int64_t calls_next_token(const struct calls *calls);
void calls_add(struct calls *calls, struct answer answer);
/* Takes the answer out; false: no such token waits. */
bool calls_take(struct calls *calls, int64_t token, struct answer *out);

#endif
