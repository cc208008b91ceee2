/*
 * avr: the keypad firmware's board on an ATmega328P at 16 MHz, the part of the common small USB-serial boards.
 *
 *   port   board   use
 *   PD0/1  D0 D1   UART to the USB bridge, 115200 8N1
 *   PD4-7  D4-D7   matrix columns 1-4: low when driven, else floating, so that two keys in a row never short two outputs
 *   PC0-3  A0-A3   matrix rows A-D, pulled up; a closed key of a driven column pulls its row low
 *   PB0    D8      lamp, red
 *   PB1    D9      lamp, green
 *   PB2    D10     lamp, blue; amber where three single lamps are fitted
 *   PD3    D3      piezo sounder (timer 2)
 *   PB3    D11     to ground: three single lamps (red, green, amber) instead of one RGB lamp
 *   PB4    D12     to ground: the matrix has a diode a key
 *
 * Timer 1 counts half microseconds; it is the tick, and its compare wakes the loop every 500 us. Interrupts stamp what must not wait for the
 * loop: a touch on a row, and the delimiter that ends a frame. Everything else is the portable code in firmware-sim/pad.
 */
#ifndef AVR_AVR_H
#define AVR_AVR_H

#include <stdbool.h>
#include <stdint.h>

enum {
    AVR_TURN_US = 500,  /* the loop turns at least this often */
    AVR_SCAN_US = 200,  /* from the tick of a turn to the end of its scan, interrupts included */
    AVR_TOUCH_US = 120, /* from a contact to its stamp: the time of a scan, other interrupts included */
    AVR_LAMP_US = 300,  /* from the tick of pad_show to the lamp, interrupts included */
};

/* An instant as an interrupt notes it: cheap to take, widened to a tick by the loop. */
struct avr_instant {
    uint32_t low_us;
    uint16_t high;
};

void tick_init(void);
uint64_t tick_now(void);
/* Interrupts must be off. */
struct avr_instant tick_note(void);
uint64_t tick_of(struct avr_instant instant);

void matrix_init(void);
uint8_t matrix_read_column(void *ctx, uint8_t column);
bool matrix_touched(void *ctx, uint64_t *tick_us);
bool matrix_moved(void *ctx);

void uart_init(void);
void uart_send(void *ctx, const uint8_t *bytes, uint8_t n);
bool uart_idle(void *ctx);
/* The next byte received and the tick of its arrival, or a later one. */
bool uart_take(uint8_t *byte, uint64_t *tick_us);

/* After lamp_init: whether a strap pin is tied to ground. */
void lamps_init(void);
bool lamps_diode_strap(void);
void lamps_show(void *ctx, uint8_t colour);
void lamps_sound(void *ctx, uint8_t tone);

bool memory_ready(void *ctx);
uint8_t memory_read(void *ctx, uint16_t address);
void memory_write(void *ctx, uint16_t address, uint8_t byte);

/* What the part itself says of this power-up: enum of wire.h WIRE_HELLO_* bits, and a number out of the RAM's state at power-up. */
uint8_t reset_flags(void);
uint32_t reset_seed(void);

#endif
