/* main: the loop. It sleeps between turns; an interrupt (a byte, a touch, the turn's timer) wakes it. */
#include "avr.h"
#include "pad.h"

#include <avr/interrupt.h>
#include <avr/sleep.h>
#include <avr/wdt.h>

static void show(void *ctx, enum pad_lamp colour)
{
    lamps_show(ctx, (uint8_t)colour);
}

static void sound(void *ctx, enum pad_tone tone)
{
    lamps_sound(ctx, (uint8_t)tone);
}

static struct pad_board board = {
    .rows = 4,
    .cols = 4,
    .read_column = matrix_read_column,
    .scan_us = AVR_SCAN_US,
    .touched = matrix_touched,
    .touch_us = AVR_TOUCH_US,
    .moved = matrix_moved,
    .uart_send = uart_send,
    .uart_idle = uart_idle,
    .lamp = show,
    .sounder = sound,
    .lamp_us = AVR_LAMP_US,
    .eeprom_bytes = E2END + 1,
    .eeprom_ready = memory_ready,
    .eeprom_read = memory_read,
    .eeprom_write = memory_write,
};

static struct pad_state pad;

int main(void)
{
    uint8_t byte;
    uint64_t tick_us;

    wdt_enable(WDTO_500MS);
    tick_init();
    lamps_init();
    matrix_init();
    uart_init();
    sei();
    board.diodes = lamps_diode_strap();
    pad_init(&pad, &board, "", reset_seed(), reset_flags(), tick_now());
    set_sleep_mode(SLEEP_MODE_IDLE);
    for (;;) {
        wdt_reset();
        while (uart_take(&byte, &tick_us)) {
            pad_receive(&pad, byte, tick_us);
        }
        pad_scan(&pad, tick_now());
        pad_send(&pad, tick_now());
        pad_show(&pad, tick_now());
        sleep_mode();
    }
}
