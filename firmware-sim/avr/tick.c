/*
 * tick: timer 1 runs at 2 MHz. At each overflow 32,768 us go to a count of 48 bits; half of the timer's own count comes on top.
 *
 * The count is kept in two parts and joined through memory: a shift of 64 bits is a loop on this part.
 */
#include "avr.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

enum { OVERFLOW_US = 32768 };

static volatile uint32_t low_us;
static volatile uint16_t high;

void tick_init(void)
{
    TCCR1A = 0;
    TCCR1B = _BV(CS11); /* 16 MHz / 8 */
    OCR1A = 2 * AVR_TURN_US;
    TIMSK1 = _BV(TOIE1) | _BV(OCIE1A);
}

ISR(TIMER1_OVF_vect)
{
    uint32_t before = low_us;
    low_us = before + OVERFLOW_US;
    if (low_us < before) {
        high++;
    }
}

/* Wakes the loop; a turn is due. */
ISR(TIMER1_COMPA_vect)
{
    OCR1A += 2 * AVR_TURN_US;
}

struct avr_instant tick_note(void)
{
    struct avr_instant instant = {.low_us = low_us, .high = high};
    uint16_t count = TCNT1;
    /* An overflow that has not been served yet: the count tells on which side of it we are. */
    bool overflowed = (TIFR1 & _BV(TOV1)) != 0 && count < 0x8000;
    uint32_t since = (count >> 1) + (overflowed ? (uint32_t)OVERFLOW_US : 0);

    instant.low_us += since;
    if (instant.low_us < since) {
        instant.high++;
    }
    return instant;
}

uint64_t tick_of(struct avr_instant instant)
{
    union {
        uint64_t tick_us;
        struct {
            uint32_t low_us;
            uint16_t high;
            uint16_t none;
        } part;
    } both = {.part = {.low_us = instant.low_us, .high = instant.high}};
    return both.tick_us;
}

uint64_t tick_now(void)
{
    struct avr_instant instant;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        instant = tick_note();
    }
    return tick_of(instant);
}
