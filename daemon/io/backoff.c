#include "io/backoff.h"

uint32_t backoff_next_ms(struct backoff *backoff)
{
    uint32_t wait_ms = backoff->next_ms == 0 ? backoff->first_ms : backoff->next_ms;
    backoff->next_ms = wait_ms > backoff->last_ms / 2 ? backoff->last_ms : wait_ms * 2;
    return wait_ms;
}

void backoff_reset(struct backoff *backoff)
{
    backoff->next_ms = 0;
}
