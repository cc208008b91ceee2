/*
 * since: ages on the low 32 bits of ticks. True for ages of up to 35 minutes; an instant ahead of `now` is not past. What is asked about
 * something that can be older must be latched when it first comes true.
 */
#ifndef PAD_SINCE_H
#define PAD_SINCE_H

#include <stdbool.h>
#include <stdint.h>

static inline bool since(uint32_t now, uint32_t then, uint32_t us)
{
    return (int32_t)(now - then) >= (int32_t)us;
}

#endif
