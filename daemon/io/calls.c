#include "io/calls.h"

#include <stdlib.h>

#define NONE CALLS_MAX

bool calls_init(struct calls *calls)
{
    *calls = (struct calls){.place = calloc(CALLS_MAX, sizeof(struct call_place)), .turn = 1};
    if (calls->place == NULL)
        return false;
    for (uint16_t i = 0; i < CALLS_MAX; i++)
        calls->place[i].next_free = (uint16_t)(i + 1);
    return true;
}

void calls_free(struct calls *calls)
{
    for (size_t i = 0; calls->place != NULL && i < CALLS_MAX; i++)
        if (calls->place[i].token != 0)
            answer_drop(&calls->place[i].answer);
    free(calls->place);
    *calls = (struct calls){0};
}

int64_t calls_next_token(const struct calls *calls)
{
    return calls->free == NONE ? 0 : calls->turn * CALLS_MAX + calls->free;
}

void calls_add(struct calls *calls, struct answer answer)
{
    struct call_place *place = &calls->place[calls->free];
    place->token = calls_next_token(calls);
    place->answer = answer;
    calls->free = place->next_free;
    calls->turn++;
}

bool calls_take(struct calls *calls, int64_t token, struct answer *out)
{
    if (token <= 0 || calls->place == NULL)
        return false;
    uint16_t at = (uint16_t)((uint64_t)token % CALLS_MAX);
    struct call_place *place = &calls->place[at];
    if (place->token != token)
        return false;
    *out = place->answer;
    place->answer = (struct answer){0};
    place->token = 0;
    place->next_free = calls->free;
    calls->free = at;
    return true;
}
