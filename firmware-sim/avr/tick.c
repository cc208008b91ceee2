/* tick: timer 1 runs at 2 MHz; its overflows are counted. 48 bits of microseconds. */
#include "avr.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

static volatile uint32_t overflows;

void tick_init(void)
{
    TCCR1A = 0;
    TCCR1B = _BV(CS11); /* 16 MHz / 8 */
    OCR1A = 2 * AVR_TURN_US;
    TIMSK1 = _BV(TOIE1) | _BV(OCIE1A);
}

ISR(TIMER1_OVF_vect)
{
    overflows++;
}

/* Wakes the loop; a turn is due. */
ISR(TIMER1_COMPA_vect)
{
    OCR1A += 2 * AVR_TURN_US;
}

struct avr_instant tick_note(void)
{
    struct avr_instant instant = {.overflows = overflows, .count = TCNT1};
    /* An overflow that has not been served yet: the count tells on which side of it we are. */
    if ((TIFR1 & _BV(TOV1)) != 0 && instant.count < 0x8000) {
        instant.overflows++;
    }
    return instant;
}

uint64_t tick_of(struct avr_instant instant)
{
    return (uint64_t)instant.overflows << 15 | instant.count >> 1;
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
