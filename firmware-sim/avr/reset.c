/* reset: why this boot began, and a number that no other boot is likely to have. Runs before the C start-up touches the RAM. */
#include "avr.h"
#include "bellrope/wire.h"

#include <avr/io.h>
#include <avr/wdt.h>

static uint8_t cause __attribute__((section(".noinit")));
static uint32_t seed __attribute__((section(".noinit")));

void reset_early(void) __attribute__((naked, used, section(".init3")));

/*
 * The watchdog stays on through its own reset and must be stopped at once. The RAM comes up as it pleases, differently each time: its bytes
 * mixed (the FNV-1a of Fowler, Noll and Vo) give the seed, which serves where the EEPROM has no count of power-ups.
 */
void reset_early(void)
{
    uint32_t mix = 2166136261u;
    for (const uint8_t *at = (const uint8_t *)RAMSTART; at <= (const uint8_t *)RAMEND; at++) {
        mix = (mix ^ *at) * 16777619u;
    }
    seed = mix;
    cause = MCUSR;
    MCUSR = 0;
    wdt_disable();
}

uint8_t reset_flags(void)
{
    uint8_t flags = 0;
    flags |= (cause & _BV(PORF)) != 0 ? WIRE_HELLO_POWER_ON : 0;
    flags |= (cause & _BV(BORF)) != 0 ? WIRE_HELLO_BROWN_OUT : 0;
    flags |= (cause & _BV(WDRF)) != 0 ? WIRE_HELLO_WATCHDOG : 0;
    flags |= (cause & _BV(EXTRF)) != 0 ? WIRE_HELLO_EXTERNAL : 0;
    return flags;
}

uint32_t reset_seed(void)
{
    return seed;
}
