#include "io/rate.h"

#define PERMIT INT64_C(1000000000)

void rate_start(struct rate *rate, unsigned per_s, int64_t now_ns)
{
    *rate = (struct rate){.per_s = per_s, .credit = (int64_t)per_s * PERMIT, .at_ns = now_ns};
}

int64_t rate_take(struct rate *rate, int64_t now_ns)
{
    if (rate->per_s == 0)
        return 0;
    int64_t most = (int64_t)rate->per_s * PERMIT;
    int64_t passed = now_ns - rate->at_ns;
    rate->at_ns = now_ns;
    /* a permit is a billion units, so that many nanoseconds times per_s are units */
    if (passed >= PERMIT)
        rate->credit = most;
    else if (passed > 0)
        rate->credit += passed * (int64_t)rate->per_s;
    if (rate->credit > most)
        rate->credit = most;
    if (rate->credit < PERMIT)
        return (PERMIT - rate->credit + (int64_t)rate->per_s - 1) / (int64_t)rate->per_s;
    rate->credit -= PERMIT;
    return 0;
}
