/*
 * matrix: four columns on PD4-PD7, four rows on PC0-PC3.
 *
 * Between scans all columns are driven, so that any key that closes pulls its row low, and the pin-change interrupt stamps it. A scan
 * drives one column at a time with that interrupt off; after the last column the latch is armed again, and what closed in between is
 * stamped then: AVR_TOUCH_US has room for a scan.
 */
#include "avr.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>
#include <util/delay.h>

#define COLUMNS 0xF0u
#define ROWS 0x0Fu
/* Pull-up of up to 50 kilo-ohm against 50 pF of wire and pin: 2.5 us; four times that leaves 2 %. */
#define SETTLE_US 10

static volatile bool latched;
static volatile bool moved;
static struct avr_instant latch;

void matrix_init(void)
{
    PORTD &= (uint8_t)~COLUMNS;
    DDRD |= COLUMNS;
    ACSR = _BV(ACD); /* the analogue comparator is on columns 3 and 4, and not needed */
    DDRC &= (uint8_t)~ROWS;
    PORTC |= ROWS;
    _delay_us(SETTLE_US);
    PCIFR = _BV(PCIF1);
    PCMSK1 = ROWS;
    PCICR = _BV(PCIE1);
}

static void note_touch(void)
{
    if (!latched && (PINC & ROWS) != ROWS) {
        latch = tick_note();
        latched = true;
    }
}

ISR(PCINT1_vect)
{
    moved = true;
    note_touch();
}

/* Whatever closed while the scan was looking elsewhere is touched now. */
static void arm(void)
{
    DDRD |= COLUMNS;
    _delay_us(1);
    PCIFR = _BV(PCIF1);
    PCMSK1 = ROWS;
    moved = false;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        note_touch();
    }
}

uint8_t matrix_read_column(void *ctx, uint8_t column)
{
    (void)ctx;
    PCMSK1 = 0;
    DDRD = (uint8_t)((DDRD & ~COLUMNS) | _BV(4 + column));
    _delay_us(SETTLE_US);
    uint8_t closed = (uint8_t)~PINC & ROWS;
    if (column == 3) {
        arm();
    }
    return closed;
}

bool matrix_touched(void *ctx, uint64_t *tick_us)
{
    struct avr_instant instant;
    bool touched;
    (void)ctx;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        touched = latched || (PINC & ROWS) != ROWS;
        instant = latched ? latch : tick_note();
        latched = false;
    }
    if (touched) {
        *tick_us = tick_of(instant);
    }
    return touched;
}

bool matrix_moved(void *ctx)
{
    (void)ctx;
    return moved;
}
