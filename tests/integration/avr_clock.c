/*
 * The emulated chip stops at the instant it was asked to run to, in the middle of its sleep too: what is scheduled after that instant cannot
 * come late. Usage: avr_clock IMAGE
 */
#include "emulator_chip.h"

#include <inttypes.h>
#include <stdio.h>
#include <string.h>

enum {
    US = CHIP_CYCLES_PER_US,
    SLACK = 6 /* the longest instruction, and one cycle to wake */
};

static void on_sent(void *ctx, uint64_t cycle, uint8_t byte)
{
    (void)ctx;
    (void)cycle;
    (void)byte;
}

static void on_lamp(void *ctx, uint64_t cycle, uint8_t colours)
{
    (void)ctx;
    (void)cycle;
    (void)colours;
}

int main(int argc, char **argv)
{
    static const unsigned steps[] = {7 * US + 3, 50 * US, 331 * US + 1};
    static uint8_t eeprom[CHIP_EEPROM];
    const struct chip_sink sink = {.sent = on_sent, .lamp = on_lamp};
    uint64_t worst = 0;

    memset(eeprom, 0xFF, sizeof eeprom);
    struct chip *chip = argc == 2 ? chip_new(argv[1], eeprom, 1, &sink) : NULL;
    if (chip == NULL) {
        return 2;
    }
    for (unsigned i = 0; i < sizeof steps / sizeof steps[0]; i++) {
        uint64_t end = chip_cycle(chip) + (uint64_t)2000000 * US;
        while (chip_cycle(chip) < end) {
            uint64_t until = chip_cycle(chip) + steps[i];
            if (!chip_run(chip, until)) {
                fprintf(stderr, "the firmware stopped at cycle %" PRIu64 "\n", chip_cycle(chip));
                return 1;
            }
            uint64_t past = chip_cycle(chip) - until;
            worst = past > worst ? past : worst;
        }
    }
    chip_free(chip, eeprom);
    printf("6 s of emulated time in steps: at most %" PRIu64 " cycles past the instant asked for\n", worst);
    return worst <= SLACK ? 0 : 1;
}
