/*
 * board: every hardware touch of the keypad firmware, and nothing else. A port fills in one struct pad_board; the simulated
 * rig, the tests and the AVR port are three of them. Time is not a hook: it is the argument of pad_run and pad_receive.
 *
 * All hooks are called from within pad_init, pad_run and pad_receive, never from an interrupt, and must return at once.
 */
#ifndef PAD_BOARD_H
#define PAD_BOARD_H

#include <stdbool.h>
#include <stdint.h>

enum pad_lamp { PAD_LAMP_DARK, PAD_LAMP_GREEN, PAD_LAMP_AMBER, PAD_LAMP_RED, PAD_LAMP_WHITE };
enum pad_tone { PAD_TONE_OFF, PAD_TONE_LOW, PAD_TONE_HIGH };

struct pad_board {
    void *ctx; /* handed to every hook */

    /* ---- key matrix ---- */
    uint8_t rows; /* 1 to 8 */
    uint8_t cols; /* 1 to 8 */
    bool
        diodes; /* one a key: any set of keys can be told apart. Without, ghosts are recognised and refused. */

    /* Drives one column, lets it settle, answers which rows are closed: bit r for row r. */
    uint8_t (*read_column)(void *ctx, uint8_t column);
    uint16_t scan_us; /* longest time from the tick of a pad_scan to the end of its scan */

    /*
     * The touch latch, or NULL where the hardware has none. While no scan runs all columns are driven, so that any contact that
     * closes, however briefly, leaves its mark. True: some contact has closed since the last call (or is closed now); *tick_us
     * is then when, at most touch_us after the fact and never before it. The call clears the latch.
     */
    bool (*touched)(void *ctx, uint64_t *tick_us);
    uint16_t touch_us;

    /* Or NULL. True: some contact has opened or closed since the end of the last scan, however briefly. */
    bool (*moved)(void *ctx);

    /* ---- serial line ---- */
    /* Sends from the firmware's own buffer, which stays as it is until uart_idle. Called only when idle. */
    void (*uart_send)(void *ctx, const uint8_t *bytes, uint8_t n);
    /* True when all bytes handed over have left: the next byte will begin to leave at once. */
    bool (*uart_idle)(void *ctx);

    /* ---- lamp and sounder: called only on change ---- */
    void (*lamp)(void *ctx, enum pad_lamp colour);
    void (*sounder)(void *ctx, enum pad_tone tone);
    uint16_t lamp_us; /* longest time from the tick of a pad_show to the light */

    /* ---- memory that survives loss of power; eeprom_bytes 0 where there is none (the three hooks may then be NULL) ---- */
    uint16_t eeprom_bytes;
    bool (*eeprom_ready)(
        void *ctx); /* false while a byte is being written; reads and writes happen only when true */
    uint8_t (*eeprom_read)(void *ctx, uint16_t address);
    void (*eeprom_write)(void *ctx, uint16_t address, uint8_t byte); /* begins to erase and write one byte */
};

#endif
