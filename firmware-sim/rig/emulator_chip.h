/*
 * emulator_chip: the ATmega328P with the keypad image in it, executed instruction by instruction (simavr), on a board with a 4x4
 * matrix whose contacts follow a schedule, a serial line, lamps, a sounder and an EEPROM that survives.
 *
 * Time is counted in clock cycles since this power-up, 16 to the microsecond. What is to happen at an instant is scheduled and happens at
 * that very cycle; the chip runs ahead to the instant asked for and no further. Reproducible: the same schedule gives the same bytes.
 *
 * What simavr does not model and this file adds: the time a byte takes on the line; the matrix as a net (a closed contact joins its row
 * to its column, so three closed corners of a rectangle close the fourth); the time a byte of EEPROM takes and how loss of power tears
 * it; RAM that comes up as noise.
 * What neither models: the time constants of the row lines, supply voltage, the brown-out detector.
 *
 * simavr is free software under the GNU GPL, version 3; a binary linked with it is too. Nothing else in Bellrope links with it.
 */
#ifndef BELLROPE_RIG_EMULATOR_CHIP_H
#define BELLROPE_RIG_EMULATOR_CHIP_H

#include <stdbool.h>
#include <stdint.h>

enum {
    CHIP_EEPROM = 1024,
    CHIP_KEYS = 16,
    CHIP_CYCLES_PER_US = 16,
    /* A byte on the line, both ways. simavr 1.6 gives it eleven bits of 8 * 17 cycles, where the part takes ten: times here are that much
       longer than on a real line. */
    CHIP_BYTE_CYCLES = 11 * 8 * 17
};

/* Bits of a lamp's state as the pins have it. */
enum { CHIP_RED = 1, CHIP_GREEN = 2, CHIP_BLUE = 4 };

/* Called from within chip_run. The strap pins are open: one RGB lamp, no diodes. */
struct chip_sink {
    void *ctx;
    /* A byte has left; its last bit ends at `cycle`, which lies up to one byte's time ahead of the chip. */
    void (*sent)(void *ctx, uint64_t cycle, uint8_t byte);
    void (*lamp)(void *ctx, uint64_t cycle, uint8_t colours);
};

struct chip;

/* NULL with a message on stderr when the image cannot be read. `eeprom`: CHIP_EEPROM bytes. The sink must outlive the chip. */
struct chip *chip_new(const char *image, const uint8_t *eeprom, uint64_t seed, const struct chip_sink *sink);

/* Loss of power. `eeprom` gets what is left; a byte being written may come out as anything. */
void chip_free(struct chip *chip, uint8_t *eeprom);

/* False when the firmware has stopped or crashed. */
bool chip_run(struct chip *chip, uint64_t until_cycle);

uint64_t chip_cycle(const struct chip *chip);
/* When the firmware's tick was zero; 0 before its timer runs. */
uint64_t chip_tick_zero(const struct chip *chip);

/* A contact closes or opens. Instants must not be in the past; in any order. */
void chip_contact(struct chip *chip, uint64_t cycle, uint8_t key, bool closed);

/* A byte to the chip, its first bit beginning at `cycle`, or after the byte before it. Answers when its last bit ends. */
uint64_t chip_receive(struct chip *chip, uint64_t cycle, uint8_t byte);

/* From here on the program runs in an empty loop, as a firmware does that has lost its way. */
void chip_hang(struct chip *chip);

/* True while the sounder is driven. */
bool chip_sounding(const struct chip *chip);

/* Bytes of stack the firmware has used at most since power-up, as far as its RAM shows; RAM free below that. */
uint16_t chip_stack_used(const struct chip *chip);
uint16_t chip_stack_free(const struct chip *chip);

/* The EEPROM as it is now. */
void chip_eeprom(struct chip *chip, uint8_t *eeprom);

#endif
