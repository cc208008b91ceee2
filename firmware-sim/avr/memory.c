/* memory: the part's EEPROM, 1,024 bytes, 3.4 ms a byte, 100,000 writes a byte (ATmega328P data sheet). */
#include "avr.h"

#include <avr/io.h>
#include <util/atomic.h>

bool memory_ready(void *ctx)
{
    (void)ctx;
    return (EECR & _BV(EEPE)) == 0;
}

uint8_t memory_read(void *ctx, uint16_t address)
{
    (void)ctx;
    EEAR = address;
    EECR |= _BV(EERE);
    return EEDR;
}

void memory_write(void *ctx, uint16_t address, uint8_t byte)
{
    (void)ctx;
    EEAR = address;
    EEDR = byte;
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        /* The second within four cycles of the first, or the part does nothing: protection against stray writes. */
        EECR = _BV(EEMPE);
        EECR |= _BV(EEPE);
    }
}
