/* lamps: one RGB lamp or three single ones, and a piezo sounder on timer 2. */
#include "avr.h"
#include "board.h"

#include <avr/io.h>
#include <util/delay.h>

#define RED _BV(0)
#define GREEN _BV(1)
#define THIRD _BV(2) /* blue of an RGB lamp, or the amber lamp */
#define LAMPS (RED | GREEN | THIRD)
#define STRAP_SINGLE _BV(3)
#define STRAP_DIODES _BV(4)

static bool single;
static bool diodes;

void lamps_init(void)
{
    PORTB = STRAP_SINGLE | STRAP_DIODES;
    DDRB = LAMPS;
    DDRD |= _BV(3);
    _delay_us(50);
    single = (PINB & STRAP_SINGLE) == 0;
    diodes = (PINB & STRAP_DIODES) == 0;
}

bool lamps_diode_strap(void)
{
    return diodes;
}

void lamps_show(void *ctx, uint8_t colour)
{
    uint8_t lit = 0;
    (void)ctx;
    switch (colour) {
    case PAD_LAMP_GREEN:
        lit = GREEN;
        break;
    case PAD_LAMP_AMBER:
        lit = single ? THIRD : RED | GREEN;
        break;
    case PAD_LAMP_RED:
        lit = RED;
        break;
    case PAD_LAMP_WHITE:
        lit = LAMPS;
        break;
    default:
        break;
    }
    PORTB = (uint8_t)((PORTB & ~LAMPS) | lit);
}

void lamps_sound(void *ctx, uint8_t tone)
{
    (void)ctx;
    if (tone == PAD_TONE_OFF) {
        TCCR2B = 0;
        TCCR2A = 0;
        return;
    }
    /* Toggles PD3 at 16 MHz / 64 / (1 + OCR2A): a square wave of 1.0 kHz or 2.7 kHz, where small piezos are loud. */
    OCR2A = tone == PAD_TONE_LOW ? 124 : 45;
    TCNT2 = 0;
    TCCR2A = _BV(COM2B0) | _BV(WGM21);
    TCCR2B = _BV(CS22);
}
